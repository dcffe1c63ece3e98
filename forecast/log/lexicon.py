"""The one table of words that logs are written in, ``lexicon.toml``, by meaning and language."""

from __future__ import annotations

import re
import tomllib
from functools import cache
from importlib import resources
from typing import Any


@cache
def _table() -> dict[str, Any]:
    text = resources.files("forecast.log").joinpath("lexicon.toml").read_text("utf-8")
    return tomllib.loads(text)


def languages(group: str) -> dict[str, dict[str, list[str]]]:
    """Words of a group (``columns``, ``words``, ``units``) by meaning, then by language."""
    found: dict[str, dict[str, list[str]]] = _table()[group]
    return found


@cache
def words(group: str, meaning: str) -> frozenset[str]:
    """Words of one meaning in all languages, in lower case; none where none are taught."""
    return frozenset(word for told in languages(group).get(meaning, {}).values() for word in told)


def units() -> dict[str, str]:
    """Every word for a unit, with the unit's short name."""
    return {word: unit for unit in languages("units") for word in words("units", unit)}


@cache
def months() -> dict[str, int]:
    """Names of the months and their first three and four letters, with their numbers.

    A shortened name that two languages give to different months is left out.
    """
    numbers: dict[str, set[int]] = {}
    full: dict[str, int] = {}
    for names in _table()["months"].values():
        for number, name in enumerate(names, start=1):
            full[name] = number
            for short in (name[:3], name[:4]):
                numbers.setdefault(short, set()).add(number)
    return {s: next(iter(n)) for s, n in numbers.items() if len(n) == 1} | full


def any_of(words: frozenset[str]) -> str:
    """Return a pattern for any of these words, the longest first."""
    return "|".join(map(re.escape, sorted(words, key=lambda w: (-len(w), w))))


def weekdays() -> str:
    """Return a pattern for the name of a day of the week, long or short."""
    return any_of(frozenset(day for days in _table()["weekdays"].values() for day in days))
