"""Nearly everybody is away 8 to 14 weeks every year, at about the same time.

Some strength goes and comes back quickly; below, capacity nears its limit evenly on a log scale.
"""

from __future__ import annotations

import numpy as np

from alien.law import Law, Mark, Shown, clean_ones, some_sets


class OffSeasons(Law):
    """A long break every year, with a quick return."""

    name = "off_seasons"
    marks = (
        Mark("rows", "reps", 10), Mark("wall", "seconds", 30), Mark("dips", "reps", 8, 2),
        Mark("tuck", "seconds", 15), Mark("pulls", "reps", 5), Mark("lever", "seconds", 20, 2),
        Mark("free", "seconds", 30),
    )  # fmt: skip
    layoff_chance = 0.008
    usual_start, taking_part = 175, 0.95

    def people(self, rng, n):
        return {
            "rate": rng.uniform(1.5, 3.2, n),
            "pace": rng.gamma(3.0, 0.012, n),
            "month": rng.integers(-21, 22, n).astype(float),
        }

    def enter(self, rng, who, rung):
        return {"log": rng.normal(-1.1, 0.25, len(rung))}

    def clocks(self, n):
        return super().clocks(n) | {"lost": np.zeros(n)}

    def comes(self, rng, who, state, day):
        starts = (day - self.usual_start - who["month"]) % 365 == 0
        goes = starts & (rng.random(len(starts)) < self.taking_part)
        until = day + rng.integers(56, 99, len(starts))
        state["away_until"] = np.where(goes, until, state["away_until"])
        return super().comes(rng, who, state, day)

    def live(self, rng, who, state, rung, came, moving, day):
        away = state["away_until"] > day
        room = 0.5 - state["log"]
        gain = np.where(moving & ~away, who["pace"] * self.rung_pace[rung] * room, 0.0)
        state["log"] = state["log"] + gain / 7
        more = np.minimum(state["lost"] + 0.022 / 7, 0.35)
        state["lost"] = np.where(away, more, state["lost"] * np.exp(-0.3 / 7))

    def usual(self, who, state, rung):
        return self.target[rung] * np.exp(state["log"] - state["lost"])

    def shows(self, rng, who, state, rung, day):
        order = some_sets(rng, len(rung), 2, 4)
        noise = 0.12 * rng.standard_normal(order.shape) - 0.04 * order
        noise += 0.1 * rng.standard_normal(len(rung))[:, None]
        value = np.floor(self.usual(who, state, rung)[:, None] * np.exp(noise))
        return Shown.plain(value, clean_ones(rng, order.shape, 0.9))
