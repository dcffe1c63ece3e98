"""From a table in whatever shape to one row a cell of values: sets, rungs or days side by side."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd

from forecast.errors import MappingError
from forecast.ladder import Ladder
from forecast.log.cells import RungNames, counted, is_blank, show, tidy, vocabulary
from forecast.log.dates import read_day
from forecast.log.mapping import (
    NOTED,
    VIRTUAL,
    Columns,
    Mapping,
    header_meaning,
    header_unit,
    match_columns,
    plain_header,
    synonyms,
    value_words,
)
from forecast.log.notation import MOST_SETS
from forecast.log.problems import Problem
from forecast.log.tables import Known, RawTable, empty_cells

_SET = vocabulary("words", "set")
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

    @property
    def block(self) -> tuple[str, str, int]:
        """What it shares with the headers of the same set."""
        return self.rung, self.date, self.number or 0


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
        across = (sum(map(_is_day, rest)), sum(map(_is_rung, rest)))
        return sum(map(bool, names)) + sum(n for n in across if n > 1)

    def _is_rung(cell: str) -> bool:
        return not isinstance(rungs(_without_unit(cell)), Problem)

    return Known(known, lambda text: _is_rung(text) or tidy(text).casefold() in told)


def shaped(raw: RawTable, ladder: Ladder, mapping: Mapping) -> Shaped:
    """Bring a table into the shape of one row a cell of values; errors as in ``match_columns``."""
    raw, given = _constants(raw, mapping)
    raw = _headed(raw, mapping)
    headers = list(raw.cells.columns)
    slots = side_by_side(headers, mapping, ladder)
    plain = [header for header in headers if header not in {slot.header for slot in slots}]
    values = mapping.columns.get("value")
    if slots and values is not None:
        mapping = mapping.model_copy(
            update={"columns": {n: t for n, t in mapping.columns.items() if n != "value"}}
        )
    provided = {name for slot in slots for name in ("rung", "date") if getattr(slot, name)}
    provided |= {"value"} if slots else set()
    columns = match_columns(plain, mapping, raw.file, frozenset(provided | given.keys()))
    if slots and columns.values:
        raise MappingError(
            f"{raw.file}: {columns.values[0][0]!r} and {slots[0].header!r} could each hold the "
            f'values; say which in the mapping:\n[columns]\nvalue = "{columns.values[0][0]}"'
            f"  # or value = [{', '.join(repr(slot.header) for slot in slots)}]"
        )
    raw = _filled(raw, columns, mapping)
    if slots:
        made = _long(raw, columns, slots)
        heads = ", ".join(repr(slot.header) for slot in slots)
        understood: tuple[str, ...] = (f"{raw.file}: side by side in a row: {heads}.",)
    else:
        joined, count = _sides_joined(raw, columns)
        made = Shaped(joined, columns)
        rows = f"{raw.file}: a side a row; {counted(count, 'row')} joined the other side's."
        understood = () if joined is raw else (rows,)
    ours = made.columns.ours | {name: f"({name})" for name in given}
    made.raw.cells[[f"({name})" for name in given]] = list(given.values())
    columns = Columns(ours, made.columns.values, columns.load_unit, made.columns.unused)
    return replace(made, columns=columns, understood=understood)


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
    asked = {one for one in mapping.columns.values() if isinstance(one, str) and one in VIRTUAL}
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
    """Take rows with nothing but a first cell for headings of the rows below, if so asked."""
    if "(heading)" not in mapping.columns.values():
        return raw
    heading = headings(raw)
    told = raw.cells.iloc[:, 0].astype(object).where(heading, None).ffill().astype(object)
    keep = np.flatnonzero(~heading)
    cells = raw.cells.assign(**{"(heading)": told}).iloc[keep].reset_index(drop=True)
    return _with(raw, cells, keep)


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
    values = mapping.columns.get("value")
    if values is not None:
        named = [values] if isinstance(values, str) else values
        units = [header_unit(header) for header in named]
        if len(named) < 2 or (all(units) and len(set(units)) == len(units)):
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
    ]
    meant = {header_meaning(header) for header in free} | set(mapping.columns)
    if "rung" not in meant:
        finders.insert(0, lambda: _rungs(free, mapping, ladder))
    if "date" not in meant:
        finders.append(lambda: [Slot(h, date=h) for h in free if _is_day(h)])
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


def _rungs(headers: Sequence[str], mapping: Mapping, ladder: Ladder) -> list[Slot]:
    names, told = RungNames(ladder), value_words(mapping, "rung")
    slots = {
        header: Slot(header, rung=name)
        for header in headers
        for name in (_without_unit(header), header)
        if tidy(name).casefold() in told or not isinstance(names(name), Problem)
    }
    return list(slots.values())


def _without_unit(header: str) -> str:
    return re.sub(r"[\s(\[]+[^\W\d_]+[)\]]?$", "", header) if header_unit(header) else header


def _is_day(text: str) -> bool:
    return bool(re.search(r"\d\D+\d", text)) and not isinstance(read_day(text), Problem)


def _long(raw: RawTable, columns: Columns, slots: list[Slot]) -> Shaped:
    """Give each cell of values a row of its own, in the order of the rows, then of the headers."""
    blocks: dict[tuple[str, str, int], list[Slot]] = {}
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
    for name in ("rung", "date", "number"):
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
