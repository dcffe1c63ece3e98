"""What names and columns mean: a rung by its words in any language, a role by a column's cells."""

from __future__ import annotations

import difflib
import math
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Any

import numpy as np
import pandas as pd

from forecast.ladder import Ladder
from forecast.log.cells import (
    bare,
    clean_word,
    distinct,
    is_blank,
    is_empty,
    languages,
    months,
    show,
    tidy,
    vocabulary,
)  # fmt: skip
from forecast.log.dates import read_day
from forecast.log.numbers import UNITS, quantity
from forecast.log.problems import Problem, problem
from forecast.log.tables import empty_cells

CLOSE, TYPO = 0.3, 0.8
"""Closeness below which a rung is not offered for a name; likeness from which two words of five
letters or more are one, mistyped (judgements)."""
LOOKED_AT = 2_000
"""Rows of a column by which its role is judged."""


def _loose(text: str) -> str:
    words = " ".join(re.sub(r"[^\w]|_", " ", tidy(text).casefold()).split())
    return words or tidy(text).casefold()


@cache
def _skills() -> dict[str, str]:
    """Every word of an exercise's name in any language, without accents, and what it means."""
    return {
        bare(word): skill for skill in languages("skills") for word in vocabulary("skills", skill)
    }


@cache
def _tokens(text: str) -> frozenset[str]:
    """Words of a name, each by its meaning where it is known; fillers are left out."""
    skills, tokens = _skills(), []
    words = re.findall(r"\d+|[^\W\d_]+", bare(_loose(text)))
    while words:
        for n in (3, 2, 1):
            phrase = " ".join(words[:n])
            meaning = skills.get(phrase) or skills.get(phrase.rstrip("s"))
            if meaning is not None or n == 1:
                break
        word, words = words[0], words[n:]
        halves = ((word[:k], word[k:].lstrip("s")) for k in range(3, len(word) - 2))
        pair = next(
            ([skills[a], skills[b]] for a, b in halves if a in skills and b in skills), None
        )
        tokens += [meaning] if meaning is not None else pair or [word]
    return frozenset(tokens) - {"filler"}


@cache
def _meanings() -> frozenset[str]:
    return frozenset(_skills().values())


@lru_cache(maxsize=100_000)
def _likeness(one: str, other: str) -> float:
    if one == other or one.rstrip("s") == other.rstrip("s"):
        return 1.0
    if min(len(one), len(other)) < 5 or {one, other} <= _meanings():
        return 0.0
    ratio = difflib.SequenceMatcher(None, one, other).ratio()
    return ratio if ratio >= TYPO else 0.0


class RungNames:
    """Finds a rung by key or name, without regard to case, space and punctuation."""

    def __init__(self, ladder: Ladder, ignore: Sequence[str] = ()) -> None:
        self._ignored = {_loose(name) for name in ignore}
        self._exact = set(ladder.keys)
        self._keys: dict[str, list[str]] = {}
        self._names: dict[str, list[str]] = {}
        for rung in ladder.rungs:
            self._keys.setdefault(_loose(rung.key), []).append(rung.key)
            self._names.setdefault(_loose(rung.name), []).append(rung.key)
        self._words = {
            rung.key: {_tokens(rung.key), _tokens(rung.name)} - {frozenset()}
            for rung in ladder.rungs
        }
        counts = Counter(word for sets in self._words.values() for word in frozenset().union(*sets))
        self._weights = {word: math.log(1 + len(self._words) / n) for word, n in counts.items()}

    def __call__(self, cell: Any) -> str | Problem:
        """Return the key, or why no single rung fits."""
        if is_empty(cell):
            return Problem("missing", "no_rung", table="read", key="rung")
        text = show(cell)
        if text not in self._exact and _loose(text) in self._ignored:
            return problem("ignored", "ignored", text)
        fits = self.fits(text)
        if len(fits) == 1:
            return fits[0]
        if fits:
            return problem("rung", "several_rungs", text, keys=" and ".join(fits))
        near = self.closest(text)
        return problem(
            "rung", "near_rung" if near else "strange_rung", text, near=near[0][0] if near else None
        )

    def fits(self, text: str) -> list[str]:
        """Return the keys of rungs that are so called, apart from case, space and punctuation."""
        if text in self._exact:
            return [text]
        return self._keys.get(_loose(text)) or self._names.get(_loose(text), [])

    def is_rung(self, text: str) -> bool:
        """Whether one rung alone is so called."""
        return len(self.fits(text)) == 1

    def closest(self, text: str) -> list[tuple[str, float]]:
        """Return keys of the three rungs closest in words or spelling, each with its closeness.

        Closeness is 1 only where every word of one name is in the other (Dice's share, rarer
        words weighing more).
        """
        own, rare = _tokens(text), math.log(1 + len(self._words))
        scores: dict[str, float] = {}
        for key, names in self._words.items():
            for name in names:
                match = {
                    side: [
                        (
                            self._weights.get(a, rare),
                            max((_likeness(a, b) for b in other), default=0),
                        )
                        for a in one
                    ]
                    for side, one, other in (("ours", name, own), ("theirs", own, name))
                }
                both = [*match["ours"], *match["theirs"]]
                whole = all(like for _, like in both)
                share = sum(w * like for w, like in both) / max(sum(w for w, _ in both), 1e-9)
                scores[key] = max(scores.get(key, 0.0), 1.0 if whole and both else min(share, 0.99))
        spelt = difflib.get_close_matches(_loose(text), [*self._keys, *self._names], n=3)
        for one in spelt:
            for key in self._keys.get(one) or self._names[one]:
                scores[key] = max(scores.get(key, 0.0), CLOSE)
        best = sorted(scores, key=lambda key: -scores[key])[:3]
        return [(key, scores[key]) for key in best if scores[key] >= CLOSE]

    def sure(self, text: str) -> str | None:
        """Return the key of the only rung whose name has the same words, in any language."""
        if not re.search(r"[^\W\d_]{3}", text):
            return None
        whole = [key for key, closeness in self.closest(text) if closeness == 1.0]
        return whole[0] if len(whole) == 1 else None


@dataclass(frozen=True, slots=True)
class Profile:
    """What the cells of a column may be: shares of its different cells, 0 to 1, and their number.

    ``telling`` are amounts with a unit or several sets; ``words`` have letters and no digit.
    """

    count: int
    often: float
    dates: float
    numbers: float
    telling: float
    rungs: float
    answers: float
    words: float
    units: float
    names: float


def profile(column: pd.Series, rungs: RungNames) -> Profile:
    """Look through the first cells of a column."""
    column = column.iloc[:LOOKED_AT]
    cells = [cell for cell in distinct(column)[1] if not is_empty(cell)][:200]
    if not cells:
        return Profile(0, *[0.0] * 9)
    texts = [show(cell) for cell in cells]

    def share(holds: Any) -> float:
        return float(np.mean([bool(holds(cell)) for cell in cells]))

    def several(cell: Any) -> bool:
        return bool(
            re.match(r"\s*[~≈]?\d+(?:[.,]\d+)?\s*(?:[x×*/,;+&|(-]|[^\W\d_]|\d)", show(cell))
        )

    dates = share(lambda c: not isinstance(c, int | float) and not isinstance(read_day(c), Problem))
    whole = share(lambda c: not isinstance(quantity(c), Problem))
    listed = share(lambda c: several(c) and isinstance(read_day(c), Problem))
    return Profile(
        count=len(cells),
        often=float((~empty_cells(column)).sum() / len(cells)),
        dates=dates,
        numbers=max(whole, share(lambda c: several(c) or not isinstance(quantity(c), Problem))),
        telling=listed,
        rungs=float(np.mean([bool(rungs.fits(text) or rungs.sure(text)) for text in texts[:40]])),
        answers=share(lambda c: not is_blank(c) and not isinstance(clean_word(c), Problem)),
        words=share(lambda c: isinstance(c, str) and not re.search(r"\d", c)),
        units=share(lambda c: show(c).casefold().strip(" .") in UNITS),
        names=float(np.mean([is_name(text) for text in texts])),
    )


@cache
def _no_names() -> frozenset[str]:
    """Words, without accents, that head or name something else than a person."""
    groups = [vocabulary(group, name) for group in ("columns", "words", "others")
              for name in languages(group)]  # fmt: skip
    return frozenset(map(bare, frozenset().union(*groups) | set(months()) | set(UNITS)))


def is_name(text: str) -> bool:
    """Whether a text may be what a person is called: one to three words, none of another role."""
    words = bare(text).split()
    return (
        0 < len(words) <= 3
        and len(text) <= 40
        and all(re.fullmatch(r"[^\W\d_]+(?:[-'’][^\W\d_]+)*\.?", word) for word in words)
        and _no_names().isdisjoint({bare(text), *words})
        and _tokens(text).isdisjoint(_meanings())
    )


def counts_up(column: pd.Series, keys: Sequence[pd.Series] = ()) -> bool:
    """Whether cells are numbers of sets: 1, 2, 3, restarting with each of the ``keys``, or so."""
    column = column.iloc[:LOOKED_AT]
    filled = ~empty_cells(column)
    numbers = pd.to_numeric(column[filled].map(show), errors="coerce")
    if len(numbers) < 4 or numbers.isna().any() or not 1 < numbers.max() < len(numbers):
        return False
    steps = (numbers == 1) | (numbers == numbers.shift() + 1)
    if steps.all():
        return True
    if not keys:
        return False
    same = [key.iloc[:LOOKED_AT][filled].map(show) for key in keys]
    turn = numbers.groupby(same).rank(method="first")
    return bool((turn == numbers).all())


def misfit(name: str, cells: Profile) -> bool:
    """Whether the cells of a column are words of another role than its header tells."""
    if not cells.count:
        return False
    others = {
        "athlete": max(cells.answers, cells.dates, cells.rungs, cells.units),
        "rung": max(cells.answers, cells.dates, cells.units) * (cells.rungs < 0.5),
        "date": 1 - cells.dates if cells.numbers < 0.5 or cells.count > 1 else 0.0,
        "value": max(cells.answers * (cells.numbers < 0.5), cells.dates, 1 - cells.numbers),
    }
    return others.get(name, 0.0) >= 0.5
