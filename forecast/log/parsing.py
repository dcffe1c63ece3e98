"""From the raw rows of one file to sets: every column parsed, every bad row given its reasons."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from forecast.ladder import Ladder
from forecast.log import numbers, words
from forecast.log.cells import Parsed, Problem, is_blank, is_empty, parse, show
from forecast.log.dates import DateOrder, read_dates
from forecast.log.mapping import Columns, Mapping, match_columns, value_words
from forecast.log.raw import RawTable


@dataclass(frozen=True, slots=True)
class Rows:
    """The rows of one file after parsing.

    Attributes
    ----------
    sets
        The usable rows: the columns of ``SET_COLUMNS``, with ``set`` 0 where no number was
        noted, and ``clock`` (seconds after midnight, -1 where none was written).
    rejected
        The other rows, with the columns of ``REJECTED_COLUMNS``.
    understood, warnings
        Sentences on what was found out, and on what could be read in several ways.
    """

    sets: pd.DataFrame
    rejected: pd.DataFrame
    understood: tuple[str, ...]
    warnings: tuple[str, ...]


class _Rejects:
    """Collects, row by row, the first bad cell and the reasons of all of them."""

    def __init__(self, raw: RawTable) -> None:
        self._raw = raw
        self._found: dict[int, list[Any]] = {}

    def add(self, column: str, problems: np.ndarray) -> None:
        """Note the problems (n,) of a column; a whole-row problem has the column ``""``."""
        cells = self._raw.cells[column] if column else None
        for n in np.flatnonzero(problems):
            problem = problems[n]
            value = "" if cells is None else show(cells.iloc[n])
            entry = self._found.setdefault(int(n), [column, value, problem.kind, ""])
            if entry[2] in {"blank", "shape"} and entry[3]:
                continue
            entry[3] += f"{' ' if entry[3] else ''}{column or 'row'}: {problem.reason}"

    @property
    def bad(self) -> np.ndarray:
        """Whether each row (n,) has a problem."""
        bad = np.zeros(len(self._raw.cells), dtype=bool)
        bad[list(self._found)] = True
        return bad

    def frame(self) -> pd.DataFrame:
        """Return the rejected rows in the order of the file."""
        at = sorted(self._found)
        parts = [self._found[n] for n in at]
        return pd.DataFrame(
            {
                "file": [self._raw.file] * len(at),
                "row": [int(self._raw.rows[n]) for n in at],
                **{
                    name: [part[place] for part in parts]
                    for place, name in enumerate(("column", "value", "kind", "reason"))
                },
            }
        )


def parse_rows(
    raw: RawTable, ladder: Ladder, mapping: Mapping, date_order: DateOrder | None = None
) -> Rows:
    """Parse one file against the ladder.

    Raises
    ------
    MappingError
        If a required column is not found or the mapping does not fit the file.
    AmbiguousDateError
        If the order of day and month matters and nothing settles it.
    """
    columns = match_columns(list(raw.cells.columns), mapping, raw.file)
    read = mapping.read
    rejects = _Rejects(raw)
    blank = np.full(len(raw.rows), None, dtype=object)
    blank[raw.blank] = Problem("blank", "nothing in it.")
    rejects.add("", blank)
    rejects.add("", raw.shape_problems)
    take = partial(_column, raw, columns, mapping, rejects)

    athlete = take("athlete", words.athlete)
    cells = _replaced(raw.cells[columns.ours["date"]], value_words(mapping, "date"))
    dates = read_dates(cells, raw.rows, raw.file, date_order or read.date_order, raw.date1904)
    rejects.add(columns.ours["date"], dates.problems)
    rung = take("rung", words.RungNames(ladder))
    found = take("value", partial(numbers.quantity, decimal=read.decimal))
    value = _values(found, rung, ladder, columns.units["value"])
    rejects.add(columns.ours["value"], value.problems)
    unit = columns.units["load_kg"] or read.load_unit or "kg"
    ten = partial(numbers.out_of_ten, decimal=read.decimal)
    assist = take("assist", words.assist, "none")
    table = {
        "athlete": athlete,
        "date": dates.dates,
        "rung": rung,
        "set": take("set", numbers.set_number),
        "value": value.values,
        "clean": take("clean", words.clean, True),
        "assisted": assist != "none",
        "assist": assist,
        "load_kg": take("load_kg", partial(numbers.load, decimal=read.decimal, unit=unit)),
        "stopped": take("stopped", words.stopped, "unknown"),
        "effort": take("effort", ten),
        "pain": take("pain", ten),
        "note": take("note", words.note, ""),
        "file": np.full(len(raw.rows), raw.file, dtype=object),
        "row": raw.rows,
        "clock": dates.clocks,
    }
    good = ~rejects.bad
    return Rows(
        sets=pd.DataFrame({name: cells[good] for name, cells in table.items()}),
        rejected=rejects.frame(),
        understood=(*raw.understood, *_understood(raw, columns, dates.understood, unit)),
        warnings=(*raw.warnings, *dates.warnings, *_ticks(raw, columns, mapping)),
    )


def _replaced(column: pd.Series, replace: dict[str, Any]) -> pd.Series:
    if not replace:
        return column
    parsed = parse(column, lambda cell: replace.get(show(cell).casefold(), cell))
    return pd.Series(parsed.values, index=column.index, dtype=object)


def _column(
    raw: RawTable,
    columns: Columns,
    mapping: Mapping,
    rejects: _Rejects,
    name: str,
    reader: Callable[[Any], Any],
    default: Any = None,
) -> np.ndarray:
    """Parse one of our columns (n,), filled with ``default`` where the file lacks it."""
    header = columns.ours.get(name)
    if header is None:
        return np.full(len(raw.rows), default, dtype=object)
    replace = value_words(mapping, name)

    def read(cell: Any) -> Any:
        return reader(replace.get(show(cell).casefold(), cell) if replace else cell)

    parsed = parse(raw.cells[header], read)
    rejects.add(header, parsed.problems)
    return parsed.values


def _values(found: np.ndarray, rung: np.ndarray, ladder: Ladder, header_unit: str) -> Parsed:
    """Put each quantity into its rung's measure; a bare number takes the unit of the header."""
    measures = {r.key: r.criterion.measure for r in ladder.rungs}
    known: dict[tuple[numbers.Quantity, str], float | Problem] = {}
    values = np.empty(len(found), dtype=object)
    problems = np.empty(len(found), dtype=object)
    for n, (quantity, key) in enumerate(zip(found, rung, strict=True)):
        if quantity is None or key is None:
            continue
        pair = (quantity, key)
        if pair not in known:
            unit = quantity.unit or header_unit
            known[pair] = numbers.in_measure(numbers.Quantity(quantity.number, unit), measures[key])
        outcome = known[pair]
        if isinstance(outcome, Problem):
            problems[n] = outcome
        else:
            values[n] = outcome
    return Parsed(values, problems)


def _understood(raw: RawTable, columns: Columns, dates: str, unit: str) -> list[str]:
    pairs = ", ".join(f"{ours} = {theirs!r}" for ours, theirs in columns.ours.items())
    said = [f"{raw.file}: columns {pairs}."]
    if columns.unused:
        said.append(f"{raw.file}: not used: {', '.join(map(repr, columns.unused))}.")
    if dates:
        said.append(dates)
    if "load_kg" in columns.ours:
        said.append(f"{raw.file}: a load without a unit is read in {unit}.")
    if columns.units["value"]:
        said.append(f"{raw.file}: a value without a unit is read in {columns.units['value']}.")
    return said


def _ticks(raw: RawTable, columns: Columns, mapping: Mapping) -> list[str]:
    """Warn where a column of ticks leaves open what its blanks mean."""
    header = columns.ours.get("clean")
    if header is None or "" in value_words(mapping, "clean"):
        return []
    column = raw.cells[header][~raw.blank]
    noted = {show(cell).casefold() for cell in column.unique() if not is_blank(cell)}
    blanks = int(sum(is_empty(cell) for cell in column))
    if not blanks or not noted or not noted <= words.TICKS:
        return []
    return [
        f"{raw.file}: {header!r} holds ticks and {blanks} blanks; blanks were read as clean. If "
        'they mean unclean, put "" = false under [values.clean] in the mapping.'
    ]
