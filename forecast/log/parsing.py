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
from forecast.log.cells import Parsed, Problem, counted, distinct, is_blank, is_empty, parse, show
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
    value = np.full(len(raw.rows), None, dtype=object)
    parts = _values(raw, columns, mapping, rung, ladder)
    for (header, _), part in zip(columns.values, parts, strict=True):
        rejects.add(header, part.problems)
        value = np.where(value == np.array(None), part.values, value)
    unit = columns.load_unit or read.load_unit or "kg"
    ten = partial(numbers.out_of_ten, decimal=read.decimal)
    assist = take("assist", words.assist, "none")
    _ask_assist(assist, raw, columns, mapping, rejects)
    table = {
        "athlete": athlete,
        "date": dates.dates,
        "rung": rung,
        "set": take("set", numbers.set_number),
        "value": value,
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


def _ask_assist(
    assist: np.ndarray, raw: RawTable, columns: Columns, mapping: Mapping, rejects: _Rejects
) -> None:
    """Reject the rows (n,) whose word of help has to be asked about."""
    if "assist" in columns.ours:
        answered = {words.assist(word) for word in value_words(mapping, "assist").values()}
        problems = np.full(len(assist), None, dtype=object)
        problems[~raw.blank] = words.strange_assist(assist[~raw.blank], answered)
        rejects.add(columns.ours["assist"], problems)


def _values(
    raw: RawTable, columns: Columns, mapping: Mapping, rung: np.ndarray, ladder: Ladder
) -> list[Parsed]:
    """Parse each column that holds values (n,) in the measure of each row's rung."""
    measures = {r.key: r.criterion.measure for r in ladder.rungs}
    measure = np.array([measures.get(key) for key in rung], dtype=object)
    replace = value_words(mapping, "value")
    parts = []
    for header, unit in columns.values:
        cells = _replaced(raw.cells[header], replace)
        found = parse(cells, partial(numbers.quantity, decimal=mapping.read.decimal))
        parts.append(_in_measure(found, measure, unit))
    return _one_each(parts, [header for header, _ in columns.values])


def _in_measure(found: Parsed, measure: np.ndarray, header_unit: str) -> Parsed:
    """Put quantities (n,) in their measures; a bare number takes the unit of the header."""
    known: dict[tuple[numbers.Quantity, Any], Any] = {}
    values = np.empty(len(measure), dtype=object)
    problems = found.problems.copy()
    for n, pair in enumerate(zip(found.values, measure, strict=True)):
        quantity, of_rung = pair
        if quantity is None or of_rung is None:
            continue
        if pair not in known:
            unit = quantity.unit or header_unit
            known[pair] = numbers.in_measure(numbers.Quantity(quantity.number, unit), of_rung)
        (problems if isinstance(known[pair], Problem) else values)[n] = known[pair]
    return Parsed(values, problems)


def _one_each(parts: list[Parsed], headers: list[str]) -> list[Parsed]:
    """Leave each row one value, from the one column whose unit fits its rung.

    A column that is blank or of another unit does not matter in a row where another column has
    the value.
    """
    if len(parts) == 1:
        return parts
    for n in range(len(parts[0].values)):
        good = [k for k, part in enumerate(parts) if part.values[n] is not None]
        if good:
            for part in parts:
                part.problems[n] = None
        if len(good) > 1:
            both = " and ".join(repr(headers[k]) for k in good)
            parts[good[0]].problems[n] = Problem(
                "contradiction", f"{both} both hold a value for this rung; keep one."
            )
        wrong = [k for k, part in enumerate(parts) if part.problems[n] is not None]
        telling = [k for k in wrong if parts[k].problems[n].kind != "missing"] or wrong[:1]
        for k in set(wrong) - set(telling):
            parts[k].problems[n] = None
    return parts


def _understood(raw: RawTable, columns: Columns, dates: str, unit: str) -> list[str]:
    pairs = ", ".join(f"{ours} = {theirs!r}" for ours, theirs in columns.ours.items())
    said = [f"{raw.file}: columns {pairs}."]
    if columns.unused:
        said.append(f"{raw.file}: not used: {', '.join(map(repr, columns.unused))}.")
    if dates:
        said.append(dates)
    if "load_kg" in columns.ours:
        said.append(f"{raw.file}: a load without a unit is read in {unit}.")
    for header, told in columns.values:
        if told:
            said.append(f"{raw.file}: a number without a unit in {header!r} is read in {told}.")
    return said


def _ticks(raw: RawTable, columns: Columns, mapping: Mapping) -> list[str]:
    """Warn where a column of ticks leaves open what its blanks mean."""
    header = columns.ours.get("clean")
    if header is None or "" in value_words(mapping, "clean"):
        return []
    codes, cells = distinct(raw.cells[header][~raw.blank])
    noted = {show(cell).casefold() for cell in cells if not is_blank(cell)}
    empty = [n for n, cell in enumerate(cells) if is_empty(cell)]
    blanks = int(np.isin(codes, empty).sum())
    if not blanks or not noted or not noted <= words.TICKS:
        return []
    return [
        f"{raw.file}: {header!r} holds ticks and {counted(blanks, 'blank')}, which were read as "
        'clean. If a blank means unclean, put "" = false under [values.clean] in the mapping.'
    ]
