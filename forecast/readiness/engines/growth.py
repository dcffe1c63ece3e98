"""The growth engine in the pool: level and gain of every spell, simulated until it clears."""

from __future__ import annotations

import numpy as np

from forecast.growth import GrowthModel, Simulation, forecast_landmarks
from forecast.readiness.engines.interface import Past, Present, confirm_sessions
from forecast.types import Array, Ints

PATHS, DRAWS = 64, 16
"""Paths and draws of a landmark: with hundreds of them, few will do."""


class _Growth:
    """Its model comes with what it is asked about: every engine may use it."""

    name = "growth"
    record = GrowthModel

    def fit(self, past: Past) -> GrowthModel:
        return past.growth

    def at_landmarks(self, learnt: GrowthModel, past: Past, chosen: Ints) -> Array:
        """Filtered states know nothing of what came later; its few constants count as known."""
        table, histories = past.moments.table, past.histories
        at, spell = (table[name].to_numpy()[chosen] for name in ("session", "spell"))
        passage = forecast_landmarks(
            learnt,
            past.tracked,
            past.moments.place[chosen],
            past.moments.features["wait"].to_numpy()[chosen] * 7.0,
            confirm_sessions(histories, histories.spells["rung_index"].to_numpy()[spell]),
            histories.sessions["run"].to_numpy(dtype=np.int64)[at],
            Simulation(7 * past.horizon_weeks, PATHS, DRAWS, past.seed),
        )
        return passage.by_day[:, ::7]

    def now(self, learnt: GrowthModel, present: Present) -> Array:
        return present.passage

    def prior_weight(self, n_clearings: int) -> float:
        return 0.0


GROWTH = _Growth()
