"""Steady progress: a personal gain with a Brownian wiggle."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from forecast.simulate.laws.base import Law, State
from forecast.types import Array, Flags


@dataclass(frozen=True)
class Steady(Law):
    """Level = start + pace x weeks + Brownian wiggle (``wiggle`` per root week)."""

    wiggle: float

    name: ClassVar[str] = "steady"
    ranges: ClassVar[dict[str, tuple[float, float]]] = {"wiggle": (0.01, 0.04)}

    def _progress(
        self, state: State, weeks: Array, trained: Flags, rng: np.random.Generator
    ) -> None:
        noise = rng.standard_normal(weeks.shape)
        state["core"] = state["core"] + state["pace"] * weeks + self.wiggle * np.sqrt(weeks) * noise

    def gain(self, state: State) -> Array:
        """Expected gain per week of training: the pace."""
        return state["pace"]
