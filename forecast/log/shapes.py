"""From a table in whatever shape to one row a cell of values: sets, rungs or days side by side."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd

from forecast.errors import MappingError
from forecast.ladder import Ladder
from forecast.log.cells import any_of, is_blank, show, tidy, vocabulary
from forecast.log.dates import read_day
from forecast.log.mapping import (
    NOTED,
    VIRTUAL,
    Columns,
    Mapping,
    by_unit,
    header_meaning,
    header_unit,
    match_columns,
    plain_header,
    synonyms,
    value_words,
)
from forecast.log.notation import MOST_SETS
from forecast.log.numbers import UNITS
from forecast.log.problems import Problem, say
from forecast.log.roles import RungNames, counts_up, is_name, misfit, profile
from forecast.log.tables import Known, RawTable, empty_cells

_SET, _WEEK = vocabulary("words", "set"), any_of(vocabulary("others", "week"))
EMPTY = Ladder("", ())
_LEFT, _RIGHT = vocabulary("words", "left"), vocabulary("words", "right")
_DITTO = frozenset({'"', "''", "〃", "″", "”", "ditto", "dto", "dto.", "do.", "dito"})


@dataclass(frozen=True, slots=True)
class Slot:
    """One of several headers side by side, for cells of our column ``kind``, and what it tells."""

    header: str
    kind: str = "value"
    number: int | None = None
    side: str = ""
    rung: str = ""
    date: str = ""
    athlete: str = ""

    @property
    def block(self) -> tuple[str, str, str, int]:
        """What it shares with the headers of the same set."""
        return self.athlete, self.rung, self.date, self.number or 0


@dataclass(frozen=True, slots=True)
class Shaped:
    """A table with one row for each cell of values (row numbers repeat), and what columns hold.

    For a column put together here, ``heads`` (n,) are the headers that its cells came from, and
    ``units`` (n,) what these tell.
    """

    raw: RawTable
    columns: Columns
    heads: dict[str, np.ndarray] = field(default_factory=dict)
    units: np.ndarray | None = None
    understood: tuple[str, ...] = ()


def known_headers(mapping: Mapping, ladder: Ladder) -> Known:
    """Return what counts known headers: by the mapping, their meaning, or rungs or days across."""
    mapped = {
        plain_header(one)
        for theirs in mapping.columns.values()
        for one in ([theirs] if isinstance(theirs, str) else theirs)
    }
    rungs = RungNames(ladder)
    told = {*value_words(mapping, "rung"), *(tidy(name).casefold() for name in mapping.ignore)}

    def known(cells: Sequence[str]) -> int:
        names = [
            plain_header(cell) in mapped
            or header_meaning(cell)
            or (not cell.isdecimal() and _set_slot(cell))
            for cell in cells
        ]
        rest = [cell for cell, name in zip(cells, names, strict=True) if not name]
        # one rung or one day may as well be a row of the log
        across = (sum(map(is_day, rest)), sum(map(_is_rung, rest)))
        return sum(map(bool, names)) + sum(n for n in across if n > 1)

    def _is_rung(cell: str) -> bool:
        return rungs.is_rung(_without_unit(cell))

    return Known(known, lambda text: _is_rung(text) or tidy(text).casefold() in told)


def shaped(raw: RawTable, ladder: Ladder, mapping: Mapping) -> Shaped:
    """Bring a table into the shape of one row a cell of values; errors as in ``match_columns``."""
    raw, given = _constants(raw, mapping)
    raw = _headed(raw, mapping)
    headers = list(raw.cells.columns)
    slots = side_by_side(headers, mapping, ladder)
    plain = [header for header in headers if header not in {slot.header for slot in slots}]
    provided = {n for slot in slots for n in ("athlete", "rung", "date") if getattr(slot, n)}
    provided |= {"value"} if slots else set()
    left = {name: theirs for name, theirs in mapping.columns.items() if name not in provided}
    mapping = mapping.model_copy(update={"columns": left})
    rungs = RungNames(ladder)

    def misfits(name: str, header: str) -> bool:
        column = raw.cells[header]
        return misfit(name, profile(column, rungs)) or (name == "value" and counts_up(column))

    columns = match_columns(plain, mapping, raw.file, frozenset(provided | given.keys()), misfits)
    if slots and columns.values:
        listed = ", ".join(repr(slot.header) for slot in slots)
        raise MappingError(
            f"{raw.file}: {columns.values[0][0]!r} and {slots[0].header!r} could each hold the "
            f'values; say which in the mapping:\n[columns]\nvalue = "{columns.values[0][0]}"'
            f"  # or value = [{listed}]",
            ["value"],
        )
    raw = _filled(raw, columns, mapping)
    if slots:
        made = _long(raw, columns, slots)
        heads = ", ".join(repr(slot.header) for slot in slots)
        understood: tuple[str, ...] = (say("side_by_side", file=raw.file, names=heads),)
    else:
        joined, count = _sides_joined(raw, columns)
        made = Shaped(joined, columns)
        rows = say("side_a_row", file=raw.file, count=count)
        understood = () if joined is raw else (rows,)
        made = _with_units(made, mapping)
    ours = made.columns.ours | {name: f"({name})" for name in given}
    made.raw.cells[[f"({name})" for name in given]] = list(given.values())
    columns = Columns(ours, made.columns.values, columns.load_unit, made.columns.unused)
    return replace(made, columns=columns, understood=understood)


def _with_units(made: Shaped, mapping: Mapping) -> Shaped:
    """Take the unit of each value from a column of units, if there is one."""
    header = made.columns.ours.get("unit")
    if header is None or len(made.columns.values) != 1:
        return made
    value = made.columns.values[0][0]
    if value in mapping.units:
        return made
    words = [show(cell).casefold().strip(" .") for cell in made.raw.cells[header].array]
    units = np.array([UNITS.get(word, word) for word in words], dtype=object)
    return replace(made, heads={value: np.full(len(units), value, dtype=object)}, units=units)


def whose_columns(raw: RawTable, mapping: Mapping) -> list[str]:
    """Headers that may each be an athlete: beside a day and an exercise, amounts under names."""
    taken = {one for one in mapping.columns.values() if isinstance(one, str)}
    free = [h for h in raw.cells.columns if h not in taken and header_meaning(h) is None]
    nothing = RungNames(EMPTY)
    looks = {header: profile(raw.cells[header], nothing) for header in free}
    names = [h for h, cells in looks.items() if max(cells.numbers, cells.telling) > 0.5
             and cells.dates < 0.5 and is_name(h)]  # fmt: skip
    return names if len(names) > 1 else []


def _constants(raw: RawTable, mapping: Mapping) -> tuple[RawTable, dict[str, str]]:
    """Return what holds for all of a table, by the mapping or by a title such as ``Name: Ann``."""
    given = {}
    headers = {header_meaning(header) for header in raw.cells.columns} | set(mapping.columns)
    for title in raw.titles:
        head, _, tail = " ".join(title).partition(":")
        head, tail = (title[0], title[1]) if len(title) == 2 and not tail else (head, tail)
        name = header_meaning(head)
        if name in {"athlete", "date", "rung"} and name not in headers and tail.strip():
            given[name] = tail.strip()
    if mapping.read.athlete is not None:
        given["athlete"] = mapping.read.athlete
    listed = [[t] if isinstance(t, str) else t for t in mapping.columns.values()]
    asked = {one for theirs in listed for one in theirs if one in VIRTUAL}
    if asked:
        told = {"(file)": Path(raw.file.partition(" [")[0]).stem, "(sheet)": raw.sheet}
        cells = raw.cells.assign(**{name: told[name] for name in asked & told.keys()})
        raw = _with(raw, cells)
    return raw, given


def _with(raw: RawTable, cells: pd.DataFrame, at: np.ndarray | None = None) -> RawTable:
    """Return the table with other cells, of the rows ``at``."""
    at = np.arange(len(raw.rows)) if at is None else at
    return replace(raw, cells=cells, rows=raw.rows[at], shape_problems=raw.shape_problems[at])


def _headed(raw: RawTable, mapping: Mapping) -> RawTable:
    """Take rows with nothing but a first cell for headings of the rows below, if so asked.

    A title above the header heads the first rows; the header itself, repeated, is not a row.
    """
    first = raw.cells.iloc[:, 0] if raw.cells.shape[1] else pd.Series(dtype=object)
    again = _holds(first, first.name)
    for header in raw.cells.columns if again.any() else ():
        again &= _holds(raw.cells[header], header)
    asked = any("(heading)" in theirs for theirs in mapping.columns.values())
    if not again.any() and not asked:
        return raw
    heading = headings(raw) if asked else np.zeros(len(first), dtype=bool)
    cells = raw.cells
    if asked:
        title = next((t[0] for t in raw.titles[::-1] if len(t) == 1), None)
        told = first.astype(object).where(heading, None).ffill().astype(object)
        cells = cells.assign(**{"(heading)": told.where(told.notna(), title)})
    keep = np.flatnonzero(~(heading | again))
    return _with(raw, cells.iloc[keep].reset_index(drop=True), keep)


def _holds(column: pd.Series, text: str) -> np.ndarray:
    """Whether each cell (n,) of a column is this text."""
    if isinstance(column.dtype, pd.StringDtype):
        return (column == text).fillna(False).to_numpy(dtype=bool, copy=True)
    return np.array([isinstance(c, str) and c == text for c in column.array], dtype=bool)


def headings(raw: RawTable) -> np.ndarray:
    """Whether each row (n,) has something in its first cell and in no other."""
    filled = ~np.array([empty_cells(raw.cells[name]) for name in raw.cells.columns], dtype=bool)
    if not len(filled):
        return np.zeros(len(raw.rows), dtype=bool)
    return filled[0] & (filled.sum(axis=0) == 1)


def _filled(raw: RawTable, columns: Columns, mapping: Mapping) -> RawTable:
    """Give blanks that mean the same as above their meaning, and ditto marks theirs."""
    changed = {}
    for name in ("athlete", "date", "rung", "set", "sets", "side"):
        header = columns.ours.get(name)
        if header is None or raw.cells[header].dtype.kind in "Mifb":
            continue
        column = raw.cells[header]
        repeated = column.isin(_DITTO).to_numpy(dtype=bool, copy=True)
        if name in mapping.read.fill_down:
            repeated |= empty_cells(column) & ~raw.blank
        if repeated.any():
            whole = column.astype(object).mask(repeated | empty_cells(column), None).ffill()
            changed[header] = column.astype(object).mask(repeated, whole)
    return _with(raw, raw.cells.assign(**changed)) if changed else raw


def side_by_side(headers: Sequence[str], mapping: Mapping, ladder: Ladder) -> list[Slot]:
    """Find the headers that stand for sets, rungs, days or sides of the body side by side."""
    values, people = mapping.columns.get("value"), mapping.columns.get("athlete")
    if isinstance(people, list) and all(
        header in headers and header_meaning(header) is None for header in people
    ):
        return [Slot(header, athlete=header) for header in people]
    if values is not None:
        named = [values] if isinstance(values, str) else values
        if len(named) < 2 or by_unit("value", named):
            return []
        if not set(named) <= set(headers):
            return []  # match_columns says which is missing
        return [
            _set_slot(header) or Slot(header, number=n, side=_side(header))
            for n, header in enumerate(named, start=1)
        ]
    taken = {one for one in mapping.columns.values() if isinstance(one, str)}
    free = [header for header in headers if header not in taken]
    finders: list[Callable[[], list[Slot]]] = [
        lambda: [slot for header in free if (slot := _set_slot(header)) is not None],
        lambda: _sides(free),
        lambda: _weeks(free, mapping),
    ]
    meant = {header_meaning(header) for header in free} | set(mapping.columns)
    if "rung" not in meant:
        finders.insert(0, lambda: _rungs(free, mapping, ladder))
    if "date" not in meant:
        finders.append(lambda: [Slot(h, date=h) for h in free if is_day(h)])
    for finder in finders:
        slots = finder()
        counts = {slot.block for slot in slots if slot.kind == "value"}
        if len(counts) > 1 or (counts and (slots[0].rung or slots[0].side)):
            bare = all(slot.header.isdecimal() for slot in slots)
            if not bare or {slot.number for slot in slots} == set(range(1, len(slots) + 1)):
                return slots
    return []


def _side(header: str) -> str:
    words = set(plain_header(header).split())
    found = [n for n, told in (("left", _LEFT), ("right", _RIGHT)) if words & told]
    return found[0] if len(found) == 1 else ""


def _set_slot(header: str) -> Slot | None:
    """Read a header that names one of several sets: ``Set 2``, ``3. Satz (s)``, ``set1 kg``."""
    tokens = re.findall(r"[^\W\d_]+|\d+", plain_header(header))
    digits = [token for token in tokens if token.isdecimal()]
    names = [token for token in tokens if not token.isdecimal()]
    if len(digits) != 1 or len(digits[0]) > 4 or not 1 <= int(digits[0]) <= MOST_SETS:
        return None
    if names and _SET.isdisjoint(names):
        return None
    names = [token for token in names if token not in _SET or token in _LEFT | _RIGHT]
    side = _side(" ".join(names))
    words = " ".join(token for token in names if token not in _LEFT | _RIGHT)
    unit = header_unit(words)
    kind = next((name for name in NOTED if words and words in synonyms(name)), "")
    if unit in {"kg", "lb"} and not kind:
        kind = "load_kg"
    if not kind and words and not unit and words not in synonyms("value"):
        return None
    return Slot(header, kind or "value", int(digits[0]), side)


def _sides(headers: Sequence[str]) -> list[Slot]:
    """Find one column of values for each side of the body."""
    slots = []
    for header in headers:
        words = " ".join(w for w in plain_header(header).split() if w not in _LEFT | _RIGHT)
        plain = not words or header_unit(words) or header_meaning(words) == "value"
        if _side(header) and plain:
            slots.append(Slot(header, side=_side(header)))
    return slots if sorted(slot.side for slot in slots) == ["left", "right"] else []


def _weeks(headers: Sequence[str], mapping: Mapping) -> list[Slot]:
    """Find columns that count the weeks, ``Wk 1``; each is dated by the day it begins on."""
    weeks = {h: re.fullmatch(rf"(?:{_WEEK})\s*(\d{{1,2}})", plain_header(h)) for h in headers}
    counts = {header: int(match[1]) for header, match in weeks.items() if match}
    if len(counts) < 2:
        return []
    start = mapping.read.start
    if start is None:
        raise MappingError(
            say("weeks_without_start", names=", ".join(map(repr, counts))), ["start"]
        )
    return [
        Slot(header, date=(start + dt.timedelta(weeks=week - 1)).isoformat())
        for header, week in counts.items()
    ]


def _rungs(headers: Sequence[str], mapping: Mapping, ladder: Ladder) -> list[Slot]:
    names, told = RungNames(ladder), value_words(mapping, "rung")
    slots = {
        header: Slot(header, rung=name)
        for header in headers
        for name in (_without_unit(header), header)
        if tidy(name).casefold() in told or names.is_rung(name)
    }
    return list(slots.values())


def _without_unit(header: str) -> str:
    return re.sub(r"[\s(\[]+[^\W\d_]+[)\]]?$", "", header) if header_unit(header) else header


def is_day(text: str) -> bool:
    """Whether a header is a date."""
    return bool(re.search(r"\d\D+\d", text)) and not isinstance(read_day(text), Problem)


def _long(raw: RawTable, columns: Columns, slots: list[Slot]) -> Shaped:
    """Give each cell of values a row of its own, in the order of the rows, then of the headers."""
    blocks: dict[tuple[str, str, str, int], list[Slot]] = {}
    for slot in slots:
        blocks.setdefault(slot.block, []).append(slot)
    sets = list(blocks.values())
    blank = {
        slot.header: np.array([is_blank(cell) for cell in raw.cells[slot.header].array], dtype=bool)
        for slot in slots
    }
    filled = np.array(
        [~np.all([blank[s.header] for s in b if s.kind == "value"], axis=0) for b in sets]
    )
    filled[0] |= ~filled.any(axis=0)  # a row without any value is rejected as one
    at, which = np.nonzero(filled.T)
    kinds = [k for k in ("value", *NOTED) if any(slot.kind == k for slot in slots)]
    cells = raw.cells.drop(columns=[slot.header for slot in slots]).iloc[at].reset_index(drop=True)
    made = {kind: np.full(len(at), None, dtype=object) for kind in kinds}
    heads, units = (np.full(len(at), "", dtype=object) for _ in range(2))
    for n, block in enumerate(sets):
        here = which == n
        for kind in kinds:
            same = [slot for slot in block if slot.kind == kind]
            if same:
                made[kind][here] = _cells_of(raw, same, blank)[at[here]]
            if same and kind == "value":
                heads[here], units[here] = same[0].header, header_unit(same[0].header)
    ours = dict(columns.ours)
    for kind in kinds:
        cells[f"({kind})"] = pd.Series(made[kind], dtype=object)
    told_apart = (filled.sum(axis=0) > 1).any() or any(_set_slot(s.header) for s in slots)
    for name in ("athlete", "rung", "date", *(["number"] if told_apart else [])):
        if any(getattr(slot, name) for slot in slots):
            ours[name if name != "number" else "set"] = f"({name})"
            told = np.array([getattr(block[0], name) for block in sets], dtype=object)
            cells[f"({name})"] = pd.Series(told[which], dtype=object)
    ours |= {kind: f"({kind})" for kind in [*kinds[1:], kinds[0]]}
    loads = [header_unit(slot.header) for slot in slots if slot.kind == "load_kg"]
    load_unit = "lb" if loads and set(loads) == {"lb"} else columns.load_unit
    made_columns = Columns(ours, (("(value)", ""),), load_unit, columns.unused)
    return Shaped(_with(raw, cells, at), made_columns, {"(value)": heads}, units)


def _cells_of(raw: RawTable, same: list[Slot], blank: dict[str, np.ndarray]) -> np.ndarray:
    """Cells (n,) of one set, both sides in one text where they stand apart."""
    if len(same) == 1 and not same[0].side:
        return np.asarray(raw.cells[same[0].header].astype(object))
    texts = [
        np.array([show(cell) for cell in raw.cells[slot.header].array], dtype=object)
        for slot in same
    ]
    return _both_sides([slot.side for slot in same], texts, [blank[s.header] for s in same])


def _both_sides(
    sides: Sequence[str], texts: Sequence[np.ndarray], blank: Sequence[np.ndarray]
) -> np.ndarray:
    made = np.full(len(texts[0]), "", dtype=object)
    for side, text, empty in zip(sides, texts, blank, strict=True):
        made = np.where(empty, made, made + f" {side} " + text)
    alone = np.sum([~empty for empty in blank], axis=0) == 1
    for side, text, empty in zip(sides, texts, blank, strict=True):
        made = np.where(alone & ~empty, text + f" {side}", made)
    return np.array([text.strip() or None for text in made], dtype=object)


def _sides_joined(raw: RawTable, columns: Columns) -> tuple[RawTable, int]:
    """Join two rows that are the left and the right of one set, and count them."""
    header = columns.ours.get("side")
    if header is None or len(columns.values) != 1:
        return raw, 0
    words = raw.cells[header].map(lambda cell: show(cell).casefold().rstrip("."))
    left, right = words.isin(_LEFT), words.isin(_RIGHT)
    if not (left | right).any():
        return raw, 0
    keys = [columns.ours[n] for n in ("athlete", "date", "rung", "set") if n in columns.ours]
    text = raw.cells[keys].map(show)
    side = np.where(left, "left", np.where(right, "right", ""))
    turn = text.groupby([*(text[k] for k in keys), pd.Series(side)], sort=False).cumcount()
    pair = text.groupby([*(text[k] for k in keys), turn], sort=False).ngroup().where(side != "", -1)
    value = columns.values[0][0]
    shown = np.array([show(cell) for cell in raw.cells[value].array], dtype=object)
    texts = [
        pd.Series(np.where(at, shown, ""), dtype=object).groupby(pair).transform("max").to_numpy()
        for at in (left, right)
    ]
    both = _both_sides(["left", "right"], texts, [text == "" for text in texts])
    cells = raw.cells.assign(**{value: raw.cells[value].astype(object).where(side == "", both)})
    keep = np.flatnonzero((side == "") | ~pair.duplicated())
    joined = _with(raw, cells.iloc[keep].reset_index(drop=True), keep)
    return joined, len(raw.rows) - len(keep)
