"""What one cell of values says: ``12s (band)``, ``10,9,8``, ``3x10 @ 15kg``, ``3/4 L/R``, ``~14``.

A notation that can be read in two ways is a question, answered under ``[cells]`` of the mapping.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping as Table
from dataclasses import dataclass, field, replace
from typing import Any

from forecast.ladder import Criterion, Measure
from forecast.log import numbers
from forecast.log.cells import NEGATED, any_of, show, tidy, vocabulary
from forecast.log.dates import Day, Unsettled, read_day
from forecast.log.numbers import NUMBER, UNITS, Quantity
from forecast.log.problems import QUESTIONS, Problem, problem


@dataclass(frozen=True, slots=True)
class Style:
    """How the cells of a column are to be read, as the mapping and the other cells tell.

    ``words`` behind a value are in lower case; in other cells of the column ``commas`` part sets,
    ``clocks`` are minutes and seconds.
    """

    decimal: str | None = None
    answers: Table[str, str] = field(default_factory=dict)
    words: Table[str, Any] = field(default_factory=dict)
    commas: bool = False
    clocks: bool = False


@dataclass(frozen=True, slots=True)
class Attempt:
    """One set as its cell tells it, in the rung's measure; ``None`` where untold."""

    value: float
    note: str = ""
    assist: str | None = None
    load_kg: float | None = None
    clean: bool | None = None
    stopped: str | None = None
    effort: float | None = None
    sided: bool = False

    @property
    def telling(self) -> bool:
        """Whether more than a value and a note is told."""
        told = (self.assist, self.load_kg, self.clean, self.stopped, self.effort)
        return any(fact is not None for fact in told)


FAR, EARLIEST_HOUR = 5.0, 5
"""``18:30`` is asked about where it may be a time of day: above so many times the mark if it is
minutes and seconds, and not before this hour; nor where other cells of the column are minutes and
seconds, unless the minutes are round, as those of a beginning are (judgements)."""
MOST_SETS = 50
"""Sets in one cell above this are slips of the pen; a stated limit of this package."""
_LEFT, _RIGHT = vocabulary("words", "left"), vocabulary("words", "right")
_SIDE = rf"({any_of(_LEFT | _RIGHT)})\b\.?"
_UNIT = any_of(frozenset(UNITS) - _LEFT - _RIGHT)
_AMOUNT = rf"([~≈]?\s*{NUMBER}(?::\d\d)*\s*(?:(?:{_UNIT})\b\.?)?)"
_GAP = r"\s*[/|,;&\-–]?\s*"
_SIDES = (
    re.compile(rf"{_AMOUNT}\s*[/|,\-–]\s*{_AMOUNT}\s*{_SIDE}{_GAP}{_SIDE}"),
    re.compile(rf"{_SIDE}[:=\s]*{_AMOUNT}{_GAP}{_SIDE}[:=\s]*{_AMOUNT}"),
    re.compile(rf"{_AMOUNT}\s*{_SIDE}{_GAP}{_AMOUNT}\s*{_SIDE}"),
)
_ALIKE = re.compile(r"(\d{1,2})\s*[x×*]\s*(\S.*?)\s*[,;/|&]\s*(\d{1,2})\s*[x×*]\s*(\S.*)")
_ORDER = ((0, 2, 1, 3), (1, 0, 3, 2), (0, 1, 2, 3))
"""For each pattern of sides, where amount, side, amount, side stand."""
_SETS = any_of(vocabulary("words", "set") - {"s"})
_TIMES = re.compile(
    rf"(\d{{1,4}})\s*(?:[x×*]|({_SETS})\b\s*(?:x|of|à|a|de|di|da|von|van|av|af|po)?)\s*(?=[\d~≈])(.+)"
)
_TIMES_AFTER = re.compile(r"(.*\d\s*[^\W\d_]+\.?|\d+:\d\d)\s*[x×*]\s*(\d{1,2})\b(.*)")
_LOAD = re.compile(
    rf"(?:@|\+|w/|with|at|mit|bei|avec|à|con|com|met|med|ved|z|x)?\s*({NUMBER})\s*"
    rf"({any_of(frozenset(w for w, u in UNITS.items() if u in ('kg', 'lb')))})\b\.?",
    re.I,
)
_AT = re.compile(rf"@\s*({NUMBER})")
_EFFORT = re.compile(rf"@?\s*rpe\s*({NUMBER})(?:\s*/\s*10)?", re.I)
_ABOUT = re.compile(rf"(?:[~≈]|(?:{any_of(vocabulary('words', 'about'))})\b\.?)\s*")
_SEPARATORS = (r"\s*;\s*", r"\s*\|\s*", r",\s+", r"\s*/\s*", ",", r"\s*\+\s*", r"\s*&\s*",
               r"\s*[-–]\s*", r"\s+")  # fmt: skip
_ASKED = {r"\s*/\s*": "10/9", ",": "10,9", r"\s*[-–]\s*": "12-15", r"\s*\+\s*": "5+2"}
_MARK, _NOTES = 0xE000, re.compile("[\ue000-\uf8ff]")
"""Unicode's characters for private use stand for notes in brackets, the first for the first."""
_WITH = frozenset(["with", "w", "mit", "avec", "con", "com", "met", "med", "ved", "z"])
_MEANINGS = {
    word: meaning
    for name, meaning in (
        ("helped", "assisted"), ("choice", "choice"), ("target", "target"), ("failed", "failed"),
        ("unclean", "unclean"), ("clean", "clean"), ("alone", "none"),
    )
    for word in vocabulary("words", name)
}  # fmt: skip
"""Words behind a value, each with its meaning; a later one goes before an earlier one."""
Found = tuple[Attempt, ...] | Problem


def attempts(cell: Any, mark: Criterion | None, unit: str, style: Style) -> Found:
    """Read the sets of one cell of values.

    ``mark`` is ``None`` where the rung is not known: values then mean nothing. ``unit`` is that of
    a bare number, ``""`` for the measure's.
    """
    measure = None if mark is None else mark.measure
    reader = _Reader(measure, unit, style, float("nan") if mark is None else mark.target)
    found = numbers.quantity(cell, style.decimal, measure)
    value = found if isinstance(found, Problem) else reader.value(found)
    text = tidy(cell) if isinstance(cell, str) else show(cell)
    clock = _TIME.fullmatch(text) if isinstance(cell, str | dt.time) else None
    if mark is not None and measure == "seconds" and clock and not isinstance(value, Problem):
        first, second = int(clock[1]), int(clock[2])
        odd = first >= EARLIEST_HOUR and (second % 5 == 0 or not style.clocks)
        if (odd or isinstance(cell, dt.time)) and not value <= FAR * mark.target:
            return reader.clock(text, first, second)
    if not isinstance(cell, str):
        return value if isinstance(value, Problem) else (Attempt(value),)
    if pair := re.fullmatch(r"(\d+),(\d+)", text):
        way = reader.comma(text, pair.groups(), found, value)
        if isinstance(way, Problem):
            return way
        if way == "sets":
            return reader.list_of(text) or problem("number", "not_a_list", text)
        if way == "thousands" or isinstance(found, Problem):
            joint = "" if way == "thousands" else "."
            value = reader.value(Quantity(float(f"{pair[1]}{joint}{pair[2]}")))
    if not isinstance(value, Problem):
        return (Attempt(value),)
    if (odd_one := no_value(text, measure)) is not None:
        return odd_one
    if value.kind == "missing" or _NOTES.search(text):
        return value
    return reader.cell(text) or value


_TIME = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)(?::00)?")
HELD = re.compile(r"(?:0?[0-4]|2[4-9]|[3-9]\d|\d{3}):[0-5]\d")
"""Minutes and seconds that are not a time of day at which people train."""
_DAYTIME = re.compile(r"\d{1,2}(?::\d{2}){0,2}\s*(?:[ap]\.?m\.?|uhr|o'clock)", re.I)
_SHARE = re.compile(r"\d\s*(?:[%‰]|(?:percent|per cent|prozent|pct)\b)", re.I)
_PRICE = re.compile(r"[$€£¥]\s*\d|\d\s*[$€£¥]")


def no_value(text: str, measure: Measure | None) -> Problem | None:
    """Return why a text that holds numbers is not a value: a date, a time of day, a percentage."""
    day = read_day(text)
    bare = re.sub(r"[(\[][^()\[\]]*[)\]]", "", text)
    if isinstance(day, Unsettled):
        # 10/9/24 may be three sets, 03/06/24 and 3/6/2024 are days
        settled = not day.short_year or (not day.named and re.search(r"\b0\d", text))
    else:
        settled = isinstance(day, Day) and re.search(r"\d\D+\d", text) and day.style != "serial"
    if settled:
        return problem("number", "date_as_value", text)
    if _DAYTIME.fullmatch(text):
        return problem("number", "clock_as_value", text)
    if _SHARE.search(bare):
        return problem("number", "percent_as_value", text, measure=measure or "its unit")
    return problem("number", "not_a_value", text) if _PRICE.search(bare) else None


class _Reader:
    """Reads text in one measure."""

    def __init__(self, measure: Measure | None, unit: str, style: Style, target: float) -> None:
        self._measure, self._unit, self._style, self._target = measure, unit, style, target
        self._notes: list[str] = []

    def value(self, found: Quantity, told: str = "") -> float | Problem:
        """Return the quantity in the measure; bare, in the unit told beside it or the column's."""
        if self._measure is None:
            return float("nan")
        unit = found.unit or told or self._unit
        value = numbers.in_measure(Quantity(found.number, unit), self._measure)
        if isinstance(value, Problem) and value.kind == "unit" and unit == self._unit != found.unit:
            facts = {"number": found.number, "unit": unit, "measure": self._measure}
            return Problem("unit", "other_column", table="units", facts=facts)
        return value

    def ask(self, key: str, text: str, *parts: Any) -> str | Problem:
        """Return the mapping's answer about a notation, or the question with both readings."""
        if key in self._style.answers:
            return self._style.answers[key]
        choices = tuple((way, means.format(*parts)) for way, means in QUESTIONS[key].items())
        return Problem("reading", "reading", text, "cells", key, choices)

    def comma(
        self, text: str, parts: tuple[str, ...], found: Quantity | Problem, value: float | Problem
    ) -> str | Problem:
        """Return what a comma is: ``decimal``, ``thousands`` or ``sets``."""
        decimal, commas = self._style.decimal, self._style.commas
        grouped = numbers.GROUPED.fullmatch(text)
        near = all(0.1 <= float(part) / self._target <= 10 for part in parts)
        if grouped and (decimal == "." or near or "1,234" in self._style.answers):
            way = self.ask("1,234", text, *parts)
            if isinstance(way, Problem) and not near:  # the likeliest first
                way = replace(way, choices=(*way.choices[1:], way.choices[0]))
            return way
        if isinstance(found, Problem):
            return found  # 1,234 may be thousands
        odd = self._measure == "reps" and isinstance(value, Problem)
        if decimal == "." or (odd and commas and decimal is None):
            return "sets"
        asked = (grouped and commas) if decimal == "," else (odd or commas)
        return self.ask("10,9", text, *parts) if asked else "decimal"

    def clock(self, text: str, first: int, second: int) -> Found:
        """Ask whether ``18:30``, far above the mark, is minutes and seconds or a time of day."""
        way = self.ask("18:30", text, first, second)
        if isinstance(way, Problem):
            return way
        if way == "none":
            return problem("number", "clock_as_value", text)
        value = self.value(Quantity((60 * first + second) * (60 if way == "hours" else 1), "s"))
        return value if isinstance(value, Problem) else (Attempt(value),)

    def cell(self, text: str) -> Found | None:
        """Read a cell that is not a plain number; ``None`` where no notation fits."""
        plain = re.sub(r"[()\[\]]", " ", text)
        alike = _ALIKE.fullmatch(plain.casefold().strip())
        if alike and alike[1] == alike[3]:  # 4x1 L, 4x2 R: as many sets of both sides
            plain = f"{alike[2]}, {alike[4]}"
        sides = self._sides(plain)
        if isinstance(sides, tuple) and alike and alike[1] == alike[3]:
            if not 1 <= int(alike[1]) <= MOST_SETS:
                return problem("limit", "many_sets", text, limit=MOST_SETS)
            way = self.ask("4x1 L, 4x2 R", text, alike[1])
            if way == "apart":
                sides = self.list_of(", ".join(re.sub(_SIDE, "", alike[n]) for n in (2, 4)))
            if isinstance(way, Problem) or not isinstance(sides, tuple):
                return way if isinstance(way, Problem) else sides
            return sides * int(alike[1])
        if sides is not None:
            return sides
        masked = re.sub(r"[(\[]([^()\[\]]*)[)\]]", self._masked, text)
        single = self._single(masked, self._unit)
        if single is not None:
            return single if isinstance(single, Problem) else (single[0],)
        return self._times(masked) or self.list_of(masked)

    def _masked(self, found: re.Match[str]) -> str:
        self._notes.append(found[1].strip())
        return f" {chr(_MARK + len(self._notes) - 1)} "

    def _shown(self, text: str) -> str:
        return tidy(_NOTES.sub(lambda m: f"({self._notes[ord(m[0]) - _MARK]})", text))

    def _single(self, text: str, unit: str) -> tuple[Attempt, Quantity] | Problem | None:
        """Read one set: a quantity, then a load, an effort, words and notes in brackets."""
        bare = _NOTES.sub("", text).strip()
        notes = [self._notes[ord(mark) - _MARK] for mark in _NOTES.findall(text)]
        about = _ABOUT.match(bare.casefold())
        amount = bare[about.end() :] if about else bare
        if amount[-1:] == "+" and (head := self._head(amount[:-1])):
            if head[1]:
                return None
            way = self.ask("12+", text, amount[:-1])
            return way if isinstance(way, Problem) else self._made(head[0], unit, stopped=way)
        head = self._head(amount)
        if head is None:
            return None
        quantity, tail = head
        told = self._told(tail, notes, bare)
        if not isinstance(told, dict):
            return told
        if about:
            mark = bare[: about.end()].strip()
            mark += " " if mark[0].isalpha() else ""
            told["note"] = _joined(mark + amount.split()[0], told["note"])
        if told.pop("unit", None) is not None:
            quantity = replace(quantity, unit=self._style.words[tail.casefold().strip(" .")])
        return self._made(quantity, unit, **told)

    def _head(self, text: str) -> tuple[Quantity, str] | None:
        """Split a text into the longest quantity it begins with, and what follows."""
        tokens = re.sub(r"(?<=[^\s@+])(?=[@+])", " ", text).split()
        for n in range(min(len(tokens), 4), 0, -1):
            head = " ".join(tokens[:n]).rstrip(",;:?!*–-")
            if re.match(r"\d", head):
                amount = numbers.quantity(head, self._style.decimal, self._measure)
                if not isinstance(amount, Problem):
                    doubt = "".join(mark for mark in "?!*" if tokens[n - 1].endswith(mark))
                    return amount, (doubt + " ".join(tokens[n:])).lstrip(",;:–- ")
        return None

    def _made(
        self, quantity: Quantity, unit: str, **told: Any
    ) -> tuple[Attempt, Quantity] | Problem:
        load = told.get("load_kg")
        if self._measure == "kg" and load is not None and quantity.unit in ("", "reps"):
            note = _joined(f"{quantity.number:g} reps", told.get("note", ""))
            told |= {"load_kg": None, "note": note}
            quantity = Quantity(load, "kg")
        value = self.value(quantity, unit)
        return value if isinstance(value, Problem) else (Attempt(value, **told), quantity)

    def _told(self, tail: str, notes: list[str], text: str) -> dict[str, Any] | Problem | None:
        """Return what stands behind a quantity; ``None`` where it is more than one set."""
        told: dict[str, Any] = {}
        remarks = []
        for phrase, bracketed in [(tail, False), *((note, True) for note in notes)]:
            found: dict[str, Any] = {}
            if match := _LOAD.match(phrase):
                found["load_kg"] = numbers.load(f"{match[1]} {match[2]}", self._style.decimal)
                phrase = phrase[match.end() :].strip()
            if match := _EFFORT.match(phrase):
                found["effort"] = numbers.out_of_ten(match[1], self._style.decimal)
                phrase = phrase[match.end() :]
            elif not bracketed and (match := _AT.fullmatch(phrase)):
                way = self.ask("8 @ 7", text, text.split("@")[0].strip(), match[1])
                if isinstance(way, Problem):
                    return way
                reader = numbers.load if way == "load" else numbers.out_of_ten
                name = "load_kg" if way == "load" else "effort"
                found[name], phrase = reader(match[1], self._style.decimal), ""
            remarks.append(phrase.strip(" ,;:-–"))
            words = self._words(phrase.casefold().strip(" .,;:!?*+-–@"), bracketed, text)
            if not isinstance(words, dict):
                return words
            for name, part in (found | words).items():
                if isinstance(part, Problem):
                    return part
                told.setdefault(name, part)
        return told | {"note": _joined(*remarks)}

    def _words(self, phrase: str, bracketed: bool, text: str) -> dict[str, Any] | Problem | None:
        """Return what words behind a value mean; a word not known is asked about."""
        given = self._style.words.get(phrase)
        if given is None and not bracketed and re.search(r"\d", phrase):
            return None
        given = _MEANINGS.get(phrase) if given is None else given
        if given is not None:
            return _meaning(str(given))
        if not phrase:
            return {}
        tokens = re.findall(r"[^\W\d_]+", phrase)
        help_words = [token for token in tokens if token in vocabulary("words", "help")]
        if help_words and NEGATED.isdisjoint(tokens):
            named = phrase.split(maxsplit=1)[1] if tokens[0] in _WITH else phrase
            return {"assist": named if len(tokens) <= 3 else help_words[0]}
        if bracketed or len(tokens) != 1 or phrase in _LEFT | _RIGHT:
            return {}
        return Problem("word", "strange_word", self._shown(text), "words", phrase)

    def _sides(self, text: str) -> Found | None:
        for pattern, order in zip(_SIDES, _ORDER, strict=True):
            match = pattern.fullmatch(text.casefold().strip())
            if match:
                first, side, second, other = (match.groups()[place] for place in order)
                if (side in _LEFT) == (other in _LEFT):
                    return problem("number", "one_side", text)
                return self._weaker(first, second, side in _LEFT)
        return None

    def _weaker(self, first: str, second: str, left_first: bool = True) -> Found:
        read = [numbers.quantity(part.strip("~≈ "), self._style.decimal, self._measure)
                for part in (first, second)]  # fmt: skip
        units = [part.unit for part in read if isinstance(part, Quantity) and part.unit]
        values: list[float] = []
        for part in read:
            value = part if isinstance(part, Problem) else self.value(
                replace(part, unit=part.unit or (units[0] if units else ""))
            )  # fmt: skip
            if isinstance(value, Problem):
                return value
            values.append(value)
        left, right = (first, second) if left_first else (second, first)
        note = f"left {left.strip()}, right {right.strip()}"
        return (Attempt(min(values), note, sided=True),)

    def _times(self, text: str) -> Found | None:
        """Read ``3x10``, ``3 sets of 10``, ``10s x 3``: sets alike."""
        folded = text.casefold()
        if match := _TIMES.fullmatch(folded):
            count, named, each = match[1], bool(match[2]), text[match.start(3) :]
        elif match := _TIMES_AFTER.fullmatch(folded):
            count, named = match[2], False
            each = text[: match.end(1)] + text[match.start(3) :]
        else:
            return None
        head = self._head(each)
        if head is None:
            return None
        amount = f"{head[0].number:g} {head[0].unit}".strip()
        if head[0].unit in {"kg", "lb"} or (self._measure == "kg" and not named):
            way = self.ask("3x15kg", self._shown(text), count, amount)
            if isinstance(way, Problem):
                return way
            if way == "reps x load":
                each = f"{count} reps @ {head[0].number:g} {head[0].unit or 'kg'} {head[1]}"
                count = "1"
        single = self._single(each, self._unit)
        if single is None or isinstance(single, Problem):
            return single
        one, quantity = single
        whole = amount.isdecimal() and 1 <= int(amount) <= MOST_SETS
        if whole and not (quantity.unit or named or self._measure == "kg"):
            way = self.ask("3x10", self._shown(text), count, amount)
            if isinstance(way, Problem):
                return way
            if way == "value x sets":
                value = self.value(Quantity(float(count)))
                if isinstance(value, Problem):
                    return value
                one, count = replace(one, value=value), amount
        if not count.isdecimal() or not 1 <= int(count) <= MOST_SETS:
            return problem("limit", "many_sets", self._shown(text), limit=MOST_SETS)
        return (one,) * int(count)

    def list_of(self, text: str) -> Found | None:
        """Read sets parted by a mark: ``10,9,8``, ``12s / 10s (band)``, ``5+2 band``."""
        for mark in _SEPARATORS:
            parts = [part for part in re.split(mark, text) if part.strip()]
            if not 2 <= len(parts) <= MOST_SETS or not all(map(_starts, parts)):
                continue
            if any(re.match(r"\s*0\d", part) for part in parts):
                return None  # a date, a telephone number: nobody counts 03 repetitions
            if mark == r"\s+" and any(re.fullmatch(r"\d{3}", part) for part in parts[1:]):
                continue  # 1 234 is one number
            read = [self._single(part, self._unit) for part in parts]
            units = {r[1].unit for r in read if isinstance(r, tuple) and r[1].unit}
            if len(units) == 1:
                read = [self._single(part, next(iter(units))) for part in parts]
            sets = tuple(one[0] for one in read if isinstance(one, tuple))
            if len(sets) == len(read):
                return self._settled(mark, text, parts, sets)
            first = next(one for one in read if not isinstance(one, tuple))
            if first is not None:
                return first
        return None

    def _settled(self, mark: str, text: str, parts: list[str], sets: tuple[Attempt, ...]) -> Found:
        """Ask what a list of these parts means where it is open, and act on the answer."""
        text, key = self._shown(text), _ASKED.get(mark)
        if mark == ",":
            key = None  # asked where a decimal comma is possible
        if key == "5+2" or (key is not None and len(sets) == 2):
            way = self.ask(key, text, self._shown(parts[0]), self._shown(parts[-1]))
            if isinstance(way, Problem):
                return way
            if way == "sides":
                return self._weaker(parts[0].casefold(), parts[1].casefold())
            if way == "low":
                return (replace(sets[0], note=_joined(sets[0].note, text)),)
            if way == "sum":
                total = sum(one.value for one in sets)
                last = replace(sets[-1], note=text)
                return (replace(last, value=total),)
            return sets
        last = sets[-1]
        if (not last.telling and not last.note) or any(
            one.telling or one.note for one in sets[:-1]
        ):
            return sets
        if last.telling:
            way = self.ask("10,9 (band)", text, last.note)
            if isinstance(way, Problem) or way == "last":
                return way if isinstance(way, Problem) else sets
        return tuple(replace(last, value=one.value) for one in sets)


def _starts(part: str) -> bool:
    return re.match(r"\s*[~≈]?\s*\d", part) is not None


def _joined(*notes: str) -> str:
    return "; ".join(note.strip() for note in notes if note.strip())


def _meaning(name: str) -> dict[str, Any]:
    """Return what the name of a meaning sets: ``clean``, ``failed``, ``note``, a unit, or help."""
    if name in {"clean", "unclean"}:
        return {"clean": name == "clean"}
    if name in {"failed", "target", "choice"}:
        return {"stopped": name}
    if name in UNITS.values():
        return {"unit": name}
    return {} if name in {"note", "none"} else {"assist": name}
