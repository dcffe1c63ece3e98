"""Injuries: about every second year 20 to 50 % of the level goes at once and comes back slowly.

Pain is noted for some weeks. The athlete rests up to three weeks, then trains on.
"""

from __future__ import annotations

import numpy as np

from alien.law import Law, Mark, Shown, clean_ones, some_sets


class SetBacks(Law):
    """Steady progress, broken by injuries."""

    name = "set_backs"
    marks = (
        Mark("wall", "seconds", 30), Mark("dips", "reps", 10), Mark("tuck", "seconds", 15, 2),
        Mark("pulls", "reps", 8), Mark("lever", "seconds", 12), Mark("free", "seconds", 20, 2),
        Mark("presses", "reps", 5),
    )  # fmt: skip
    injuries_a_year, regain = 0.5, 0.07

    def people(self, rng, n):
        return {
            "rate": rng.uniform(1.3, 3.0, n),
            "pace": np.exp(rng.normal(np.log(0.032), 0.6, n)),
        }

    def clocks(self, n):
        return super().clocks(n) | {"hurt": np.zeros(n), "pain_until": np.zeros(n)}

    def enter(self, rng, who, rung):
        return {"log": -rng.gamma(12.0, 0.08, len(rung))}

    def live(self, rng, who, state, rung, came, moving, day):
        n = len(rung)
        trains = moving & (state["away_until"] <= day)
        gain = np.where(trains, who["pace"] * self.rung_pace[rung], 0.0)
        state["log"] = state["log"] + gain / 7
        state["hurt"] = state["hurt"] * np.exp(-self.regain / 7)
        now = rng.random(n) < self.injuries_a_year / 365
        drop = -np.log(1.0 - rng.uniform(0.2, 0.5, n))
        state["hurt"] = state["hurt"] + np.where(now, drop, 0.0)
        rest = np.maximum(day + rng.integers(0, 22, n), state["away_until"])
        state["away_until"] = np.where(now, rest, state["away_until"])
        state["pain_until"] = np.where(now, day + rng.integers(21, 64, n), state["pain_until"])

    def usual(self, who, state, rung):
        return self.target[rung] * np.exp(state["log"] - state["hurt"])

    def shows(self, rng, who, state, rung, day):
        order = some_sets(rng, len(rung), 2, 4)
        noise = 0.1 * rng.standard_normal(order.shape) - 0.03 * order
        noise += 0.1 * rng.standard_normal(len(rung))[:, None]
        value = np.floor(self.usual(who, state, rung)[:, None] * np.exp(noise) + 0.3)
        shown = Shown.plain(value, clean_ones(rng, order.shape, 0.9))
        sore = state["pain_until"] > day
        shown.pain = np.where(sore, rng.integers(2, 8, len(rung)), 0).astype(float)
        return shown
