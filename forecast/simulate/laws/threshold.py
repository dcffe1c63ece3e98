"""Slow start, fast middle, slow end: a logistic curve of training time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from forecast.simulate.laws.base import Cells, Law, State
from forecast.types import Array, Flags


def _logistic(x: Array) -> Array:
    return 1.0 / (1.0 + np.exp(-x))


@dataclass(frozen=True)
class Threshold(Law):
    """Level climbs a logistic curve from its start to ``margin`` above the target.

    The middle of the climb comes after gap / pace weeks times a personal factor whose log has sd
    ``spread``; ``steep`` is the middle divided by the logistic's scale (large: sudden).
    """

    margin: float
    steep: float
    spread: float
    wiggle: float

    name: ClassVar[str] = "threshold"
    ranges: ClassVar[dict[str, tuple[float, float]]] = {
        "margin": (0.15, 0.35),
        "steep": (3.5, 6.5),
        "spread": (0.15, 0.35),
        "wiggle": (0.005, 0.015),
    }

    def _begin(self, state: State, rng: np.random.Generator, cells: Cells) -> None:
        factor = np.exp(self.spread * rng.standard_normal(cells.gap.shape))
        state["middle"] = 0.8 * factor * cells.gap / cells.pace
        state["weeks"] = np.zeros_like(cells.gap, dtype=float)
        state["rise"] = cells.gap + self.margin

    def _share(self, weeks: Array, middle: Array) -> Array:
        """Part of the rise done after some weeks: 0 at the start, 1 in the end."""
        first = _logistic(np.full_like(weeks, -self.steep))
        now = _logistic(self.steep * (weeks / middle - 1.0))
        return (now - first) / (1.0 - first)

    def _progress(
        self, state: State, weeks: Array, trained: Flags, rng: np.random.Generator
    ) -> None:
        later = state["weeks"] + weeks
        done = self._share(later, state["middle"]) - self._share(state["weeks"], state["middle"])
        noise = self.wiggle * np.sqrt(weeks) * rng.standard_normal(weeks.shape)
        state["core"] = state["core"] + state["rise"] * done + noise
        state["weeks"] = later

    def gain(self, state: State) -> Array:
        """Expected gain over the coming week of training."""
        ahead = self._share(state["weeks"] + 1.0, state["middle"])
        return state["rise"] * (ahead - self._share(state["weeks"], state["middle"]))
