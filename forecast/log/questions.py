"""Notations that can be read in two ways, and what a cell of values can tell."""

from __future__ import annotations

from collections.abc import Mapping as Table
from dataclasses import dataclass, field
from typing import Any

QUESTIONS: dict[str, dict[str, str]] = {
    "3x10": {"sets x value": "{0} sets of {1}", "value x sets": "{1} sets of {0}"},
    "3x15kg": {"sets x load": "{0} sets at {1}", "reps x load": "{0} reps with {1}"},
    "8 @ 7": {"load": "{0} with a load of {1}", "effort": "{0} at an effort (RPE) of {1}"},
    "10/9": {"sets": "a set of {0} and one of {1}", "sides": "{0} left and {1} right"},
    "10,9": {"sets": "a set of {0} and one of {1}", "decimal": "{0}.{1}"},
    "12-15": {"sets": "a set of {0} and one of {1}", "low": "a range, of which {0} counts"},
    "5+2": {"sets": "sets of their own: {0}, then {1}", "sum": "one set, {0} and {1} together"},
    "12+": {"target": "{0}, called at the mark", "choice": "{0}, ended by choice with more left"},
    "10,9 (band)": {"all": "{0} for every set of the cell", "last": "{0} for its last set"},
}
"""Notations that can be read in two ways: answers, each with what it makes of a cell."""


@dataclass(frozen=True, slots=True)
class Style:
    """How the cells of a file are to be read.

    The decimal mark, where the mapping names it; its answers to ``QUESTIONS``; words behind a value
    (lower case) to their meaning; whether commas part sets in other cells of the column.
    """

    decimal: str | None = None
    answers: Table[str, str] = field(default_factory=dict)
    words: Table[str, Any] = field(default_factory=dict)
    commas: bool = False


@dataclass(frozen=True, slots=True)
class Attempt:
    """One set as its cell tells it; ``value`` in the rung's measure, ``None`` where untold."""

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
        return any(part is not None for part in told)
