"""Words with a fixed meaning: clean, assist, stopped, and the names of rungs."""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

from forecast.ladder import Ladder
from forecast.log import lexicon
from forecast.log.cells import Problem, as_number, counted, is_blank, is_empty, show, tidy, word_set
from forecast.log.limits import MAX_NAME

TICKS = word_set("x ✓ ✔ ☑ v")
"""Marks that tick a box; nothing in them says what a blank box means."""

_YES = lexicon.words("words", "clean") | TICKS
_NO = lexicon.words("words", "unclean") | word_set("✗ ✘ ☒ ☐")
_ALONE = lexicon.words("words", "alone") | lexicon.words("words", "unclean") | {"☐"}
_HELPED = lexicon.words("words", "helped") | lexicon.words("words", "clean") | TICKS
_HELP = lexicon.words("words", "help") | lexicon.words("words", "prop")

SAME_AS_ABOVE = ' If a blank means the same as above, put fill_down = ["{}"] under [read].'
"""Ends the reason of a blank that may have been meant so."""

MOST = 0.5
"""Share of rows above which words never seen before are asked about, not taken for help."""

_STOPPED = {
    name: lexicon.words("words", name) | {name[0]} for name in ("failed", "target", "choice")
} | {"unknown": word_set("unknown u")}
_STOPPED["failed"] |= word_set("m miss")
_STOP_WORDS = {word: name for name, words in _STOPPED.items() for word in words}


def _word(cell: Any) -> str:
    number = as_number(cell)
    return show(number if number is not None else cell).casefold().rstrip(".!")


def clean(cell: Any) -> bool | Problem:
    """Read whether form was held; a blank means yes."""
    word = _word(cell)
    if is_blank(cell) and word not in {"none", "?"}:
        return True
    if word in _YES:
        return True
    if word in _NO:
        return False
    return Problem("word", f"{show(cell)!r} is neither yes nor no; map it under [values.clean].")


def assist(cell: Any) -> str:
    """Read the kind of help, ``"none"`` for none; a plain yes is ``"assisted"``."""
    word = _word(cell)
    if is_blank(cell) or word in _ALONE:
        return "none"
    return "assisted" if word in _HELPED else word


def names_help(word: str) -> bool:
    """Say whether a word of ``assist`` is known to mean help, or none."""
    return word in {"none", "assisted"} or not _HELP.isdisjoint(re.split(r"[^\w]+", word))


def strange_assist(found: np.ndarray, answered: set[str]) -> np.ndarray:
    """Ask about words of ``assist`` never seen before, where most rows hold one: problems (n,).

    ``normal``, or a coach's initials, in every row would make every set one with help. A rare
    word stays what it is: help of its own kind. ``answered`` are words that the mapping gives.
    """
    problems = np.full(len(found), None, dtype=object)
    counts = Counter(found.tolist())
    strange = {word for word in counts if word not in answered and not names_help(word)}
    if sum(counts[word] for word in strange) <= MOST * len(found):
        return problems
    for word in strange:
        problems[found == word] = Problem(
            "word",
            f"{word!r} stands in {counts[word]} of {counted(len(found), 'row')}: did somebody or "
            "something help in these sets? Answer with a mapping; map it under [values.assist], "
            f'"{word}" = "none" for no help, "{word}" = "assisted" for help.',
        )
    return problems


def stopped(cell: Any) -> str | Problem:
    """Read why the set ended: ``failed``, ``target``, ``choice``, or ``unknown`` for a blank."""
    if is_blank(cell):
        return "unknown"
    name = _STOP_WORDS.get(_word(cell))
    if name is None:
        return Problem(
            "word",
            f"{show(cell)!r} is none of failed, target and choice; map it under [values.stopped].",
        )
    return name


def athlete(cell: Any) -> str | Problem:
    """Read a name; only the space round it is dropped."""
    if is_empty(cell):
        return Problem(
            "missing", "no athlete; write whose set it was." + SAME_AS_ABOVE.format("athlete")
        )
    name = show(cell)
    if len(name) > MAX_NAME:
        return Problem(
            "name", f"a name of {len(name)} characters; {MAX_NAME} are read at most. Shorten it."
        )
    return name


def alike(names: Iterable[str]) -> list[list[str]]:
    """Group names that differ in case, accents or space only: perhaps one person each."""
    groups: dict[str, list[str]] = {}
    for name in sorted(names):
        groups.setdefault("".join(bare(name).split()), []).append(name)
    return [group for group in groups.values() if len(group) > 1]


def bare(name: str) -> str:
    """Return a name without accents and capitals, as people type one in a hurry."""
    parts = unicodedata.normalize("NFKD", name.casefold())
    return "".join(char for char in parts if not unicodedata.combining(char))


def note(cell: Any) -> str:
    """Read a note as it is, ``""`` for none."""
    return "" if is_empty(cell) else show(cell)


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

    def __call__(self, cell: Any) -> str | Problem:
        """Return the key, or why no single rung fits."""
        if is_empty(cell):
            return Problem(
                "missing", "no rung; write which exercise it was." + SAME_AS_ABOVE.format("rung")
            )
        text = show(cell)
        if text in self._exact:
            return text
        loose = _loose(text)
        if loose in self._ignored:
            return Problem("ignored", f"{text!r} is not a rung, as the mapping says under ignore.")
        fits = self._keys.get(loose) or self._names.get(loose, [])
        if len(fits) == 1:
            return fits[0]
        if fits:
            keys = " and ".join(fits)
            return Problem("rung", f"{text!r} fits the rungs {keys}; write the key of one.")
        near = self.nearest(text)
        advice = f"did you mean {near!r}?" if near else "map it under [values.rung]."
        advice += " If it is not a rung, put it in ignore = [...]."
        return Problem("rung", f"{text!r} is not a rung of the ladder; {advice}")

    def nearest(self, text: str) -> str | None:
        """Key of the rung whose key or name is closest in spelling, ``None`` if none is close."""
        loose = difflib.get_close_matches(_loose(text), [*self._keys, *self._names], n=1)
        if not loose:
            return None
        return (self._keys.get(loose[0]) or self._names[loose[0]])[0]


def _loose(text: str) -> str:
    words = " ".join(re.sub(r"[^\w]|_", " ", tidy(text).casefold()).split())
    return words or tidy(text).casefold()
