"""Only successes are logged: sets that came to 60 % of the mark; one miss in ten slips in.

Capacity follows an S curve in practice: slow, fast, slow. A beginner's first weeks leave hardly a
trace in the log.
"""

from __future__ import annotations

import numpy as np

from alien.law import Law, Mark, Shown, clean_ones, some_sets


class SuccessesOnly(Law):
    """An S curve, of which the log shows the upper part."""

    name = "successes_only"
    marks = (
        Mark("wall", "seconds", 30), Mark("tuck", "seconds", 12), Mark("chest", "seconds", 40, 2),
        Mark("frog", "seconds", 20), Mark("lever", "seconds", 15), Mark("free", "seconds", 30, 2),
    )  # fmt: skip
    least, slips, top = 0.6, 0.1, 1.6

    def people(self, rng, n):
        return {"rate": rng.uniform(1.2, 3.0, n), "pace": rng.gamma(2.5, 0.03, n)}

    def enter(self, rng, who, rung):
        return {"practice": rng.normal(-1.3, 0.4, len(rung))}

    def live(self, rng, who, state, rung, came, moving, day):
        gain = np.where(moving, who["pace"] * self.rung_pace[rung], 0.0)
        state["practice"] = state["practice"] + np.where(state["away_until"] > day, -0.04, gain) / 7

    def usual(self, who, state, rung):
        return self.target[rung] * self.top / (1.0 + np.exp(-state["practice"]))

    def shows(self, rng, who, state, rung, day):
        order = some_sets(rng, len(rung), 2, 4)
        form = 1.0 + 0.12 * rng.standard_normal(len(rung))[:, None]
        each = 1.0 + 0.12 * rng.standard_normal(order.shape) - 0.04 * order
        value = self.usual(who, state, rung)[:, None] * np.maximum(form * each, 0.0)
        shown = Shown.plain(np.floor(value + 0.5), clean_ones(rng, order.shape, 0.93))
        good = np.nan_to_num(value) >= self.least * self.target[rung][:, None]
        shown.logged = shown.logged & (good | (rng.random(order.shape) < self.slips))
        return shown
