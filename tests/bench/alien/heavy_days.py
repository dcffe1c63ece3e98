"""Days with heavy tails: t with 3 degrees of freedom and scale 0.12 on the log scale.

Few sessions, 1 to 3 sets with sd 0.15, holds written to 5 s, many layoffs of 10 to 42 days (4 % a
week), in which strength is lost.
"""

from __future__ import annotations

import numpy as np

from alien.law import Law, Mark, Shown, clean_ones, some_sets


class HeavyDays(Law):
    """Log-linear progress under heavy-tailed days."""

    name = "heavy_days"
    marks = (
        Mark("wall", "seconds", 20), Mark("tuck", "seconds", 30), Mark("frog", "seconds", 20),
        Mark("chest", "seconds", 45), Mark("lever", "seconds", 30), Mark("free", "seconds", 60),
    )  # fmt: skip
    layoff_chance = 0.04
    day_scale, day_df, set_sd, tired, loss = 0.12, 3, 0.15, 0.04, 0.03

    def people(self, rng, n):
        return {
            "rate": rng.uniform(0.8, 2.0, n),
            "pace": np.exp(rng.normal(np.log(0.03), 0.6, n)),
        }

    def enter(self, rng, who, rung):
        return {"log": rng.normal(-1.1, 0.3, len(rung))}

    def live(self, rng, who, state, rung, came, moving, day):
        gain = np.where(moving, who["pace"] * self.rung_pace[rung], 0.0)
        state["log"] = state["log"] + np.where(state["away_until"] > day, -self.loss, gain) / 7

    def usual(self, who, state, rung):
        return self.target[rung] * np.exp(state["log"])

    def shows(self, rng, who, state, rung, day):
        order = some_sets(rng, len(rung), 1, 3)
        middle = state["log"] + self.day_scale * rng.standard_t(self.day_df, len(rung))
        noise = self.set_sd * rng.standard_normal(order.shape)
        true = self.target[rung][:, None] * np.exp(middle[:, None] - self.tired * order + noise)
        return Shown.plain(to_five(true), clean_ones(rng, order.shape, 0.9))


def to_five(seconds):
    """Write holds to the nearest 5 s; one of a second or more is never written as nothing."""
    written = 5.0 * np.floor(seconds / 5.0 + 0.5)
    return np.where(seconds < 1.0, 0.0 * seconds, np.maximum(written, 5.0))
