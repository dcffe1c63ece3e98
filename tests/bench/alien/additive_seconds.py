"""Progress and noise in plain seconds: no per cent anywhere.

Every second gained costs the same, the best day is as many seconds above the usual one for a
beginner as for the strong, and a layoff takes seconds away.
"""

from __future__ import annotations

import numpy as np

from alien.law import Law, Mark, Shown, clean_ones, some_sets


class AdditiveSeconds(Law):
    """Seconds a week, seconds of noise."""

    name = "additive_seconds"
    marks = (
        Mark("wall", "seconds", 20), Mark("chest", "seconds", 30, 2), Mark("tuck", "seconds", 15),
        Mark("frog", "seconds", 40), Mark("lever", "seconds", 25, 2), Mark("bar", "seconds", 45),
        Mark("free", "seconds", 60),
    )  # fmt: skip
    wander, day_sd, set_sd, tired, loss = 0.3, 1.8, 2.2, 1.0, 0.5

    def people(self, rng, n):
        return {"rate": rng.uniform(1.2, 3.2, n), "pace": rng.gamma(2.5, 0.22, n)}

    def enter(self, rng, who, rung):
        return {"seconds": self.target[rung] - rng.uniform(7.0, 22.0, len(rung))}

    def live(self, rng, who, state, rung, came, moving, day):
        gain = np.where(moving, who["pace"] * self.rung_pace[rung], 0.0)
        gain = np.where(state["away_until"] > day, -self.loss, gain)
        shake = self.wander / np.sqrt(7) * rng.standard_normal(len(rung))
        state["seconds"] = state["seconds"] + gain / 7 + np.where(moving, shake, 0.0)

    def usual(self, who, state, rung):
        return state["seconds"]

    def shows(self, rng, who, state, rung, day):
        order = some_sets(rng, len(rung), 2, 4)
        middle = state["seconds"] + self.day_sd * rng.standard_normal(len(rung))
        noise = self.set_sd * rng.standard_normal(order.shape)
        value = np.maximum(np.floor(middle[:, None] - self.tired * order + noise + 0.5), 0.0)
        return Shown.plain(value, clean_ones(rng, order.shape, 0.92))
