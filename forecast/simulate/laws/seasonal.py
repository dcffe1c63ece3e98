"""The calendar's rhythm: a gain that rises and falls over the year, with holidays."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from forecast.simulate.laws.base import Law, State, Style
from forecast.types import Array, Flags

YEAR = 365.2425


@dataclass(frozen=True)
class Seasonal(Law):
    """Gain = pace x (1 + ``depth`` cos(year angle - ``peak``)); holidays thin out attendance."""

    depth: float
    peak: float
    wiggle: float

    name: ClassVar[str] = "seasonal"
    style: ClassVar[Style] = "seasonal"
    ranges: ClassVar[dict[str, tuple[float, float]]] = {
        "depth": (0.5, 1.1),
        "peak": (0.0, 2 * np.pi),
        "wiggle": (0.01, 0.03),
    }

    def _season(self, day: Array) -> Array:
        return 1.0 + self.depth * np.cos(2 * np.pi * day / YEAR - self.peak)

    def _progress(
        self, state: State, weeks: Array, trained: Flags, rng: np.random.Generator
    ) -> None:
        middle = state["day"] + 3.5 * weeks
        noise = self.wiggle * np.sqrt(weeks) * rng.standard_normal(weeks.shape)
        drift = state["pace"] * self._season(middle) * weeks
        state["core"] = state["core"] + drift + noise

    def gain(self, state: State) -> Array:
        """Expected gain per week of training at this time of the year."""
        return state["pace"] * self._season(state["day"])
