"""From the raw rows of one file to sets: every column parsed, every bad row given its reasons."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from forecast.ladder import Ladder
from forecast.log import cells as cell_words
from forecast.log import numbers
from forecast.log.cells import distinct, is_blank, is_empty, parse, show
from forecast.log.dates import DateOrder, read_dates, with_year
from forecast.log.mapping import COLUMNS, NOTED, SET_COLUMNS, Columns, Mapping, value_words
from forecast.log.notation import HELD, Attempt, Style, attempts
from forecast.log.problems import Problem, Rejected, no_problems, placed, problem, say
from forecast.log.roles import RungNames
from forecast.log.shapes import Shaped, shaped
from forecast.log.tables import RawTable

_LISTED = re.compile(r"\s*\d+(?:\s*,\s*\d+){2,}\s*")
SESSION = ["athlete", "date", "rung"]
_OVER = ("clean", "stopped", "effort", "load_kg", "assist")
"""What a cell of values may tell of its sets, where the row's own column tells nothing."""


@dataclass(frozen=True, slots=True)
class Values:
    """What the cells of values say: different readings, each the sets of a cell or none.

    ``codes`` (n,) have the reading of each row, ``problems`` those (n,) of each column of values.
    """

    readings: list[tuple[Attempt, ...]]
    codes: np.ndarray
    problems: list[np.ndarray]

    @property
    def sizes(self) -> np.ndarray:
        """Sets (n,) in the cell of each row, 1 where it has none."""
        return np.array([max(len(one), 1) for one in self.readings], dtype=np.int64)[self.codes]

    def contradictions(self, noted: np.ndarray, load: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Problems (n,) where a number of sets, or a load, is noted that the cell contradicts."""
        problems = no_problems(len(noted)), no_problems(len(noted))
        sizes = self.sizes
        for n in np.flatnonzero(sizes > 1) if _any(noted) else ():
            if noted[n] is not None and noted[n] != sizes[n]:
                held = int(sizes[n])
                problems[0][n] = problem("contradiction", "two_counts", told=noted[n], held=held)
        loads = [{a.load_kg for a in one} - {None} for one in self.readings]
        for at, code in enumerate(self.codes) if any(loads) else ():
            other = loads[code] - {load[at]}
            if load[at] is not None and other:
                least = min(other)
                problems[1][at] = problem("contradiction", "two_loads", told=load[at], held=least)
        return problems

    def spread(
        self, table: dict[str, np.ndarray], good: np.ndarray, counts: np.ndarray
    ) -> pd.DataFrame:
        """Return the good rows, one for each of ``counts`` (n,) sets, with what the cells tell."""
        counts, codes = counts[good], self.codes[good]
        at = np.repeat(np.arange(len(counts)), counts)
        turn = np.arange(len(at)) - np.repeat(np.cumsum(counts) - counts, counts)
        starts = np.cumsum([0, *(max(len(one), 1) for one in self.readings)])
        flat = [attempt for one in self.readings for attempt in (one or (Attempt(np.nan),))]
        place = starts[codes[at]] + np.where(self.sizes[good][at] > 1, turn, 0)
        sets = pd.DataFrame({name: cells[good][at] for name, cells in table.items()})
        sets["value"] = np.array([one.value for one in flat])[place]
        for name in _OVER:
            told = np.array([getattr(one, name) for one in flat], dtype=object)
            if _any(told):
                fills = np.array([cell is not None for cell in told])[place]
                blank = COLUMNS[name].blank
                own = sets[name].isna() if blank is None else sets[name] == blank
                sets[name] = sets[name].astype(object).mask(fills & own, pd.Series(told[place]))
        notes = np.array([one.note for one in flat], dtype=object)
        if (notes != "").any():
            sets["note"] = (sets["note"] + "; " + notes[place]).map(lambda note: note.strip("; "))
        several = np.repeat(counts, counts)
        if (counts > 1).any():
            # numbered where the cell holds all of its session; elsewhere no order is known
            session = sets.groupby(SESSION, sort=False)["row"]
            alone = (session.transform("nunique") == 1) & (session.transform("size") == several)
            numbers = sets["set"].mask((several > 1) & alone, pd.Series(turn + 1))
            sets["set"] = numbers.mask((several > 1) & ~alone, None)
        return sets

    def understood(self, file: str) -> list[str]:
        """Sentences on sides noted apart and on cells with several sets."""
        sided = np.array([any(a.sided for a in one) for one in self.readings])[self.codes].sum()
        many = int((self.sizes > 1).sum())
        lines = [say("sides_apart", file=file, count=int(sided))] if sided else []
        return lines + ([say("several_sets", file=file, count=many)] if many else [])


def _any(cells: np.ndarray) -> bool:
    return cells.tolist().count(None) < len(cells)


def read_values(shape: Shaped, mapping: Mapping, rung: np.ndarray, ladder: Ladder) -> Values:
    """Read each column of values in the measure of each row's rung, each different cell once."""
    rungs, keys = pd.factorize(pd.Series(rung, dtype=object))
    marks = [*(ladder.rung(key).criterion for key in keys), None]
    rungs = rungs % len(marks)  # no rung, -1, is the last
    words = {word.casefold(): meaning for word, meaning in mapping.words.items()}
    readings: list[tuple[Attempt, ...]] = [()]
    columns = []
    for header, unit in shape.columns.values:
        codes, cells = distinct(_replaced(shape.raw.cells[header], mapping, "value"))
        units = shape.units if header in shape.heads and shape.units is not None else None
        unit_codes, unit_names = (
            (np.zeros(len(codes), dtype=np.int64), [unit]) if units is None else pd.factorize(units)
        )
        commas, clocks = (
            any(isinstance(cell, str) and pattern.fullmatch(cell.strip()) for cell in cells)
            for pattern in (_LISTED, HELD)
        )
        style = Style(mapping.read.decimal, mapping.cells, words, commas, clocks)
        mixed = (codes * len(marks) + rungs) * len(unit_names) + unit_codes
        pairs, back = np.unique(mixed, return_inverse=True)
        place = np.zeros(len(pairs), dtype=np.int64)
        problems = no_problems(len(pairs))
        for n, pair in enumerate(pairs):
            both, unit_code = divmod(int(pair), len(unit_names))
            code, mark = divmod(both, len(marks))
            outcome = attempts(cells[code], marks[mark], unit_names[unit_code], style)
            if isinstance(outcome, Problem):
                problems[n] = outcome
            elif marks[mark] is not None:
                place[n] = len(readings)
                readings.append(outcome)
        columns.append((place[back], problems[back]))
    return Values(readings, *_one_each(columns, [header for header, _ in shape.columns.values]))


def _one_each(
    columns: list[tuple[np.ndarray, np.ndarray]], headers: Sequence[str]
) -> tuple[np.ndarray, list[np.ndarray]]:
    """Leave each row one reading, from the one column whose unit fits its rung."""
    if len(columns) == 1:
        return columns[0][0], [columns[0][1]]
    codes, problems = np.array([c for c, _ in columns]), [p.copy() for _, p in columns]
    for n in range(codes.shape[1]):
        good = np.flatnonzero(codes[:, n])
        if len(good):  # what is blank or of another unit does not matter beside a value
            for column in problems:
                column[n] = None
        if len(good) > 1:
            one, other = (repr(headers[k]) for k in good[:2].tolist())
            problems[good[0]][n] = problem("contradiction", "two_values", one=one, other=other)
        wrong = [k for k, column in enumerate(problems) if column[n] is not None]
        telling = [k for k in wrong if problems[k][n].kind != "missing"] or wrong[:1]
        for k in set(wrong) - set(telling):
            problems[k][n] = None
    return codes.max(axis=0), problems


@dataclass(frozen=True, slots=True)
class Rows:
    """The rows of one file after parsing: usable ones, and the problems of each of the others.

    ``sets`` has ``SET_COLUMNS``, with ``set`` 0 where no number was noted, and ``clock`` (seconds
    after midnight, -1 where none was written). ``rows_in`` counts cells of values, those with
    several sets as often: each is a set or rejected.
    """

    sets: pd.DataFrame
    rejected: list[Rejected]
    understood: tuple[str, ...]
    warnings: tuple[str, ...]
    rows_in: int


class _Rejects:
    """Collects the problems of each row."""

    def __init__(self, shape: Shaped) -> None:
        self._raw, self._heads = shape.raw, shape.heads
        self._rows: dict[int, list[Problem]] = {}

    def add(self, column: str, problems: np.ndarray) -> None:
        """Note the problems (n,) of a column, ``""`` for the whole row."""
        cells = self._raw.cells[column] if column else None
        for n in np.flatnonzero(problems):
            value = "" if cells is None else show(cells.iloc[n])
            name = self._heads[column][n] if column in self._heads else column
            row = self._rows.setdefault(int(n), [])
            if problems[n].kind == "ignored":
                row.clear()
            if not row or row[0].kind not in {"blank", "shape", "ignored"}:
                place = {"file": self._raw.file, "row": int(self._raw.rows[n])}
                row.append(replace(problems[n], column=name, value=value, **place))

    @property
    def bad(self) -> np.ndarray:
        """Whether each row (n,) has a problem."""
        bad = np.zeros(len(self._raw.cells), dtype=bool)
        bad[list(self._rows)] = True
        return bad

    def rejected(self) -> list[Rejected]:
        """Return the rejected rows in the order of the file."""
        return [tuple(self._rows[n]) for n in sorted(self._rows)]


def parse_rows(
    raw: RawTable, ladder: Ladder, mapping: Mapping, date_order: DateOrder | None = None
) -> Rows:
    """Parse one file against the ladder; errors as in ``read_log``."""
    shape = shaped(raw, ladder, mapping)
    raw, columns, read = shape.raw, shape.columns, mapping.read
    rejects = _Rejects(shape)
    filled = ~raw.blank
    blank = no_problems(len(raw.rows))
    blank[~filled] = problem("blank", "blank")
    rejects.add("", blank)
    rejects.add("", raw.shape_problems)
    take = partial(_column, raw, columns, mapping, rejects)

    athlete = take("athlete", cell_words.athlete_name)
    cells = _replaced(raw.cells[columns.ours["date"]], mapping, "date")
    if read.year is not None:
        cells = with_year(cells, read.year)
    dates = read_dates(cells, raw.rows, raw.file, date_order or read.date_order, raw.date1904)
    rejects.add(columns.ours["date"], dates.problems)
    rung = take("rung", RungNames(ladder, mapping.ignore))
    values = read_values(shape, mapping, rung, ladder)
    for (header, _), problems in zip(columns.values, values.problems, strict=True):
        rejects.add(header, problems)
    unit = columns.load_unit or read.load_unit or "kg"
    assist = take("assist", cell_words.assist_word, "none")
    if "assist" in columns.ours:
        answered = set(map(cell_words.assist_word, value_words(mapping, "assist").values()))
        strange = no_problems(len(assist))
        strange[filled] = cell_words.strange_assist(assist[filled], answered)
        rejects.add(columns.ours["assist"], strange)
    table = {
        "athlete": athlete,
        "date": dates.dates,
        "rung": rung,
        "set": take("set", numbers.set_number),
        **{
            name: take(name, partial(column.read, read.decimal, unit), column.blank)
            for name, column in COLUMNS.items()
            if column.read is not None and name != "assist"
        },
        "assist": assist,
        "row": raw.rows,
        "clock": dates.clocks,
    }
    noted = take("sets", numbers.set_number)
    several, loads = values.contradictions(noted, table["load_kg"])
    rejects.add(columns.ours.get("sets", ""), several)
    rejects.add(columns.ours.get("load_kg", ""), loads)
    good = ~rejects.bad
    # as many sets as the cell holds, or as many alike as the row says
    alike = np.array([n or 1 for n in noted], dtype=np.int64)
    counts = np.where(values.sizes == 1, alike, values.sizes)
    sets = _with_notes(values.spread(table, good, counts), mapping)
    return Rows(
        sets=sets.assign(assisted=sets["assist"] != "none", file=raw.file),
        rejected=rejects.rejected(),
        understood=(
            *raw.understood,
            *shape.understood,
            *_understood(raw, columns, dates.understood, unit),
            *values.understood(raw.file),
        ),
        warnings=(*raw.warnings, *dates.warnings, *_ticks(raw, columns, mapping, filled)),
        rows_in=int(counts[good].sum() + (~good).sum()),
    )


def _with_notes(sets: pd.DataFrame, mapping: Mapping) -> pd.DataFrame:
    """Add what words in notes mean, as the mapping says, where nothing else tells it."""
    for word, means in mapping.notes.items():
        at = sets["note"].map(
            lambda note, word=word: bool(note) and cell_words.mentions(note, word)
        )
        if means == "unclean":
            sets["clean"] = sets["clean"].mask(at, False)
        elif means == "assisted":
            sets["assist"] = sets["assist"].mask(at & (sets["assist"] == "none"), means)
        elif means != "note":
            sets["pain"] = sets["pain"].mask(at & sets["pain"].isna(), means)
    return sets


def typed(sets: pd.DataFrame) -> pd.DataFrame:
    """Give every column of ``SET_COLUMNS`` its type; a set without a number is 0."""
    sets = sets.assign(set=[0 if number is None else number for number in sets["set"]])
    for name in (name for name in NOTED if SET_COLUMNS[name] == "float64"):
        sets[name] = pd.to_numeric(sets[name].astype(object).where(sets[name].notna()))
    return sets.astype({**SET_COLUMNS, "clock": "int64"})


def _replaced(column: pd.Series, mapping: Mapping, name: str) -> pd.Series:
    """Return a column with words of the mapping in place of those written."""
    words = value_words(mapping, name)
    if not words:
        return column
    parsed = parse(column, lambda cell: words.get(show(cell).casefold(), cell))
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


def _understood(raw: RawTable, columns: Columns, dates: str, unit: str) -> list[str]:
    pairs = ", ".join(f"{ours} = {theirs!r}" for ours, theirs in columns.ours.items())
    lines = [f"{raw.file}: columns {pairs}."]
    if columns.unused:
        lines.append(f"{raw.file}: not used: {', '.join(map(repr, columns.unused))}.")
    lines += [dates] if dates else []
    if "load_kg" in columns.ours:
        lines.append(say("bare_load", file=raw.file, unit=unit))
    return lines + [
        say("bare_number", file=raw.file, header=header, unit=told)
        for header, told in columns.values
        if told and header in raw.cells
    ]


def _ticks(raw: RawTable, columns: Columns, mapping: Mapping, filled: np.ndarray) -> list[str]:
    """Warn where a column of ticks leaves open what its blanks mean."""
    header = columns.ours.get("clean")
    if header is None or "" in value_words(mapping, "clean"):
        return []
    codes, cells = distinct(raw.cells[header][filled])
    noted = {show(cell).casefold() for cell in cells if not is_blank(cell)}
    empty = [n for n, cell in enumerate(cells) if is_empty(cell)]
    blanks = int(np.isin(codes, empty).sum())
    if not blanks or not noted or not noted <= cell_words.TICKS:
        return []
    return [say("ticks", file=raw.file, header=header, count=blanks)]


_SAME = [*SESSION, "clock", "set"]
_CONTENT_ORDER = ["value", *NOTED]
_CONTENT = [name for name in _CONTENT_ORDER if name != "note"]
_DIRECTION = [name not in {"value", "clean", "load_kg"} for name in _CONTENT_ORDER]
"""Highest value and load first, clean before unclean; the rest only settles ties."""


def set_aside_repeats(sets: pd.DataFrame) -> tuple[pd.DataFrame, list[Rejected]]:
    """Separate honest sets from rows (rejected) that say the same set again.

    With set numbers, a row equal to an earlier one (notes apart) is a duplicate, and rows with one
    number but different content contradict each other: all go. Without a number (0), equal rows of
    one file are repeated sets and stay; equal rows of *another* file are duplicates as far as the
    first file has as many, so that overlapping exports do not count twice.
    """
    if sets.empty:
        return sets, []
    sets = sets.reset_index(drop=True)
    content = sets.groupby([*_SAME, *_CONTENT], dropna=False, sort=False).ngroup()
    turn = sets.groupby([content, sets["file"]], sort=False).cumcount()
    turn = turn.where(sets["set"] == 0, 0)
    twin = sets.groupby([content, turn], sort=False).cumcount() > 0
    first = sets.index.to_series().groupby([content, turn], sort=False).transform("first")[twin]
    places = sets["file"].astype(str) + " row " + sets["row"].astype(str)
    again, others = sets[twin], sets[~twin]
    numbered = others[others["set"] > 0]
    clash = numbered[numbered.duplicated(_SAME, keep=False)]
    together = places[clash.index].groupby([clash[c] for c in _SAME], sort=False)
    rejected = placed(again, "set", [
        problem("duplicate", "repeated", str(number or ""), place=place)
        for number, place in zip(again["set"], places[first], strict=True)
    ])  # fmt: skip
    rejected += placed(clash, "set", [
        problem("contradiction", "two_contents", str(number), set=number, places=place)
        for number, place in zip(clash["set"], together.transform(", ".join), strict=True)
    ] if len(clash) else [])  # fmt: skip
    return others.drop(index=clash.index), rejected


def number_sets(sets: pd.DataFrame) -> pd.Series:
    """Return set numbers: those noted, and for the others the free ones, highest value first.

    Numbering by content keeps a shuffled file the same log. Where a day holds the same number
    twice at different clock times, the day is counted through in the order of the clock.
    """
    number = sets["set"].copy()
    session = sets.groupby(SESSION, sort=False).ngroup()
    noted = number > 0
    again = sets.duplicated([*SESSION, "set"], keep=False) & noted
    recount = ~noted.groupby(session).transform("any") | again.groupby(session).transform("any")
    ordered = (
        sets[recount]
        .assign(session=session[recount])
        .sort_values(
            ["session", "clock", "set", *_CONTENT_ORDER], ascending=[True, True, True, *_DIRECTION]
        )
    )
    number[ordered.index] = ordered.groupby("session").cumcount() + 1
    gaps = ~recount & (~noted).groupby(session).transform("any")
    listed = sets[gaps].sort_values(_CONTENT_ORDER, ascending=_DIRECTION)
    for rows in listed.groupby(session[listed.index], sort=False).groups.values():
        free = iter(sorted(set(range(1, 2 * len(rows) + 1)) - set(number[rows])))
        for row in rows[number[rows] == 0]:
            number[row] = next(free)
    return number
