"""Six more clubs of November 2026; held back for one last run, and looked at since."""

from __future__ import annotations

import numpy as np

from alien.law import CHOICE, FAILED, TARGET, Law, Mark, Shown, clean_ones, some_sets


class SetBacks(Law):
    """Injuries: about every second year 20 to 50 % of the level goes at once and comes back slowly.

    Pain is noted for some weeks. The athlete rests up to three weeks, then trains on.
    """

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


class StricterCoach(Law):
    """From one day on the same performance is called unclean twice as often, and stopped earlier.

    Nothing about the athletes changes on that day: only the eye that watches them.
    """

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


class Spurts(Law):
    """Growth in spurts: most weeks nothing, then three to five weeks of much.

    Nothing announces a spurt, and the next is no nearer for the wait.
    """

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


class Staircase(Law):
    """Levels that step: a jump now and then at a session, and nothing in between."""

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


class ChangingLaw(Law):
    """A law that changes midway: so many per cent a week up to half the mark, then seconds a week.

    The two rates have nothing to do with one another: who learns fast at first may crawl later.
    """

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


class Mess(Law):
    """Real life: whole repetitions, many sets at a low rung, busy months, bands.

    Some sets are stopped early. One athlete in five never gets better, for life; one in eight
    leaves after three sessions.
    """

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
