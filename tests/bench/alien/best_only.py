"""The coach writes down one set a day: the best that counts, else the best of all.

Repetitions approach a ceiling of the athlete's own, which for some lies below the mark; every
session moves a share of the way.
"""

from __future__ import annotations

import numpy as np

from alien.law import Law, Mark, Shown, clean_ones, some_sets


class BestOnly(Law):
    """Diminishing returns by the session; only the day's best set is logged."""

    name = "best_only"
    marks = (
        Mark("rows", "reps", 8), Mark("dips", "reps", 12, 2), Mark("pulls", "reps", 6),
        Mark("pikes", "reps", 10), Mark("pistols", "reps", 8, 2), Mark("levers", "reps", 5),
        Mark("presses", "reps", 15),
    )  # fmt: skip

    def people(self, rng, n):
        return {
            "rate": rng.uniform(1.2, 3.0, n),
            "share": np.exp(rng.normal(np.log(0.013), 0.5, n)),
            "roof": np.exp(rng.normal(0.3, 0.22, n)),
        }

    def enter(self, rng, who, rung):
        return {"done": rng.uniform(0.15, 0.55, len(rung))}

    def live(self, rng, who, state, rung, came, moving, day):
        share = np.minimum(who["share"] * self.rung_pace[rung], 0.5)
        step = np.where(came & moving, share * (who["roof"] - state["done"]), 0.0)
        fade = np.where(state["away_until"] > day, 0.02 / 7 * state["done"], 0.0)
        state["done"] = state["done"] + step - fade

    def usual(self, who, state, rung):
        return self.target[rung] * state["done"]

    def shows(self, rng, who, state, rung, day):
        order = some_sets(rng, len(rung), 3, 5)
        form = np.exp(0.1 * rng.standard_normal(len(rung)))[:, None]
        each = np.exp(0.1 * rng.standard_normal(order.shape)) * (1.0 - 0.06 * order)
        value = np.floor(self.usual(who, state, rung)[:, None] * form * each)
        shown = Shown.plain(value, clean_ones(rng, order.shape, 0.88))
        rank = np.nan_to_num(value, nan=-1.0) + np.where(shown.clean, 1e6, 0.0)
        rank = np.where(shown.logged, rank, -1.0)
        best = np.arange(order.shape[1]) == rank.argmax(axis=1)[:, None]
        shown.logged = shown.logged & best
        return shown
