"""Six clubs of November 2026, used for development since."""

from __future__ import annotations

import numpy as np

from alien.law import Law, Mark, Shown, clean_ones, some_sets


class AdditiveSeconds(Law):
    """Progress and noise in plain seconds: no per cent anywhere.

    Every second gained costs the same, the best day is as many seconds above the usual one for a
    beginner as for the strong, and a layoff takes seconds away.
    """

    name = "additive_seconds"
    marks = (
        Mark("wall", "seconds", 20), Mark("chest", "seconds", 30, 2), Mark("tuck", "seconds", 15),
        Mark("frog", "seconds", 40), Mark("lever", "seconds", 25, 2), Mark("bar", "seconds", 45),
        Mark("free", "seconds", 60),
    )  # fmt: skip
    wander, day_sd, set_sd, tired, loss = 0.3, 1.8, 2.2, 1.0, 0.5

    def people(self, rng, n):
        return {"rate": rng.uniform(1.2, 3.2, n), "pace": rng.gamma(2.5, 0.22, n)}

    def enter(self, rng, who, rung):
        return {"seconds": self.target[rung] - rng.uniform(7.0, 22.0, len(rung))}

    def live(self, rng, who, state, rung, came, moving, day):
        gain = np.where(moving, who["pace"] * self.rung_pace[rung], 0.0)
        gain = np.where(state["away_until"] > day, -self.loss, gain)
        shake = self.wander / np.sqrt(7) * rng.standard_normal(len(rung))
        state["seconds"] = state["seconds"] + gain / 7 + np.where(moving, shake, 0.0)

    def usual(self, who, state, rung):
        return state["seconds"]

    def shows(self, rng, who, state, rung, day):
        order = some_sets(rng, len(rung), 2, 4)
        middle = state["seconds"] + self.day_sd * rng.standard_normal(len(rung))
        noise = self.set_sd * rng.standard_normal(order.shape)
        value = np.maximum(np.floor(middle[:, None] - self.tired * order + noise + 0.5), 0.0)
        return Shown.plain(value, clean_ones(rng, order.shape, 0.92))


class HeavyDays(Law):
    """Days with heavy tails: t with 3 degrees of freedom and scale 0.12 on the log scale.

    Few sessions, 1 to 3 sets with sd 0.15, holds written to 5 s, many layoffs of 10 to 42 days
    (4 % a week), in which strength is lost.
    """

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


class BestOnly(Law):
    """The coach writes down one set a day: the best that counts, else the best of all.

    Repetitions approach a ceiling of the athlete's own, which for some lies below the mark; every
    session moves a share of the way.
    """

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


class SuccessesOnly(Law):
    """Only successes are logged: sets that came to 60 % of the mark; one miss in ten slips in.

    Capacity follows an S curve in practice: slow, fast, slow. A beginner's first weeks leave
    hardly a trace in the log.
    """

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


class CoarseHolds(Law):
    """Holds written down to 5 s, one or two sets a day.

    The root of the hold grows evenly, so that seconds come faster the longer the hold already is.
    """

    name = "coarse_holds"
    marks = (
        Mark("wall", "seconds", 20), Mark("chest", "seconds", 30), Mark("frog", "seconds", 45, 2),
        Mark("tuck", "seconds", 20), Mark("lever", "seconds", 30), Mark("bar", "seconds", 60),
        Mark("free", "seconds", 40, 2),
    )  # fmt: skip
    unit, day_sd, set_sd, loss = 5.0, 0.13, 0.12, 0.015

    def people(self, rng, n):
        return {"rate": rng.uniform(1.0, 2.5, n), "pace": rng.gamma(3.0, 0.0055, n)}

    def enter(self, rng, who, rung):
        return {"root": rng.uniform(0.35, 0.65, len(rung))}

    def live(self, rng, who, state, rung, came, moving, day):
        gain = np.where(moving, who["pace"] * self.rung_pace[rung], 0.0)
        change = np.where(state["away_until"] > day, -self.loss, gain) / 7
        state["root"] = np.maximum(state["root"] + change, 0.1)

    def usual(self, who, state, rung):
        return self.target[rung] * state["root"] ** 2

    def shows(self, rng, who, state, rung, day):
        order = some_sets(rng, len(rung), 1, 2)
        noise = self.set_sd * rng.standard_normal(order.shape)
        noise += self.day_sd * rng.standard_normal(len(rung))[:, None] - 0.05 * order
        true = self.usual(who, state, rung)[:, None] * np.exp(noise)
        value = self.unit * np.floor(true / self.unit)
        return Shown.plain(value, clean_ones(rng, order.shape, 0.92))


class OffSeasons(Law):
    """Nearly everybody is away 8 to 14 weeks every year, at about the same time.

    Some strength goes and comes back quickly; below, capacity nears its limit evenly on a log
    scale.
    """

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
