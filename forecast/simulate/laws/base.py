"""What every law of progress shares: training time, detraining and the shape of its state."""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass, fields
from typing import ClassVar, Literal, Self

import numpy as np
from numpy.typing import ArrayLike

from forecast.types import Array, Flags

State = dict[str, Array]
Style = Literal["usual", "ragged", "seasonal"]

GRACE_DAYS = 12.0
"""Days after a session for which progress still accrues; detraining starts after them."""
MAX_LOST = 0.5
"""Detraining never takes more than this much level (about 40 % of the capacity)."""


@dataclass(frozen=True, slots=True)
class Cells:
    """Starting values of spells, arrays of one shape, so that laws need not know what an axis is.

    ``gap``: how far below the target the spell starts, in log units; ``pace``: usual gain per week
    of training, both positive; ``trait``: a second standard-normal trait of the athlete (where the
    ceiling lies, for instance); ``rate``: usual sessions per week; ``day``: calendar day on which
    the spell opens, counted from 1 January 1970.
    """

    gap: Array
    pace: Array
    trait: Array
    rate: Array
    day: Array


@dataclass(frozen=True)
class Law(ABC):
    """A law of progress; its fields are population constants, the same for a whole cohort.

    States are dictionaries of equally shaped arrays. ``advance`` returns a new state and never
    changes the one it was given. ``detrain`` is the level lost per week off, once the grace days
    are over; ``regain_days`` the time constant with which lost level comes back on return.
    """

    detrain: float
    regain_days: float

    name: ClassVar[str]
    form_df: ClassVar[float] = np.inf
    """Degrees of freedom of the form of the day; infinite is normal."""
    style: ClassVar[Style] = "usual"
    """Attendance style that goes with the law."""
    ranges: ClassVar[dict[str, tuple[float, float]]] = {}
    """Uniform ranges the constants are drawn from."""

    _shared: ClassVar[dict[str, tuple[float, float]]] = {
        "detrain": (0.015, 0.05),
        "regain_days": (8.0, 20.0),
    }

    @classmethod
    def draw(cls, rng: np.random.Generator) -> Self:
        """Draw the population constants of one cohort from the stated ranges."""
        ranges = {**cls._shared, **cls.ranges}
        return cls(**{f.name: float(rng.uniform(*ranges[f.name])) for f in fields(cls)})

    def initial(self, rng: np.random.Generator, cells: Cells) -> State:
        """Return the state of spells on their first day."""
        state: State = {
            "core": -np.asarray(cells.gap, dtype=float),
            "pace": np.asarray(cells.pace, dtype=float).copy(),
            "lost": np.zeros_like(cells.gap, dtype=float),
            "idle": np.zeros_like(cells.gap, dtype=float),
            "day": np.asarray(cells.day, dtype=float).copy(),
        }
        self._begin(state, rng, cells)
        return state

    def advance(
        self, state: State, days: ArrayLike, trained: ArrayLike, rng: np.random.Generator
    ) -> State:
        """Return the state moved on by some days, at the end of which spells trained or not.

        ``days`` are 0 or more; a week at most keeps laws with hidden switches exact enough.
        """
        new = dict(state)
        passed = np.broadcast_to(np.asarray(days, dtype=float), new["idle"].shape)
        session = np.broadcast_to(np.asarray(trained, dtype=bool), new["idle"].shape)
        active = np.clip(GRACE_DAYS - new["idle"], 0.0, passed)
        self._progress(new, active / 7.0, session, rng)
        back = new["lost"] * np.exp(-active / self.regain_days)
        new["lost"] = np.minimum(back + (passed - active) / 7.0 * self.detrain, MAX_LOST)
        new["idle"] = np.where(session, 0.0, new["idle"] + passed)
        new["day"] = new["day"] + passed
        return new

    def level(self, state: State) -> Array:
        """Latent level, log(capacity / target): 0 is the target."""
        return state["core"] - state["lost"]

    def _begin(self, state: State, rng: np.random.Generator, cells: Cells) -> None:  # noqa: B027
        """Add the law's own fields to a fresh state, in place."""

    @abstractmethod
    def _progress(
        self, state: State, weeks: Array, trained: Flags, rng: np.random.Generator
    ) -> None:
        """Let ``weeks`` of training time act on the (already copied) state, in place."""

    @abstractmethod
    def gain(self, state: State) -> Array:
        """Expected gain per week of training from here on."""
