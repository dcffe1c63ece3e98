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
from forecast.log.cells import Problem, counted, distinct, is_blank, is_empty, parse, show
from forecast.log.columns import COLUMNS, NOTED, SET_COLUMNS, Manner
from forecast.log.dates import DateOrder, read_dates, with_year
from forecast.log.mapping import Columns, Mapping, value_words
from forecast.log.raw import RawTable
from forecast.log.shapes import Shaped, shaped
from forecast.log.values import read_values


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
    rows_in
        Cells of values, those with several sets counted as often: each is a set or rejected.
    """

    sets: pd.DataFrame
    rejected: pd.DataFrame
    understood: tuple[str, ...]
    warnings: tuple[str, ...]
    rows_in: int


class _Rejects:
    """Collects, row by row, the first bad cell and the reasons of all of them."""

    def __init__(self, shape: Shaped) -> None:
        self._raw, self._heads = shape.raw, shape.heads
        self._found: dict[int, list[Any]] = {}

    def add(self, column: str, problems: np.ndarray) -> None:
        """Note the problems (n,) of a column; a whole-row problem has the column ``""``."""
        cells = self._raw.cells[column] if column else None
        for n in np.flatnonzero(problems):
            problem = problems[n]
            value = "" if cells is None else show(cells.iloc[n])
            name = self._heads[column][n] if column in self._heads else column
            if problem.kind == "ignored":
                self._found.pop(int(n), None)
            entry = self._found.setdefault(int(n), [name, value, problem.kind, ""])
            if entry[2] in {"blank", "shape", "ignored"} and entry[3]:
                continue
            entry[3] += f"{' ' if entry[3] else ''}{name or 'row'}: {problem.reason}"

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
    """Parse one file against the ladder; errors as in ``read_log``."""
    shape = shaped(raw, ladder, mapping)
    raw, columns, read = shape.raw, shape.columns, mapping.read
    rejects = _Rejects(shape)
    filled = ~raw.blank
    blank = np.full(len(raw.rows), None, dtype=object)
    blank[~filled] = Problem("blank", "nothing in it.")
    rejects.add("", blank)
    rejects.add("", raw.shape_problems)
    take = partial(_column, raw, columns, mapping, rejects)

    athlete = take("athlete", words.athlete)
    cells = _replaced(raw.cells[columns.ours["date"]], value_words(mapping, "date"))
    if read.year is not None:
        cells = with_year(cells, read.year)
    dates = read_dates(cells, raw.rows, raw.file, date_order or read.date_order, raw.date1904)
    rejects.add(columns.ours["date"], dates.problems)
    rung = take("rung", words.RungNames(ladder, mapping.ignore))
    found = read_values(shape, mapping, rung, ladder)
    for (header, _), part in zip(columns.values, found.problems, strict=True):
        rejects.add(header, part)
    unit = columns.load_unit or read.load_unit or "kg"
    manner = Manner(read.decimal, unit)
    assist = take("assist", words.assist, "none")
    if "assist" in columns.ours:
        strange = np.full(len(assist), None, dtype=object)
        strange[filled] = _strange_assist(assist[filled], mapping)
        rejects.add(columns.ours["assist"], strange)
    table = {
        "athlete": athlete,
        "date": dates.dates,
        "rung": rung,
        "set": take("set", numbers.set_number),
        **{
            name: take(name, partial(column.read, manner), column.blank)
            for name, column in COLUMNS.items()
            if column.read is not None and name != "assist"
        },
        "assist": assist,
        "row": raw.rows,
        "clock": dates.clocks,
    }
    counts = take("sets", numbers.set_number)
    rejects.add(columns.ours.get("sets", ""), found.count_problems(counts))
    rejects.add(columns.ours.get("load_kg", ""), found.load_problems(table["load_kg"]))
    good = ~rejects.bad
    sets = found.spread({name: cells[good] for name, cells in table.items()}, good, counts)
    rejected = rejects.frame()
    return Rows(
        sets=sets.assign(assisted=sets["assist"] != "none", file=raw.file),
        rejected=rejected,
        understood=(
            *raw.understood,
            *shape.understood,
            *_understood(raw, columns, dates.understood, unit),
            *found.understood(raw.file),
        ),
        warnings=(*raw.warnings, *dates.warnings, *_ticks(raw, columns, mapping, filled)),
        rows_in=found.cells_in(good, counts),
    )


def typed(sets: pd.DataFrame) -> pd.DataFrame:
    """Give every column of ``SET_COLUMNS`` its type; a set without a number is 0."""
    sets = sets.assign(set=[0 if number is None else number for number in sets["set"]])
    for name in (name for name in NOTED if SET_COLUMNS[name] == "float64"):
        sets[name] = pd.to_numeric(sets[name].astype(object).where(sets[name].notna()))
    return sets.astype({**SET_COLUMNS, "clock": "int64"})


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


def _strange_assist(assist: np.ndarray, mapping: Mapping) -> np.ndarray:
    """Problems (n,) of words of help that have to be asked about."""
    answered = {words.assist(word) for word in value_words(mapping, "assist").values()}
    return words.strange_assist(assist, answered)


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
        if told and header in raw.cells:
            said.append(f"{raw.file}: a number without a unit in {header!r} is read in {told}.")
    return said


def _ticks(raw: RawTable, columns: Columns, mapping: Mapping, filled: np.ndarray) -> list[str]:
    """Warn where a column of ticks leaves open what its blanks mean."""
    header = columns.ours.get("clean")
    if header is None or "" in value_words(mapping, "clean"):
        return []
    codes, cells = distinct(raw.cells[header][filled])
    noted = {show(cell).casefold() for cell in cells if not is_blank(cell)}
    empty = [n for n, cell in enumerate(cells) if is_empty(cell)]
    blanks = int(np.isin(codes, empty).sum())
    if not blanks or not noted or not noted <= words.TICKS:
        return []
    return [
        f"{raw.file}: {header!r} holds ticks and {counted(blanks, 'blank')}, which were read as "
        'clean. If a blank means unclean, put "" = false under [values.clean] in the mapping.'
    ]
