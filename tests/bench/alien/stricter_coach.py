"""From one day on the same performance is called unclean twice as often, and stopped earlier.

Nothing about the athletes changes on that day: only the eye that watches them.
"""

from __future__ import annotations

import numpy as np

from alien.law import CHOICE, FAILED, Law, Mark, Shown, clean_ones, some_sets


class StricterCoach(Law):
    """A new eye midway."""

    name = "stricter_coach"
    marks = (
        Mark("wall", "seconds", 20), Mark("chest", "seconds", 30), Mark("tuck", "seconds", 15, 2),
        Mark("frog", "seconds", 25), Mark("lever", "seconds", 10), Mark("free", "seconds", 20, 2),
        Mark("bar", "seconds", 40),
    )  # fmt: skip
    unclean, early = 0.13, 0.88

    def __init__(self, rng):
        super().__init__(rng)
        self.strict_from = int(rng.integers(45 * 7, 80 * 7))

    def people(self, rng, n):
        return {"rate": rng.uniform(1.2, 3.0, n), "pace": rng.gamma(2.5, 0.014, n)}

    def enter(self, rng, who, rung):
        return {"log": rng.normal(-1.0, 0.3, len(rung))}

    def live(self, rng, who, state, rung, came, moving, day):
        slows = np.exp(-np.maximum(state["log"] + 0.2, 0.0) * 2.0)
        gain = np.where(moving, who["pace"] * self.rung_pace[rung] * slows, 0.0)
        state["log"] = state["log"] + np.where(state["away_until"] > day, -0.025, gain) / 7

    def usual(self, who, state, rung):
        return self.target[rung] * np.exp(state["log"])

    def shows(self, rng, who, state, rung, day):
        order = some_sets(rng, len(rung), 2, 4)
        noise = 0.13 * rng.standard_normal(order.shape) - 0.05 * order
        noise += 0.08 * rng.standard_normal(len(rung))[:, None]
        true = self.usual(who, state, rung)[:, None] * np.exp(noise)
        strict = day >= self.strict_from
        value = np.floor(true * (self.early if strict else 1.0) + 0.5)
        clean = clean_ones(rng, order.shape, 1.0 - self.unclean * (2 if strict else 1))
        shown = Shown.plain(value, clean)
        cut_short = strict & (rng.random(order.shape) < 0.5)
        shown.stopped = np.where(cut_short, CHOICE, FAILED)
        return shown
