"""Moving and stalled by turns: a semi-Markov law with long stalls that end."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from forecast.simulate.laws.base import Cells, Law, State
from forecast.types import Array, Flags

_MOVING_SHAPE = 2.0
_STALL_SD = 0.4


@dataclass(frozen=True)
class Stalls(Law):
    """Two states with memory: moving (gamma lengths) and stalled (lognormal lengths).

    While moving the gain is ``burst`` times the pace, while stalled it is zero. Lengths are in
    weeks of training: ``moving_weeks`` on average, ``stall_weeks`` in the median.
    """

    moving_weeks: float
    stall_weeks: float
    burst: float
    wiggle: float

    name: ClassVar[str] = "stalls"
    ranges: ClassVar[dict[str, tuple[float, float]]] = {
        "moving_weeks": (4.0, 9.0),
        "stall_weeks": (9.0, 16.0),
        "burst": (2.0, 3.0),
        "wiggle": (0.005, 0.02),
    }

    def _begin(self, state: State, rng: np.random.Generator, cells: Cells) -> None:
        shape = cells.gap.shape
        # a new exercise brings quick first gains more often than a stall
        state["moving"] = (rng.random(shape) < 0.75).astype(float)
        state["left"] = self._length(state["moving"], rng)

    def _length(self, moving: Array, rng: np.random.Generator) -> Array:
        going = rng.gamma(_MOVING_SHAPE, self.moving_weeks / _MOVING_SHAPE, moving.shape)
        stuck = self.stall_weeks * np.exp(_STALL_SD * rng.standard_normal(moving.shape))
        return np.where(moving > 0, going, np.clip(stuck, 6.0, 30.0))

    def _progress(
        self, state: State, weeks: Array, trained: Flags, rng: np.random.Generator
    ) -> None:
        moving, left = state["moving"], state["left"] - weeks
        over = left <= 0
        # at most one switch a step (steps are short): the rest of the step runs in the new mode
        before = np.where(over, weeks + left, weeks)
        turned = np.where(over, 1.0 - moving, moving)
        moved = moving * before + turned * (weeks - before)
        noise = self.wiggle * np.sqrt(weeks) * rng.standard_normal(weeks.shape)
        state["core"] = state["core"] + self.burst * state["pace"] * moved + noise
        state["moving"] = turned
        state["left"] = np.where(over, self._length(turned, rng), left)

    def gain(self, state: State) -> Array:
        """Expected gain per week of training in the mode of the moment."""
        return self.burst * state["pace"] * state["moving"]
