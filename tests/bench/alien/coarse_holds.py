"""Holds written down to 5 s, one or two sets a day.

The root of the hold grows evenly, so that seconds come faster the longer the hold already is.
"""

from __future__ import annotations

import numpy as np

from alien.law import Law, Mark, Shown, clean_ones, some_sets


class CoarseHolds(Law):
    """Square-root growth seen through a 5 s grid."""

    name = "coarse_holds"
    marks = (
        Mark("wall", "seconds", 20), Mark("chest", "seconds", 30), Mark("frog", "seconds", 45, 2),
        Mark("tuck", "seconds", 20), Mark("lever", "seconds", 30), Mark("bar", "seconds", 60),
        Mark("free", "seconds", 40, 2),
    )  # fmt: skip
    unit, day_sd, set_sd, loss = 5.0, 0.13, 0.12, 0.015

    def people(self, rng, n):
        return {"rate": rng.uniform(1.0, 2.5, n), "pace": rng.gamma(3.0, 0.0055, n)}

    def enter(self, rng, who, rung):
        return {"root": rng.uniform(0.35, 0.65, len(rung))}

    def live(self, rng, who, state, rung, came, moving, day):
        gain = np.where(moving, who["pace"] * self.rung_pace[rung], 0.0)
        change = np.where(state["away_until"] > day, -self.loss, gain) / 7
        state["root"] = np.maximum(state["root"] + change, 0.1)

    def usual(self, who, state, rung):
        return self.target[rung] * state["root"] ** 2

    def shows(self, rng, who, state, rung, day):
        order = some_sets(rng, len(rung), 1, 2)
        noise = self.set_sd * rng.standard_normal(order.shape)
        noise += self.day_sd * rng.standard_normal(len(rung))[:, None] - 0.05 * order
        true = self.usual(who, state, rung)[:, None] * np.exp(noise)
        value = self.unit * np.floor(true / self.unit)
        return Shown.plain(value, clean_ones(rng, order.shape, 0.92))
