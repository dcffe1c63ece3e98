"""A law that changes midway: so many per cent a week up to half the mark, then seconds a week.

The two rates have nothing to do with one another: who learns fast at first may crawl later.
"""

from __future__ import annotations

import numpy as np

from alien.law import Law, Mark, Shown, clean_ones, some_sets


class ChangingLaw(Law):
    """Exponential first, linear after."""

    name = "changing_law"
    marks = (
        Mark("wall", "seconds", 30), Mark("chest", "seconds", 20), Mark("tuck", "seconds", 15, 2),
        Mark("frog", "seconds", 40), Mark("lever", "seconds", 12), Mark("free", "seconds", 30),
        Mark("bar", "seconds", 60, 2),
    )  # fmt: skip

    def people(self, rng, n):
        return {
            "rate": rng.uniform(1.2, 3.0, n),
            "early": rng.gamma(4.0, 0.015, n),
            "late": rng.gamma(2.5, 0.008, n),
        }

    def enter(self, rng, who, rung):
        return {"share": rng.uniform(0.15, 0.35, len(rung))}

    def live(self, rng, who, state, rung, came, moving, day):
        early = state["share"] < 0.5
        gain = np.where(early, who["early"] * state["share"], who["late"]) * self.rung_pace[rung]
        gain = np.where(moving, gain, 0.0)
        gain = np.where(state["away_until"] > day, -0.02 * state["share"], gain)
        state["share"] = state["share"] + gain / 7

    def usual(self, who, state, rung):
        return self.target[rung] * state["share"]

    def shows(self, rng, who, state, rung, day):
        order = some_sets(rng, len(rung), 2, 4)
        form = np.exp(0.1 * rng.standard_normal(len(rung)))[:, None]
        each = np.exp(0.12 * rng.standard_normal(order.shape)) - 0.05 * order
        value = self.usual(who, state, rung)[:, None] * form * np.maximum(each, 0.0)
        return Shown.plain(np.floor(value + 0.5), clean_ones(rng, order.shape, 0.92))
