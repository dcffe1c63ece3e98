"""A gain that wanders: integrated Ornstein-Uhlenbeck."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from forecast.simulate.laws.base import Cells, Law, State
from forecast.types import Array, Flags


@dataclass(frozen=True)
class Wandering(Law):
    """The gain reverts to the pace with time constant ``memory_weeks``; the level sums it up.

    The stationary sd of the gain is ``swing``; it may be negative for weeks (Taylor, Cumberland
    & Sy 1994 use this law for biomarkers).
    """

    memory_weeks: float
    swing: float

    name: ClassVar[str] = "wandering"
    ranges: ClassVar[dict[str, tuple[float, float]]] = {
        "memory_weeks": (4.0, 12.0),
        "swing": (0.025, 0.07),
    }

    def _begin(self, state: State, rng: np.random.Generator, cells: Cells) -> None:
        state["speed"] = cells.pace + self.swing * rng.standard_normal(cells.gap.shape)

    def _progress(
        self, state: State, weeks: Array, trained: Flags, rng: np.random.Generator
    ) -> None:
        keep = np.exp(-weeks / self.memory_weeks)
        noise = self.swing * np.sqrt(1.0 - keep**2) * rng.standard_normal(weeks.shape)
        after = state["pace"] + (state["speed"] - state["pace"]) * keep + noise
        # trapezoid rule: steps are short against the memory
        state["core"] = state["core"] + 0.5 * (state["speed"] + after) * weeks
        state["speed"] = after

    def gain(self, state: State) -> Array:
        """Gain per week of training at the moment."""
        return state["speed"]
