"""Progress in jumps: compound Poisson with heavy-tailed sizes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from forecast.simulate.laws.base import Law, State
from forecast.types import Array, Flags


@dataclass(frozen=True)
class Jumps(Law):
    """Flat but for lognormal jumps at Poisson times; the mean gain is the pace.

    ``per_week`` jumps a week of mean size pace / per_week; log sizes have sd ``spread``.
    """

    per_week: float
    spread: float
    wiggle: float

    name: ClassVar[str] = "jumps"
    ranges: ClassVar[dict[str, tuple[float, float]]] = {
        "per_week": (0.12, 0.35),
        "spread": (0.7, 1.1),
        "wiggle": (0.003, 0.01),
    }

    def _progress(
        self, state: State, weeks: Array, trained: Flags, rng: np.random.Generator
    ) -> None:
        counts = rng.poisson(self.per_week * weeks)
        core = state["core"] + self.wiggle * np.sqrt(weeks) * rng.standard_normal(weeks.shape)
        where = np.flatnonzero(counts.ravel())
        owner = np.repeat(where, counts.ravel()[where])
        log_mean = np.log(state["pace"].ravel()[owner] / self.per_week) - self.spread**2 / 2
        sizes = np.exp(log_mean + self.spread * rng.standard_normal(owner.size))
        jumped = np.bincount(owner, weights=sizes, minlength=core.size)
        state["core"] = core + jumped.reshape(core.shape)

    def gain(self, state: State) -> Array:
        """Expected gain per week of training: the pace, jumps averaged."""
        return state["pace"]
