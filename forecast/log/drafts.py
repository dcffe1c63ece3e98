"""A draft of a mapping as data: lines that are sure, and questions with their readings."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from forecast.errors import AmbiguousDateError, MappingError
from forecast.ladder import Ladder
from forecast.log.mapping import Mapping, load_mapping, quoted
from forecast.log.problems import say
from forecast.log.rows import Rows, parse_rows
from forecast.log.shapes import EMPTY
from forecast.log.tables import RawTable

SAMPLES = 3
"""Rows shown as an answer would read them."""


@dataclass(frozen=True, slots=True)
class Answer:
    """An answer as the mapping holds it, and what it means; ``None``: the word goes to ignore."""

    value: Any
    means: str = ""


@dataclass(frozen=True, slots=True)
class Item:
    """One line of a draft.

    Attributes
    ----------
    table, key
        Where the answer goes in the mapping: ``columns``, ``read``, ``values.rung``, ``cells``,
        ...; the table ``""`` is the top level.
    answers
        One where it is ``sure``, else the readings, the likeliest first; none where only the user
        can tell, such as whose log it is.
    sure
        Whether the cells allow no other reading that a person would mean.
    why
        What tells it, or what is asked, in words.
    rows
        File and row of some of the rows that it is about.
    """

    table: str
    key: str
    answers: tuple[Answer, ...]
    sure: bool
    why: str = ""
    rows: tuple[tuple[str, int], ...] = ()

    def line(self) -> str:
        """Return the line of the mapping, a question behind a ``#``."""
        first = self.answers[0] if self.answers else Answer(_FREE.get(self.key, "ANSWER"))
        key = self.key if self.table in {"", "columns", "read"} else quoted(self.key)
        value = first.value if first.value is not None else "KEY"
        ways = [first.means] if first.means and first.value is not None else []
        for one in self.answers[1:]:
            answer = "ignore" if one.value is None else as_toml(one.value)
            ways.append(f"or {answer}: {one.means}" if one.means else f"or {answer}")
        comment = "; ".join([*ways, self.why] if self.why else ways)
        mark = "" if self.sure else "# "
        return f"{mark}{key} = {as_toml(value)}" + (f"  # {comment}" if comment else "")


_FREE = {"athlete": "NAME", "start": dt.date(2026, 1, 5), "year": 2026, "value": "THEIR COLUMN",
         "date": "THEIR COLUMN", "rung": "THEIR COLUMN"}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Draft:
    """How a log would be read: what is sure, and questions.

    Ask one question after the other: ``mapping = draft.answered(question, answer)`` and draft
    again with ``draft(..., mapping=mapping)``; what is answered is sure from then on, and what
    hung on it is asked next. ``samples`` shows rows as an answer would read them. Without a
    terminal the same stands in ``text``, a mapping file with the questions behind ``#``.
    """

    items: tuple[Item, ...]
    notes: tuple[str, ...] = ()
    files: tuple[str, ...] = ()
    _raws: tuple[RawTable, ...] = field(default=(), repr=False)
    _ladder: Ladder = field(default=EMPTY, repr=False)
    _given: Mapping = field(default_factory=Mapping, repr=False)

    @property
    def questions(self) -> tuple[Item, ...]:
        """The lines that are not sure, in the order in which to ask them."""
        return tuple(item for item in self.items if not item.sure)

    @property
    def mapping(self) -> dict[str, Any]:
        """What is sure, as ``read_log`` takes it."""
        return tables((item, item.answers[0].value) for item in self.items if item.sure)

    def answered(self, question: Item, answer: Any) -> dict[str, Any]:
        """Return the mapping of what is sure with an answer (its value) to one question."""
        sure = [(item, item.answers[0].value) for item in self.items if item.sure]
        return tables([*sure, (question, answer)])

    def guessed(self) -> dict[str, Any]:
        """Return the mapping with the first answer to every question that has one."""
        return tables((item, item.answers[0].value) for item in self.items if item.answers)

    def samples(self, question: Item, answer: Any) -> tuple[str, ...]:
        """Return rows that a question is about as an answer reads them, up to three."""
        place = (question.table, question.key)
        others = [i for i in self.items if i.answers and (i.table, i.key) != place]
        mapping = tables([*((i, i.answers[0].value) for i in others), (question, answer)])
        lines: list[str] = []
        for raw in self._raws:
            if lines or (question.rows and raw.file not in {file for file, _ in question.rows}):
                continue
            try:
                rows = parse_rows(raw, self._ladder, load_mapping(mapping))
            except (MappingError, AmbiguousDateError) as error:
                return (str(error),)
            wanted = [row for file, row in question.rows if file == raw.file]
            lines += _read_as(rows, wanted, self._ladder)
        return tuple(lines[:SAMPLES])

    def text(self) -> str:
        """Return the draft as a mapping file."""
        blocks = [say("draft_head", files=", ".join(self.files))]
        ways = {item.key: item.answers[-1].value for item in self.questions if item.answers}
        strangers = [key for key, last in ways.items() if last is None]
        if strangers:
            listed = [*self._given.ignore, *strangers]
            blocks.append(f"# ignore = {as_toml(listed)}  # {say('not_rungs')}")
        tables = dict.fromkeys(["", "columns", "read", *(item.table for item in self.items)])
        for table in tables:
            lines = [item.line() for item in self.items if item.table == table]
            lines += [f"# {note}" for note in self.notes] if table == "columns" else []
            if lines:
                blocks.append("\n".join([*(["", f"[{table}]"] if table else []), *lines]))
        return "\n".join(blocks) + "\n"


def _read_as(rows: Rows, wanted: Sequence[int], ladder: Ladder) -> list[str]:
    """Say what some rows were read as, those ``wanted`` first."""
    lines: dict[int, str] = {}
    for row, sets in rows.sets.groupby("row", sort=False):
        if len(lines) < SAMPLES or row in wanted:
            one = sets.iloc[0]
            unit = ladder.rung(one["rung"]).criterion.measure
            values = ", ".join(f"{value:g}" for value in sets["value"])
            facts = [f"{values} {unit}", *([] if one["clean"] else ["unclean"])]
            facts += [one["assist"]] if one["assist"] != "none" else []
            for name, form in (("load_kg", "{:g} kg"), ("pain", "pain {:g}")):
                noted = sets[name].astype(float).iloc[0]
                facts += [form.format(noted)] if noted > 0 else []
            day = pd.Timestamp(one["date"]).date()
            lines[int(row)] = f"{one['athlete']}, {day}, {one['rung']}: {', '.join(facts)}"
    for problems in rows.rejected:
        if problems[0].row in wanted:
            lines[problems[0].row] = problems[0].reason
    first = [row for row in wanted if row in lines] or list(lines)
    return [f"{row}: {lines[row]}" for row in first]


def tables(answers: Iterable[tuple[Item, Any]]) -> dict[str, Any]:
    """Return the mapping in which each item has this answer."""
    mapping: dict[str, Any] = {}
    for item, value in answers:
        if value is None:
            mapping.setdefault("ignore", []).append(item.key)
        elif not item.table:
            mapping[item.key] = [*value, *mapping.get(item.key, [])]
        else:
            table = mapping
            for name in item.table.split("."):
                table = table.setdefault(name, {})
            table[item.key] = value
    return mapping


def as_toml(value: object) -> str:
    """Return a value of a mapping as TOML writes it."""
    if isinstance(value, list):
        return f"[{', '.join(map(as_toml, value))}]"
    if isinstance(value, bool):
        return str(value).lower()
    return quoted(value) if isinstance(value, str) else str(value)
