"""Exponential approach to a personal ceiling, which may lie below the target."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from forecast.simulate.laws.base import Cells, Law, State
from forecast.types import Array, Flags

_LEAST_ROOM = 0.15
"""A spell always has at least this much room above its start."""


@dataclass(frozen=True)
class Ceiling(Law):
    """Level tends to ``top``; ``top`` = ``height`` + athlete part + spell part.

    The first weeks run at ``burst`` times the pace, and slow as the ceiling nears. A share of the
    ceilings lies below the target: those spells are cleared by a lucky day or never.
    """

    height: float
    athlete_sd: float
    spell_sd: float
    burst: float
    wiggle: float

    name: ClassVar[str] = "ceiling"
    ranges: ClassVar[dict[str, tuple[float, float]]] = {
        "height": (0.08, 0.25),
        "athlete_sd": (0.12, 0.22),
        "spell_sd": (0.12, 0.22),
        "burst": (1.5, 2.2),
        "wiggle": (0.005, 0.015),
    }

    def _begin(self, state: State, rng: np.random.Generator, cells: Cells) -> None:
        own = self.height + self.athlete_sd * cells.trait
        top = own + self.spell_sd * rng.standard_normal(cells.gap.shape)
        state["top"] = np.maximum(top, state["core"] + _LEAST_ROOM)
        # the pace is kept for a middling spell: a low ceiling is not also a fast one
        state["speed"] = self.burst * cells.pace / (cells.gap + self.height)

    def _progress(
        self, state: State, weeks: Array, trained: Flags, rng: np.random.Generator
    ) -> None:
        left = (state["core"] - state["top"]) * np.exp(-state["speed"] * weeks)
        noise = self.wiggle * np.sqrt(weeks) * rng.standard_normal(weeks.shape)
        state["core"] = state["top"] + left + noise

    def gain(self, state: State) -> Array:
        """Expected gain per week of training: it fades as the ceiling nears."""
        return state["speed"] * (state["top"] - state["core"])
