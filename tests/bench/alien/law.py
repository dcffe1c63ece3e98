"""What every alien law answers. Arrays hold one entry a person; ``day`` is the club's own day.

Nothing here, nor in any law of this folder, is taken from the package: no prior, no noise model,
no form of progress. A law may be stepped for a whole club, or for many invented people who stand
for one athlete (``reference.py``), hence arrays throughout.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

Array = np.ndarray
People = dict[str, Array]
"""Arrays by name, one entry a person: who they are, or how they stand today."""

FAILED, TARGET, CHOICE, NOT_NOTED = 0, 1, 2, 3
STOPPED = np.array(["failed", "target", "choice", ""])


@dataclass(frozen=True, slots=True)
class Mark:
    """A rung and its pass rule; ``load``: kg that count at least."""

    key: str
    measure: str
    target: float
    confirm: int = 1
    load: float = 0.0


@dataclass(slots=True)
class Shown:
    """The sets of one day, one row a person who came, one column a set; NaN: no such set.

    ``value`` is what the coach writes; ``logged`` whether it is written at all; ``load`` kg.
    """

    value: Array
    clean: Array
    banded: Array
    stopped: Array
    logged: Array
    pain: Array
    load: Array

    @classmethod
    def plain(cls, value: Array, clean: Array) -> Shown:
        """All sets logged, taken to failure, without help or pain."""
        done = np.isfinite(value)
        return cls(
            value,
            clean,
            np.zeros(value.shape, dtype=bool),
            np.full(value.shape, FAILED),
            done,
            np.full(len(value), np.nan),
            np.zeros(value.shape),
        )


class Law:
    """A world's law: how people differ, progress, come, and what is written down.

    ``marks`` is the ladder; ``rung_pace`` (R,), drawn once a world, how fast each rung goes.
    """

    name: ClassVar[str]
    marks: ClassVar[tuple[Mark, ...]]
    layoff_chance: ClassVar[float] = 0.015  # a week
    layoff_days: ClassVar[tuple[int, int]] = (10, 42)
    stalls_a_year: ClassVar[float] = 0.35
    stall_days: ClassVar[tuple[int, int]] = (56, 140)
    join_weeks: ClassVar[int] = 80

    def __init__(self, rng: np.random.Generator) -> None:
        self.target = np.array([mark.target for mark in self.marks])
        self.confirm = np.array([mark.confirm for mark in self.marks])
        self.load = np.array([mark.load for mark in self.marks])
        self.rung_pace = np.exp(rng.normal(0.0, 0.25, len(self.marks)))

    def people(self, rng: np.random.Generator, n: int) -> People:
        """Draw ``n`` people; ``rate`` is their sessions a week."""
        raise NotImplementedError

    def enter(self, rng: np.random.Generator, who: People, rung: Array) -> People:
        """Say how people stand on the first day on a rung."""
        raise NotImplementedError

    def go_on(self, rng: np.random.Generator, who: People, state: People, rung: Array) -> People:
        """Say how people who have cleared a rung stand on the next, ``rung``."""
        return self.enter(rng, who, rung)

    def live(
        self, rng: np.random.Generator, who: People, state: People, rung: Array, came: Array,
        moving: Array, day: int,
    ) -> None:  # fmt: skip
        """Let a day pass, in place."""
        raise NotImplementedError

    def usual(self, who: People, state: People, rung: Array) -> Array:
        """Return what a usual day's first set shows, in the rung's unit."""
        raise NotImplementedError

    def shows(
        self, rng: np.random.Generator, who: People, state: People, rung: Array, day: int
    ) -> Shown:
        """Draw the sets of people who came today; what they remember of it is kept in ``state``."""
        raise NotImplementedError

    def clocks(self, n: int) -> People:
        """Start what goes on across rungs."""
        return {"away_until": np.zeros(n), "stall_until": np.zeros(n)}

    def comes(self, rng: np.random.Generator, who: People, state: People, day: int) -> Array:
        """Say who trains today: layoffs begin by chance, else each day is as good as another."""
        n = len(who["rate"])
        new = (state["away_until"] <= day) & (rng.random(n) < self.layoff_chance / 7)
        low, high = self.layoff_days
        state["away_until"][new] = day + rng.integers(low, high + 1, int(new.sum()))
        return (state["away_until"] <= day) & (rng.random(n) < who["rate"] / 7)

    def moves(
        self, rng: np.random.Generator, who: People, state: People, came: Array, day: int
    ) -> Array:
        """Say who is not in a stall today; planted stalls begin by chance and last their time."""
        n = len(who["rate"])
        new = (state["stall_until"] <= day) & (rng.random(n) < self.stalls_a_year / 365)
        low, high = self.stall_days
        state["stall_until"][new] = day + rng.integers(low, high + 1, int(new.sum()))
        return state["stall_until"] <= day


def some_sets(rng: np.random.Generator, n: int, least: int, most: int) -> Array:
    """Return order 0, 1, ... of ``least`` to ``most`` sets a person, (n, most); NaN past the last.

    Added to a value it leaves nothing where there was no set.
    """
    order = np.tile(np.arange(float(most)), (n, 1))
    order[order >= rng.integers(least, most + 1, n)[:, None]] = np.nan
    return order


def clean_ones(rng: np.random.Generator, shape: tuple[int, ...], chance: float | Array) -> Array:
    """Draw which sets are clean."""
    return rng.random(shape) < chance
