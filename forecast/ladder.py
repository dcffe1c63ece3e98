"""The nouns of the plan: a ladder of rungs, each with the criterion that clears it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from forecast.errors import LadderError

Measure = Literal["seconds", "reps", "kg", "cm"]
"""What a set's value counts; more is always better."""

LARGEST: dict[Measure, float] = {"seconds": 7200.0, "reps": 2000.0, "kg": 1000.0, "cm": 10000.0}
"""Values and targets above these are slips of the pen; stated limits of this package."""

BOUNDS: dict[str, tuple[float, float]] = {
    "rungs": (1, 1000),
    "target": (0, max(LARGEST.values())),  # and below what LARGEST says of its measure
    "confirm_sessions": (1, 30),
    "load_kg": (0, 500),
    "load_bodyweight": (0, 5),
    "min_weeks": (0, 260),
    "usual_weeks": (0, 520),
    "header_row": (1, 1_048_576),
    "year": (1950, 2099),
    "text": (0, 100_000),
}
"""From where to where a number of a ladder, a mapping or a club file may go, and the length of a
text in one; stated limits of this package (judgements: far beyond what anybody means)."""


@dataclass(frozen=True, slots=True)
class Criterion:
    """What clears a rung.

    A session meets it at ``target`` in the unit of ``measure`` (``seconds``, ``reps``, ``kg`` or
    ``cm``); ``confirm_sessions`` consecutive ones must. ``load_kg`` is the load in kilograms that a
    set must carry to count, ``load_bodyweight`` the same as a fraction of body mass (needs
    ``body_mass_kg`` in the roster); ``None`` asks for none.
    """

    measure: Measure
    target: float
    confirm_sessions: int = 1
    load_kg: float | None = None
    load_bodyweight: float | None = None


@dataclass(frozen=True, slots=True)
class Rung:
    """One exercise of the ladder.

    ``key`` is short and unique, ``name`` for people, ``stage`` a named group of rungs (may be
    empty); ``criterion`` clears it. ``needs`` are keys of the rungs to clear first, ``min_weeks`` a
    consolidation period before the next rung opens, ``usual_weeks`` from how many to how many weeks
    the coach expects 80 % to take, ``fallback`` the key of the rung to go back to when form breaks;
    ``equipment, form, caution`` are free text.
    """

    key: str
    name: str
    stage: str
    criterion: Criterion
    needs: tuple[str, ...] = ()
    min_weeks: float = 0.0
    fallback: str | None = None
    equipment: str = ""
    form: str = ""
    caution: str = ""
    usual_weeks: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Ladder:
    """An ordered, possibly branching set of rungs; every rung stands after those it needs.

    ``rungs`` stand in the order in which they are climbed; ``source`` is the file it was read from,
    empty where made by hand.
    """

    name: str
    rungs: tuple[Rung, ...]
    source: str = field(default="", compare=False)

    @property
    def keys(self) -> tuple[str, ...]:
        """Rung keys in the ladder's order."""
        return tuple(rung.key for rung in self.rungs)

    def rung(self, key: str) -> Rung:
        """Return the rung with this key, or raise ``LadderError``."""
        for rung in self.rungs:
            if rung.key == key:
                return rung
        raise LadderError(
            f"{key!r} is not a rung of this ladder; its keys are {', '.join(self.keys)}."
        )

    def position(self, key: str) -> int:
        """Place of the rung in the ladder's order, counted from 0."""
        return self.keys.index(key)
