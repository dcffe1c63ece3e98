"""Growth in spurts: most weeks nothing, then three to five weeks of much.

Nothing announces a spurt, and the next is no nearer for the wait.
"""

from __future__ import annotations

import numpy as np

from alien.law import Law, Mark, Shown, clean_ones, some_sets


class Spurts(Law):
    """Long rests and bursts."""

    name = "spurts"
    marks = (
        Mark("wall", "seconds", 30), Mark("rows", "reps", 10), Mark("tuck", "seconds", 12),
        Mark("dips", "reps", 12, 2), Mark("lever", "seconds", 15), Mark("pulls", "reps", 6),
    )  # fmt: skip
    quiet_weeks = 11.0

    def people(self, rng, n):
        return {
            "rate": rng.uniform(1.5, 3.2, n),
            "burst": np.exp(rng.normal(np.log(0.1), 0.3, n)),
        }

    def clocks(self, n):
        return super().clocks(n) | {"burst_until": np.zeros(n)}

    def enter(self, rng, who, rung):
        return {"log": -rng.uniform(0.5, 1.3, len(rung))}

    def moves(self, rng, who, state, came, day):
        quiet = state["burst_until"] <= day
        new = quiet & (rng.random(len(quiet)) < 1.0 / (7.0 * self.quiet_weeks))
        until = day + rng.integers(21, 36, len(quiet))
        state["burst_until"] = np.where(new, until, state["burst_until"])
        return state["burst_until"] > day

    def live(self, rng, who, state, rung, came, moving, day):
        gain = np.where(moving, who["burst"] * self.rung_pace[rung], 0.0)
        state["log"] = state["log"] + gain / 7

    def usual(self, who, state, rung):
        return self.target[rung] * np.exp(state["log"])

    def shows(self, rng, who, state, rung, day):
        order = some_sets(rng, len(rung), 2, 3)
        noise = 0.1 * rng.standard_normal(order.shape) - 0.04 * order
        noise += 0.1 * rng.standard_normal(len(rung))[:, None]
        value = np.floor(self.usual(who, state, rung)[:, None] * np.exp(noise))
        return Shown.plain(value, clean_ones(rng, order.shape, 0.9))
