"""Seven clubs written from a sentence each, and frozen before the engine was changed for them.

They share how a club's life looks in its log, and nothing else: favourite weekdays, keenness that
wanders, busy months, layoffs, people who leave; long stretches without gain and some of loss;
people who never get better; days that resemble the day before, and wild ones; unclean sets, the
more so the harder the try; bands far below the mark; rounding by habit; sessions nobody wrote
down. What a person brings to the next rung is half of what was to spare on the last.
"""

from __future__ import annotations

import numpy as np

from alien.law import CHOICE, FAILED, NOT_NOTED, TARGET, Law, Mark, Shown, some_sets

YEAR_DAYS = 365


class Habits(Law):
    """What the seven clubs share; each says how it gains (log a week) and what it shows."""

    stalls_a_year, stall_days = 0.8, (42, 200)
    slips_a_year, slip_days, slip_loss = 0.25, (35, 90), (0.008, 0.025)
    never_better, leavers, stays_sessions = 0.1, 0.2, 70.0
    unwritten, wild_days = 0.05, 0.04
    day_sd, set_sd, tired = 0.09, 0.08, 0.04
    start, rung_sd = (-0.85, 0.3), 0.15
    fade = 0.015  # a week away

    def __init__(self, rng):
        super().__init__(rng)
        self.ease = rng.normal(0.0, 0.15, len(self.marks))

    def people(self, rng, n):
        stuck = rng.random(n) < self.never_better
        leaves = rng.random(n) < self.leavers
        stays = 4 + rng.geometric(1.0 / self.stays_sessions, n)
        return {
            "rate": rng.uniform(1.0, 3.2, n),
            "keen": np.where(stuck, 0.0, rng.gamma(2.2, 1 / 2.2, n)),
            "starts": rng.normal(*self.start, n),
            "leaves_after": np.where(leaves, stays, 10**6),
            "favourite": rng.integers(0, 7, n),
            "sloppy": rng.beta(1.5, 14.0, n),
            "scatter": np.exp(rng.normal(0.0, 0.3, n)),
            "rounds": rng.random(n) < 0.25,
            "notes_stop": rng.random(n) < 0.7,
        }

    def clocks(self, n):
        more = ("mood", "busy_until", "slip_until", "slip_loss", "form", "form_day")
        return super().clocks(n) | {name: np.zeros(n) for name in more}

    def enter(self, rng, who, rung):
        noise = self.rung_sd * rng.standard_normal(len(rung))
        return {"log": np.maximum(who["starts"] + self.ease[rung] + noise, -2.5)}

    def go_on(self, rng, who, state, rung):
        new = self.enter(rng, who, rung)
        return new | {"log": np.minimum(new["log"] + 0.5 * state["log"], 0.3)}

    def comes(self, rng, who, state, day):
        n = len(who["rate"])
        super().comes(rng, who, state, day)
        state["mood"] = 0.985 * state["mood"] + 0.07 * rng.standard_normal(n)
        busy = (state["busy_until"] <= day) & (rng.random(n) < 1.3 / YEAR_DAYS)
        state["busy_until"] = np.where(busy, day + rng.integers(14, 50, n), state["busy_until"])
        weekday = np.isin((day - who["favourite"]) % 7, (0, 2, 4))
        chance = who["rate"] / 7 * np.where(weekday, 1.7, 0.475) * np.exp(state["mood"])
        chance = chance * np.where(state["busy_until"] > day, 0.3, 1.0)
        return (state["away_until"] <= day) & (rng.random(n) < np.minimum(chance, 0.97))

    def moves(self, rng, who, state, came, day):
        n = len(came)
        new = (state["slip_until"] <= day) & (rng.random(n) < self.slips_a_year / YEAR_DAYS)
        until = day + rng.integers(*self.slip_days, n)
        state["slip_until"] = np.where(new, until, state["slip_until"])
        state["slip_loss"] = np.where(new, rng.uniform(*self.slip_loss, n), state["slip_loss"])
        steady = super().moves(rng, who, state, came, day)
        return steady & (state["slip_until"] <= day) & (who["keen"] > 0)

    def live(self, rng, who, state, rung, came, moving, day):
        away = state["away_until"] > day
        gain = np.where(moving & ~away, self.gain(who, state, rung, came, day), 0.0)
        loss = np.where(state["slip_until"] > day, state["slip_loss"], 0.0)
        loss = np.where(away, self.fade, loss)
        state["log"] = np.maximum(state["log"] + (gain - loss) / 7, -3.0)

    def gain(self, who, state, rung, came, day):
        """Return the gain of the log level a week, while moving."""
        raise NotImplementedError

    def usual(self, who, state, rung):
        return self.target[rung] * np.exp(state["log"])

    def day_form(self, rng, who, state, day):
        """Draw the day: like the session before if that was near, now and then a wild one."""
        n = len(who["rate"])
        like = np.exp(-(day - state["form_day"]) / 6.0)
        fresh = np.sqrt(1.0 - like**2) * self.day_sd * who["scatter"] * rng.standard_normal(n)
        state["form"], state["form_day"] = like * state["form"] + fresh, np.full(n, float(day))
        wild = rng.random(n) < self.wild_days
        return state["form"] - np.where(wild, rng.exponential(0.3, n), 0.0)

    def tries(self, rng, who, state, rung, day, least, most):
        """Draw what each set of the day would come to if taken to failure, (n, most)."""
        order = some_sets(rng, len(rung), least, most)
        noise = self.set_sd * rng.standard_normal(order.shape) - self.tired * order
        noise += self.day_form(rng, who, state, day)[:, None]
        return self.usual(who, state, rung)[:, None] * np.exp(noise)

    def noted(self, rng, who, state, rung, value, stopped, effort=1.0):
        """Write sets down as this club does; ``effort``: share of what was possible."""
        shape, target = value.shape, self.target[rung][:, None]
        seconds = np.array([mark.measure == "seconds" for mark in self.marks])[rung][:, None]
        by_five = seconds & who["rounds"][:, None] & (target >= 20)
        far = self.usual(who, state, rung)[:, None] < 0.5 * target
        banded = far & (rng.random(shape) < 0.3)
        value = value * np.where(banded, 1.4, 1.0)
        written = np.where(by_five, 5.0 * np.floor(value / 5.0 + 0.5), np.floor(value + 0.15))
        sloppy = who["sloppy"][:, None] * np.where(np.broadcast_to(effort, shape) > 0.9, 1.5, 0.5)
        shown = Shown.plain(written, rng.random(shape) >= sloppy)
        shown.banded = banded & shown.logged
        notes = np.broadcast_to(who["notes_stop"][:, None], shape)
        shown.stopped = np.where(notes, stopped, NOT_NOTED)
        whole = rng.random(shape[0]) < self.unwritten
        one = rng.random(shape) < self.unwritten
        shown.logged = shown.logged & ~whole[:, None] & ~one
        return shown


class Reserve(Habits):
    """A coach who never lets a set fail: each is stopped by choice with a tenth to a third left.

    Stopped at the mark once it is reached. Everybody nears a roof of their own, which for two in
    five lies below what the mark takes; they stand there for good, and the log looks as if they
    could always do more.
    """

    name = "reserve"
    marks = (
        Mark("wall", "seconds", 30), Mark("rows", "reps", 10), Mark("tuck", "seconds", 15, 2),
        Mark("dips", "reps", 12), Mark("lever", "seconds", 20), Mark("pulls", "reps", 8, 2),
        Mark("free", "seconds", 40),
    )  # fmt: skip

    def people(self, rng, n):
        return super().people(rng, n) | {
            "roof": rng.normal(0.06, 0.25, n),
            "kept": rng.uniform(0.1, 0.33, n),
        }

    def gain(self, who, state, rung, came, day):
        room = np.maximum(who["roof"] - state["log"], 0.0)
        return 0.045 * who["keen"] * self.rung_pace[rung] * room

    def shows(self, rng, who, state, rung, day):
        # The level is what is shown with the usual reserve; how much is kept back varies by set.
        tries = self.tries(rng, who, state, rung, day, 2, 4)
        kept = np.exp(0.07 * rng.standard_normal(tries.shape))
        failed = rng.random(tries.shape) < 0.02
        value = tries * np.where(failed, 1.0 + 0.5 * who["kept"][:, None], np.minimum(kept, 1.15))
        target = self.target[rung][:, None]
        at_mark = np.isfinite(value) & (value >= target)
        stopped = np.where(at_mark, TARGET, np.where(failed, FAILED, CHOICE))
        value = np.where(at_mark, target, value)
        return self.noted(rng, who, state, rung, value, stopped, effort=0.8)


class Periodised(Habits):
    """Blocks of four to six weeks: easy days at half to four fifths, then a week of tests.

    On easy days there are four to six short sets, planned from the last test and stopped there;
    in the week of tests one or two, to failure. Nothing in the log says which was which but what
    was tried, and why it ended where that is noted.
    """

    name = "periodised"
    marks = (
        Mark("wall", "seconds", 40), Mark("pulls", "reps", 10), Mark("tuck", "seconds", 20),
        Mark("dips", "reps", 15), Mark("lever", "seconds", 15), Mark("pistols", "reps", 8),
        Mark("free", "seconds", 30),
    )  # fmt: skip

    def people(self, rng, n):
        return super().people(rng, n) | {
            "block": rng.integers(4, 7, n) * 7,
            "offset": rng.integers(0, 42, n),
            "easy": rng.uniform(0.55, 0.75, n),
        }

    def clocks(self, n):
        return super().clocks(n) | {"planned": np.full(n, np.nan)}

    def enter(self, rng, who, rung):
        return super().enter(rng, who, rung) | {"planned": np.full(len(rung), np.nan)}

    def tests(self, who, day):
        """Say whose week of tests it is."""
        return (day + who["offset"]) % who["block"] >= who["block"] - 7

    def gain(self, who, state, rung, came, day):
        slows = np.exp(-1.5 * np.maximum(state["log"] + 0.1, 0.0))
        easy_or_test = np.where(self.tests(who, day), 0.3, 1.0)
        return 0.03 * who["keen"] * self.rung_pace[rung] * slows * easy_or_test

    def shows(self, rng, who, state, rung, day):
        tries = self.tries(rng, who, state, rung, day, 4, 6)
        test = self.tests(who, day)[:, None]
        beyond = np.arange(tries.shape[1]) >= rng.integers(1, 3, len(rung))[:, None]
        tries = np.where(test & beyond, np.nan, tries)
        best = np.nanmax(tries, axis=1)
        new = test[:, 0] | np.isnan(state["planned"])
        state["planned"] = np.where(new, best, state["planned"])
        share = who["easy"] + 0.05 * rng.integers(-1, 2, len(rung))
        plan = np.maximum(np.floor(state["planned"] * share), 1.0)[:, None]
        value = np.where(test, tries, np.minimum(plan, tries))
        stopped = np.where(test | (tries < plan), FAILED, CHOICE)
        effort = np.where(test, 1.0, 0.6)
        return self.noted(rng, who, state, rung, value, stopped, effort)


class Insight(Habits):
    """Nothing for weeks, then it clicks: a jump at a session, none before or after.

    What clicked is partly forgotten after ten days without training, and comes back within a few
    sessions.
    """

    name = "insight"
    never_better, slips_a_year = 0.05, 0.1
    marks = (
        Mark("balance", "seconds", 20), Mark("kip", "reps", 5), Mark("free", "seconds", 10, 2),
        Mark("turn", "reps", 3), Mark("press", "reps", 5), Mark("walk", "seconds", 30),
    )  # fmt: skip
    keeps, forgets_after, a_day = 0.45, 10, 0.04

    def people(self, rng, n):
        return super().people(rng, n) | {"clicks": rng.beta(3.0, 45.0, n)}

    def clocks(self, n):
        more = ("insight", "idle", "jump", "recalls")
        return super().clocks(n) | {name: np.zeros(n) for name in more} | {"memory": np.ones(n)}

    def enter(self, rng, who, rung):
        return super().enter(rng, who, rung) | {"insight": np.zeros(len(rung))}

    def go_on(self, rng, who, state, rung):
        new = self.enter(rng, who, rung)
        shown = state["log"] + state["memory"] * state["insight"]
        return new | {"log": np.minimum(new["log"] + 0.5 * shown, 0.3)}

    def moves(self, rng, who, state, came, day):
        able = super().moves(rng, who, state, came, day) & came
        jumps = able & (rng.random(len(came)) < who["clicks"])
        state["jump"] = np.where(jumps, rng.gamma(3.0, 0.11, len(came)), 0.0)
        state["recalls"] = came & (state["memory"] < 0.97)
        return jumps | (state["recalls"] > 0)

    def live(self, rng, who, state, rung, came, moving, day):
        state["insight"] = state["insight"] + state["jump"] * self.rung_pace[rung]
        state["idle"] = np.where(came, 0.0, state["idle"] + 1.0)
        lost = np.where(state["idle"] > self.forgets_after, self.a_day, 0.0)
        memory = self.keeps + (state["memory"] - self.keeps) * (1.0 - lost)
        state["memory"] = np.where(came, memory + 0.35 * (1.0 - memory), memory)
        loss = np.where(state["slip_until"] > day, state["slip_loss"], 0.0)
        state["log"] = np.maximum(state["log"] - loss / 7, -3.0)

    def usual(self, who, state, rung):
        return self.target[rung] * np.exp(state["log"] + state["memory"] * state["insight"])

    def shows(self, rng, who, state, rung, day):
        tries = self.tries(rng, who, state, rung, day, 2, 5)
        return self.noted(rng, who, state, rung, tries, FAILED)


class SchoolYears(Habits):
    """Children of 8 to 16: terms, short holidays, summers off, and growth.

    Strength comes with age, most of all around a growth spurt; while the body grows fastest,
    what is hard to balance slips back for some months. In summer nearly all stay away for two
    months and lose some of it.
    """

    name = "school_years"
    layoff_chance, leavers = 0.008, 0.25
    marks = (
        Mark("hang", "seconds", 30), Mark("rows", "reps", 8), Mark("wall", "seconds", 20),
        Mark("chins", "reps", 3), Mark("tuck", "seconds", 10, 2), Mark("free", "seconds", 8),
        Mark("pulls", "reps", 5), Mark("dips", "reps", 8),
    )  # fmt: skip
    holidays = ((45, 52, 0.5), (95, 109, 0.7), (182, 245, 0.92), (298, 305, 0.5), (355, 371, 0.85))
    """First and last day of the year, and the share who stay away."""

    def people(self, rng, n):
        return super().people(rng, n) | {
            "rate": rng.uniform(0.9, 2.4, n),
            "age": rng.uniform(8.0, 15.0, n),
            "spurt": rng.normal(12.8, 1.1, n),
            "clumsy": rng.uniform(0.0, 0.012, n),
        }

    def comes(self, rng, who, state, day):
        n = len(who["rate"])
        for first, last, share in self.holidays:
            if day % YEAR_DAYS == first:
                goes = rng.random(n) < share
                until = day + last - first + rng.integers(-4, 8, n)
                state["away_until"] = np.where(goes, until, state["away_until"])
        return super().comes(rng, who, state, day)

    def spurting(self, who, day):
        """Return how near a child is to the fastest growth, 0 to 1."""
        age = who["age"] + day / YEAR_DAYS
        return np.exp(-0.5 * ((age - who["spurt"]) / 0.5) ** 2)

    def gain(self, who, state, rung, came, day):
        young = 1.0 + 0.8 * self.spurting(who, day - 180)
        return 0.026 * who["keen"] * self.rung_pace[rung] * young

    def live(self, rng, who, state, rung, came, moving, day):
        super().live(rng, who, state, rung, came, moving, day)
        state["log"] = state["log"] + (0.002 - who["clumsy"] * self.spurting(who, day)) / 7

    def shows(self, rng, who, state, rung, day):
        tries = self.tries(rng, who, state, rung, day, 1, 4)
        target = self.target[rung][:, None]
        stops = np.isfinite(tries) & (tries >= target) & (rng.random(tries.shape) < 0.5)
        value = np.where(stops, target, tries)
        stopped = np.where(stops, TARGET, FAILED)
        return self.noted(rng, who, state, rung, value, stopped)


class Returners(Habits):
    """People who were away for months: fast back to what was before, then slowly on.

    Half join like that; later everybody goes again, about once in fourteen months. What was lost
    comes back by an eighth a session; what was never there comes at one or two per cent a week.
    """

    name = "returners"
    start = (-0.55, 0.25)
    marks = (
        Mark("wall", "seconds", 45), Mark("dips", "reps", 15), Mark("tuck", "seconds", 20),
        Mark("pulls", "reps", 10, 2), Mark("lever", "seconds", 15), Mark("free", "seconds", 30),
        Mark("presses", "reps", 5),
    )  # fmt: skip
    gone_a_year, gone_days, regain, most_lost = 0.85, (60, 200), 0.12, 0.9

    def people(self, rng, n):
        before = np.where(rng.random(n) < 0.5, rng.uniform(0.25, self.most_lost, n), 0.0)
        return super().people(rng, n) | {"before": before}

    def clocks(self, n):
        return super().clocks(n) | {"lost": np.full(n, np.nan), "regains": np.zeros(n)}

    def go_on(self, rng, who, state, rung):
        new = self.enter(rng, who, rung)
        return new | {"log": np.minimum(new["log"] + 0.5 * state["log"], 0.3)}

    def comes(self, rng, who, state, day):
        n = len(who["rate"])
        state["lost"] = np.where(np.isnan(state["lost"]), who["before"], state["lost"])
        goes = (state["away_until"] <= day) & (rng.random(n) < self.gone_a_year / YEAR_DAYS)
        until = day + rng.integers(*self.gone_days, n)
        state["away_until"] = np.where(goes, until, state["away_until"])
        return super().comes(rng, who, state, day)

    def moves(self, rng, who, state, came, day):
        regains = came & (state["lost"] > 0.03)
        return super().moves(rng, who, state, came, day) | regains

    def live(self, rng, who, state, rung, came, moving, day):
        away = state["away_until"] > day
        more = np.minimum(state["lost"] + 0.035 / 7, self.most_lost)
        back = state["lost"] * np.where(came, 1.0 - self.regain, 1.0)
        state["lost"] = np.where(away & (state["lost"] < self.most_lost), more, back)
        steady = (state["stall_until"] <= day) & (state["slip_until"] <= day) & ~away
        gain = np.where(steady, 0.017 * who["keen"] * self.rung_pace[rung], 0.0)
        loss = np.where((state["slip_until"] > day) & ~away, state["slip_loss"], 0.0)
        state["log"] = np.maximum(state["log"] + (gain - loss) / 7, -3.0)

    def usual(self, who, state, rung):
        lost = np.where(np.isnan(state["lost"]), who["before"], state["lost"])
        return self.target[rung] * np.exp(state["log"] - lost)

    def shows(self, rng, who, state, rung, day):
        tries = self.tries(rng, who, state, rung, day, 2, 4)
        return self.noted(rng, who, state, rung, tries, FAILED)


class Sparse(Habits):
    """One or two sessions a month are written down, of people who train on their own between.

    Progress goes by the calendar. Rungs take a few sessions at most to leave a trace, and some
    have not been tried at all when somebody asks.
    """

    name = "sparse"
    layoff_chance, stays_sessions, wild_days = 0.006, 25.0, 0.06
    start = (-0.7, 0.3)
    marks = (
        Mark("wall", "seconds", 30), Mark("rows", "reps", 12), Mark("tuck", "seconds", 15),
        Mark("dips", "reps", 10), Mark("pulls", "reps", 6), Mark("lever", "seconds", 12),
        Mark("free", "seconds", 20), Mark("presses", "reps", 4), Mark("bar", "seconds", 60),
    )  # fmt: skip

    def people(self, rng, n):
        return super().people(rng, n) | {"rate": rng.uniform(0.2, 0.55, n)}

    def gain(self, who, state, rung, came, day):
        slows = np.exp(-np.maximum(state["log"], 0.0))
        return 0.026 * who["keen"] * self.rung_pace[rung] * slows

    def shows(self, rng, who, state, rung, day):
        tries = self.tries(rng, who, state, rung, day, 1, 4)
        return self.noted(rng, who, state, rung, tries, FAILED)


class Loads(Habits):
    """Loads that grow before the mark counts: repetitions count at the rung's load only.

    Everybody begins lighter and goes up by 2.5 kg after two sessions of the mark's repetitions at
    a load, down by a tenth after three that fell short by a third. Strength gains some per mille
    a week; repetitions go with the seventh power of strength over load.
    """

    name = "loads"
    marks = (
        Mark("press_30", "reps", 5, load=30), Mark("front_50", "reps", 6, load=50),
        Mark("press_40", "reps", 5, load=40), Mark("front_70", "reps", 5, 2, load=70),
        Mark("press_50", "reps", 4, load=50), Mark("front_90", "reps", 3, load=90),
    )  # fmt: skip
    power, step = 7.0, 2.5
    start, day_sd, set_sd = (-1.6, 0.5), 0.13, 0.09

    def enter(self, rng, who, rung):
        new = super().enter(rng, who, rung)
        heavy = self.load[rung] * np.exp((new["log"] - 0.15) / self.power)
        on_bar = self.step * np.floor(heavy / self.step)
        return new | {"on_bar": on_bar, "good": np.zeros(len(rung)), "bad": np.zeros(len(rung))}

    def gain(self, who, state, rung, came, day):
        slows = np.exp(-0.8 * np.maximum(state["log"] + 0.3, 0.0))
        return 0.035 * who["keen"] * self.rung_pace[rung] * slows

    def shows(self, rng, who, state, rung, day):
        target = self.target[rung]
        tries = self.tries(rng, who, state, rung, day, 3, 5)
        on_bar = np.clip(state["on_bar"], 5.0, self.load[rung])
        # Now and then a look at the rung's own load once it is near.
        near = (on_bar > 0.9 * self.load[rung]) & (rng.random(len(rung)) < 0.12)
        on_bar = np.where(near, self.load[rung], on_bar)
        reps = tries * ((self.load[rung] / on_bar) ** self.power)[:, None]
        stops = np.isfinite(reps) & (reps >= target[:, None] + rng.integers(0, 4, reps.shape))
        value = np.where(stops, np.minimum(reps, target[:, None] + 2.0), reps)
        stopped = np.where(stops, TARGET, FAILED)
        shown = self.noted(rng, who, state, rung, value, stopped)
        shown.banded[:] = False
        shown.load = np.broadcast_to(on_bar[:, None], value.shape).copy()
        self._next_load(state, np.nanmax(reps, axis=1), target, near, self.load[rung])
        return shown

    def _next_load(self, state, best, target, near, most):
        good = np.where(best >= target, state["good"] + 1, 0.0)
        bad = np.where(best < 0.67 * target, state["bad"] + 1, 0.0)
        up, down = (good >= 2) & ~near, (bad >= 3) & ~near
        on_bar = state["on_bar"] + np.where(up, self.step, 0.0)
        lighter = self.step * np.floor(0.9 * on_bar / self.step)
        on_bar = np.clip(np.where(down, lighter, on_bar), 5.0, most)
        state["on_bar"] = np.where(near, state["on_bar"], on_bar)
        state["good"] = np.where(up, 0.0, np.where(near, state["good"], good))
        state["bad"] = np.where(down, 0.0, np.where(near, state["bad"], bad))
