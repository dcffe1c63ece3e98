"""What could be known at best: forecasts by brute force, told the law and all its constants.

For one athlete, thousands of invented people are drawn from the world's population and marched
through the same dates. Told are the law, its constants, how traits are spread, and the athlete's
own usual rate of training; not told are pace, level, stalls and layoffs. Each logged day weighs
the people by the chance of its sets (a particle filter; kernel smoothing of traits and levels
after Liu and West 2001, doi:10.1007/978-1-4757-3437-9_10). At the cut they train on, by the
literal rule.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd

from alien.club import FIRST_DAY, World, passes, put, take
from alien.law import Array, Law, People
from alien.likelihoods import LIKELIHOODS

KEEP = 0.99
"""Share of a trait kept at a resampling; the rest is drawn anew around the mean."""

LEVELS = ("seconds", "log", "root", "share")
NOT_TRAITS = ("rate",)


def informed_curves(
    world: World, asked: pd.DataFrame, *, weeks: int, people: int = 3000, seed: int = 0
) -> dict[tuple[str, str], Array]:
    """Return the chance of clearing by week 1 to ``weeks`` for each ``athlete, rung`` asked.

    Parameters
    ----------
    world
        One of ``LIKELIHOODS``.
    asked
        ``athlete, rung`` open at the cut.
    weeks
        Weeks ahead.
    people
        How many invented people stand for one athlete; half as many train on.
    seed
        Seed of everything drawn.
    """
    place = {mark.key: i for i, mark in enumerate(world.law.marks)}
    spells = world.spells.assign(place=world.spells["rung"].map(place))
    known = world.sets[world.sets["date"] < world.cut]
    curves = {}
    for number, case in enumerate(asked.itertuples()):
        rng = np.random.default_rng([seed, world.seed, number])
        own = spells[spells["athlete"] == case.athlete]
        sets = known[known["athlete"] == case.athlete]
        athlete = world.athletes[world.athletes["athlete"] == case.athlete].iloc[0]
        past = Past(world, athlete, own, sets, rng, people)
        curves[case.athlete, case.rung] = past.ahead(place[case.rung], weeks, people // 2)
    return curves


class Past:
    """The invented people who stand for one athlete, marched to the cut."""

    def __init__(
        self,
        world: World,
        athlete: pd.Series,
        spells: pd.DataFrame,
        sets: pd.DataFrame,
        rng: np.random.Generator,
        n: int,
    ) -> None:
        self.rng, self.law, self.n = rng, world.law, n
        self.likelihood = LIKELIHOODS[world.name]
        self.cut = (world.cut - FIRST_DAY).days
        first = (athlete["joined"] - FIRST_DAY).days
        self.who = self.law.people(rng, n)
        self.who["rate"] = np.full(n, athlete["rate"])
        rung = int(spells.sort_values("start")["place"].iloc[0])
        self.state = self.law.clocks(n) | self.law.enter(rng, self.who, np.full(n, rung))
        self.weight = np.zeros(n)
        cleared = {(d - FIRST_DAY).days for d in spells["cleared"].dropna() if d < world.cut}
        by_day = {(date - FIRST_DAY).days: own for date, own in sets.groupby("date")}
        layoffs = drawn_layoffs(rng, self.law, athlete["rate"], first, sorted(by_day), self.cut, n)
        self.run = 0
        for day in range(first, self.cut):
            for start, until in layoffs.get(day, ()):
                self.state["away_until"] = np.where(start, until, self.state["away_until"])
            self._day(day, rung, by_day.get(day))
            if day in cleared:
                rung += 1
                self.run = 0
                self.state |= self.law.enter(rng, self.who, np.full(n, rung))
        self._resample(always=True)

    def _day(self, day: int, rung: int, sets: pd.DataFrame | None) -> None:
        came, on = np.full(self.n, sets is not None), np.full(self.n, rung)
        moving = self.law.moves(self.rng, self.who, self.state, came, day)
        self.law.live(self.rng, self.who, self.state, on, came, moving, day)
        if sets is None:
            return
        value, order = sets["value"].to_numpy(float), sets["set"].to_numpy(float) - 1.0
        self.weight += self.likelihood(self.law, self.who, self.state, rung, day, value, order)
        self.weight -= self.weight.max()
        good = (sets["clean"] == "yes") & (value >= self.law.target[rung])
        self.run = self.run + 1 if good.any() else 0
        self._resample()

    def _resample(self, always: bool = False) -> None:
        """Keep people by their weight once few carry it, and smooth what stays fixed."""
        share = np.exp(self.weight - self.weight.max())
        share /= share.sum()
        if not always and 1.0 / np.sum(share**2) > self.n / 2:
            return
        steps = (np.arange(self.n) + self.rng.random()) / self.n
        kept = np.minimum(np.searchsorted(np.cumsum(share), steps), self.n - 1)
        self.who, self.state = take(self.who, kept), take(self.state, kept)
        self.weight = np.zeros(self.n)
        traits = [name for name in self.who if name not in NOT_TRAITS]
        level = next(name for name in LEVELS if name in self.state)
        fixed = np.column_stack([*(np.log(self.who[t]) for t in traits), self.state[level]])
        spread = np.atleast_2d(np.cov(fixed, rowvar=False))
        root = np.linalg.cholesky(spread + 1e-12 * np.eye(len(spread)))
        shaken = self.rng.standard_normal(fixed.shape) @ root.T
        middle = fixed.mean(axis=0)
        fixed = middle + KEEP * (fixed - middle) + np.sqrt(1.0 - KEEP**2) * shaken
        for column, name in enumerate(traits):
            self.who[name] = np.exp(fixed[:, column])
        self.state[level] = fixed[:, -1]

    def ahead(self, rung: int, weeks: int, n: int) -> Array:
        """Let ``n`` of them train on; return the share that has cleared by each week."""
        pick = self.rng.permutation(self.n)[:n]
        who, state = take(self.who, pick), take(self.state, pick)
        run, done = np.full(n, self.run), np.full(n, np.inf)
        for day in range(self.cut, self.cut + 7 * weeks + 1):
            here = np.flatnonzero(np.isinf(done))
            if not here.size:
                break
            one, now, on = take(who, here), take(state, here), np.full(len(here), rung)
            came = self.law.comes(self.rng, one, now, day)
            moving = self.law.moves(self.rng, one, now, came, day)
            self.law.live(self.rng, one, now, on, came, moving, day)
            put(state, here, now)
            if came.any():
                done[self._clear(one, now, here, came, rung, run, day)] = day - self.cut
        return np.array([(done <= 7 * week).mean() for week in range(1, weeks + 1)])

    def _clear(
        self, who: People, state: People, here: Array, came: Array, rung: int, run: Array, day: int
    ) -> Array:
        at, on = here[came], np.full(int(came.sum()), rung)
        shown = self.law.shows(self.rng, take(who, came), take(state, came), on, day)
        return at[passes(shown, self.law, on, run, at)]


def drawn_layoffs(
    rng: np.random.Generator, law: Law, rate: float, first: int, days: list[int], cut: int, n: int
) -> dict[int, list[tuple[Array, Array]]]:
    """Draw, for each of ``n`` people, the layoffs behind the days without training.

    Attendance does not depend on strength, so that dates alone say what layoffs are likely: for
    each stretch without training every start and length is weighed by the rule of ``Law.comes``,
    at most one layoff a stretch. Returns, by starting day, who is away and until when.
    """
    found: dict[int, list[tuple[Array, Array]]] = {}
    edges = [first - 1, *days, cut]
    low, high = law.layoff_days
    length = np.arange(low, high + 1)
    begins, idle = law.layoff_chance / 7, np.log1p(-rate / 7)
    for before, after in pairwise(edges):
        gap, open_ended = after - before - 1, after == cut
        if gap < (1 if open_ended else low):
            continue
        start = np.arange(gap)
        away = np.minimum(length[None, :], gap - start[:, None])
        fits = open_ended | (start[:, None] + length[None, :] <= gap)
        log = np.log(begins / len(length)) + (gap - away) * idle + away * -np.log1p(-begins)
        log = np.r_[gap * idle, np.where(fits, log, -np.inf).ravel()]
        chance = np.exp(log - log.max())
        pick = rng.choice(len(chance), n, p=chance / chance.sum()) - 1
        at, long = np.divmod(np.maximum(pick, 0), len(length))
        for s in np.unique(at[pick >= 0]):
            day = before + 1 + int(s)
            who = (pick >= 0) & (at == s)
            found.setdefault(day, []).append((who, day + length[long]))
    return found
