"""The power law of practice: level grows with the log of all sessions so far."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from forecast.simulate.laws.base import Cells, Law, State
from forecast.types import Array, Flags

_USUAL_GAP = 0.7
_USUAL_RATE = 2.5


@dataclass(frozen=True)
class Learning(Law):
    """Level = start + slope x log(1 + sessions / ``earlier``).

    Newell & Rosenbloom (1981) is the usual source of the law (from memory); ``earlier`` is the
    practice brought along, in sessions. The slope is set so that a spell with the usual gap takes
    as many sessions as its pace says.
    """

    earlier: float
    wiggle: float

    name: ClassVar[str] = "learning"
    ranges: ClassVar[dict[str, tuple[float, float]]] = {
        "earlier": (4.0, 12.0),
        "wiggle": (0.005, 0.015),
    }

    def _begin(self, state: State, rng: np.random.Generator, cells: Cells) -> None:
        needed = _USUAL_RATE * _USUAL_GAP / cells.pace
        state["slope"] = _USUAL_GAP / np.log1p(needed / self.earlier)
        state["practice"] = np.zeros_like(cells.gap, dtype=float)
        state["rate"] = np.asarray(cells.rate, dtype=float).copy()

    def _progress(
        self, state: State, weeks: Array, trained: Flags, rng: np.random.Generator
    ) -> None:
        done = state["practice"] + self.earlier
        step = state["slope"] * np.where(trained, np.log1p(1.0 / done), 0.0)
        noise = self.wiggle * np.sqrt(weeks) * rng.standard_normal(weeks.shape)
        state["core"] = state["core"] + step + noise
        state["practice"] = state["practice"] + trained

    def gain(self, state: State) -> Array:
        """Expected gain per week of training at the athlete's usual rate."""
        return state["slope"] * np.log1p(state["rate"] / (state["practice"] + self.earlier))
