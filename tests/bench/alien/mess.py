"""Real life: whole repetitions, many sets at a low rung, busy months, bands, sets stopped early.

One athlete in five never gets better, for life; one in eight leaves after three sessions.
"""

from __future__ import annotations

import numpy as np

from alien.law import CHOICE, FAILED, TARGET, Law, Mark, Shown, clean_ones, some_sets


class Mess(Law):
    """A bit of everything."""

    name = "mess"
    marks = (
        Mark("rows", "reps", 10), Mark("pikes", "reps", 8), Mark("dips", "reps", 12, 2),
        Mark("pulls", "reps", 3), Mark("pistols", "reps", 6), Mark("levers", "reps", 5, 2),
        Mark("climbs", "reps", 8), Mark("presses", "reps", 3),
    )  # fmt: skip
    never_better, three_only = 0.2, 0.12

    def people(self, rng, n):
        stuck = rng.random(n) < self.never_better
        pace = np.exp(rng.normal(np.log(0.016), 0.5, n))
        return {
            "rate": rng.uniform(0.8, 3.5, n),
            "pace": np.where(stuck, 0.0, pace),
            "leaves_after": np.where(rng.random(n) < self.three_only, 3, 10**6),
            "sloppy": rng.uniform(0.02, 0.3, n),
            "stops": rng.uniform(0.0, 0.8, n),
        }

    def clocks(self, n):
        return super().clocks(n) | {"busy_until": np.zeros(n), "easy_until": np.zeros(n)}

    def enter(self, rng, who, rung):
        return {"log": rng.normal(-0.8, 0.3, len(rung))}

    def comes(self, rng, who, state, day):
        n = len(who["rate"])
        new = state["easy_until"] <= day
        busy = day + rng.integers(14, 60, n)
        state["busy_until"] = np.where(new, busy, state["busy_until"])
        state["easy_until"] = np.where(new, busy + rng.integers(30, 120, n), state["easy_until"])
        comes = super().comes(rng, who, state, day)
        return comes & ((state["busy_until"] <= day) | (rng.random(n) < 0.35))

    def moves(self, rng, who, state, came, day):
        return super().moves(rng, who, state, came, day) & (who["pace"] > 0)

    def live(self, rng, who, state, rung, came, moving, day):
        step = np.where(came & moving, who["pace"] * self.rung_pace[rung], 0.0)
        slows = np.exp(-2.0 * np.maximum(state["log"], 0.0))
        fade = np.where(state["away_until"] > day, 0.02 / 7, 0.0)
        state["log"] = np.maximum(state["log"] + step * slows - fade, -3.0)

    def usual(self, who, state, rung):
        return self.target[rung] * np.exp(state["log"])

    def shows(self, rng, who, state, rung, day):
        n = len(rung)
        order = some_sets(rng, n, 3, 8)
        few = (rung > 1)[:, None] & (order >= rng.integers(1, 4, n)[:, None])
        order = np.where(few, np.nan, order)
        usual, target = self.usual(who, state, rung)[:, None], self.target[rung][:, None]
        noise = 0.12 * rng.standard_normal(order.shape) - 0.03 * order
        noise += 0.12 * rng.standard_normal(n)[:, None]
        banded = (usual < 0.6 * target) & (rng.random(order.shape) < 0.4)
        true = usual * np.exp(noise) * np.where(banded, 1.5, 1.0)
        short = rng.random(order.shape) < 0.1
        value = np.floor(true * np.where(short, rng.uniform(0.5, 0.9, order.shape), 1.0))
        at_mark = (value >= target) & (rng.random(order.shape) < who["stops"][:, None])
        clean = clean_ones(rng, order.shape, 1.0 - who["sloppy"][:, None])
        shown = Shown.plain(np.where(at_mark, target + 0.0 * value, value), clean)
        shown.banded = banded & shown.logged
        shown.stopped = np.where(at_mark, TARGET, np.where(short, CHOICE, FAILED))
        return shown
