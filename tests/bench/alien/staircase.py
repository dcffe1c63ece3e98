"""Levels that step: a jump now and then at a session, and nothing in between."""

from __future__ import annotations

import numpy as np

from alien.law import Law, Mark, Shown, clean_ones, some_sets


class Staircase(Law):
    """Jumps at random sessions."""

    name = "staircase"
    marks = (
        Mark("wall", "seconds", 20), Mark("dips", "reps", 10), Mark("tuck", "seconds", 15),
        Mark("pulls", "reps", 8, 2), Mark("lever", "seconds", 12), Mark("free", "seconds", 25),
        Mark("presses", "reps", 6),
    )  # fmt: skip
    day_sd, set_sd, tired = 0.09, 0.1, 0.04

    def people(self, rng, n):
        return {"rate": rng.uniform(1.2, 3.0, n), "chance": rng.beta(4.0, 36.0, n)}

    def clocks(self, n):
        return super().clocks(n) | {"jumps": np.zeros(n, dtype=bool)}

    def enter(self, rng, who, rung):
        return {"log": -rng.uniform(0.5, 1.3, len(rung))}

    def moves(self, rng, who, state, came, day):
        state["jumps"] = came & (rng.random(len(came)) < who["chance"])
        return state["jumps"]

    def live(self, rng, who, state, rung, came, moving, day):
        size = rng.gamma(3.0, 0.05, len(rung)) * self.rung_pace[rung]
        state["log"] = state["log"] + np.where(moving, size, 0.0)

    def usual(self, who, state, rung):
        return self.target[rung] * np.exp(state["log"])

    def shows(self, rng, who, state, rung, day):
        order = some_sets(rng, len(rung), 2, 4)
        noise = self.set_sd * rng.standard_normal(order.shape) - self.tired * order
        noise += self.day_sd * rng.standard_normal(len(rung))[:, None]
        value = np.floor(self.usual(who, state, rung)[:, None] * np.exp(noise))
        return Shown.plain(value, clean_ones(rng, order.shape, 0.9))
