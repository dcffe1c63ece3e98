"""What is known before the first step of a walk, and how each athlete trains."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from forecast.ahead.climbing import Climbing, begun_in_log, carry_regressors, start_times
from forecast.ahead.standing import Plan, Standing, ladder_plan
from forecast.ahead.times import OpenTimes, Times
from forecast.growth import GrowthModel, Tracked
from forecast.growth.filtering import lost_levels
from forecast.growth.habits import Habits, athlete_habits
from forecast.growth.intervals import pass_ratio
from forecast.growth.panel import MEASURES
from forecast.growth.scale import to_latent
from forecast.growth.targets import recent_gaps
from forecast.histories import Histories, day_number
from forecast.histories.attendance import gap_table
from forecast.types import Array, Flags, Ints

LAYOFF_DAYS = 14.0
"""Longer gaps are layoffs: they stay as they are when sessions a week change."""

FINER = 8
"""Entries of a changed gap table for each entry of the usual one."""


@dataclass(frozen=True, slots=True)
class Rhythm:
    """``scale`` (A,) factor on ordinary gaps; ``gain`` (A, P) factor on swing and pace."""

    scale: Array
    gain: Array

    def gaps(self, table: Array, who: Ints) -> Array:
        """Gap table of athletes ``who`` at this rhythm, from their (T, G) usual one.

        Ordinary gaps are scaled, a day being the least there can be. Layoffs stay as long and come
        as often *a week*: with half the days between sessions each session is followed by one half
        as often, or more sessions would bring more layoffs. A finer table, (T, 8 G), holds the
        shares.
        """
        if (self.scale == 1.0).all():
            return table
        scale = self.scale[who][:, None]
        layoff = table > LAYOFF_DAYS
        moved = np.where(layoff, table, np.maximum(table * scale, 1.0))
        share = np.cumsum(np.where(layoff, scale, 1.0), axis=1)
        share /= share[:, -1:]
        levels = (np.arange(FINER * table.shape[1]) + 0.5) / (FINER * table.shape[1])
        place = np.array([np.searchsorted(row, levels) for row in share], dtype=np.int64)
        return np.take_along_axis(moved, place.reshape(len(table), levels.size), axis=1)

    def first_gaps(self, table: Array, wait: Array, who: Ints) -> Array:
        """Days from the last session to the next, from the (T, G) table at the usual rhythm.

        The ``wait`` (T,) days already gone were spent at the usual rhythm, so it alone says
        whether they are a layoff; held against the rhythm asked for, a few ordinary days of rest
        would read as one. Only what is left of an ordinary gap is scaled.
        """
        gone = wait[:, None]
        scaled = gone + (table - gone) * self.scale[who][:, None]
        return np.where(table <= LAYOFF_DAYS, scaled, table)


def usual_rhythm(athletes: int, paths: int) -> Rhythm:
    """Return the rhythm that changes nothing."""
    return Rhythm(np.ones(athletes), np.ones((athletes, paths)))


def weekly_sessions(gaps: Array) -> Array:
    """(T,) sessions a week outside layoffs, from (T, G) gap tables."""
    ordinary = gaps <= LAYOFF_DAYS
    days = np.where(ordinary, gaps, 0.0).sum(axis=1)
    return np.asarray(7.0 * ordinary.sum(axis=1) / np.maximum(days, 1.0))


@dataclass(frozen=True, slots=True)
class Ground:
    """Everything a walk starts from.

    Attributes
    ----------
    model, tracked, histories, climbing
        The growth engine, the log seen through it, the log, what it taught about climbing.
    standing, plan, cut
        Where the athletes stand, the ladder as arrays, the day number of the cut.
    place
        (rows of ``histories.spells``,) place of each spell in the panel, -1 for none.
    margin, own_pace
        By row of ``histories.spells``: margin at clearing less the usual one, and own pace.
    threshold, measure
        (R,) latent pass mark and measure number of each rung not begun.
    gaps, habits, scatter
        (A, G), A rows and (A,): how each athlete trains lately, and how widely sets scatter.
    times
        These athletes' times on rungs begun in the log, but for those under way.
    open_times
        Times so far on rungs under way and begun in the log; ``athlete`` is the place in
        ``standing``, ``days`` (n, 1) up to the cut.
    """

    model: GrowthModel
    tracked: Tracked
    histories: Histories
    climbing: Climbing
    standing: Standing
    plan: Plan
    cut: int
    place: Ints
    margin: Array
    own_pace: Array
    threshold: Array
    measure: Ints
    gaps: Array
    habits: Habits
    scatter: Array
    times: Times
    open_times: OpenTimes


def survey(
    model: GrowthModel,
    tracked: Tracked,
    histories: Histories,
    climbing: Climbing,
    standing: Standing,
    seed: int,
) -> Ground:
    """Gather what is known of the athletes in ``standing``."""
    panel = tracked.panel
    place = np.full(len(histories.spells), -1, dtype=np.int64)
    place[panel.spell_row] = np.arange(panel.n_spells)
    margin, own_pace = carry_regressors(model, tracked, histories)
    mine = [np.flatnonzero(panel.athlete == number) for number in standing.athletes]
    latest = [spells[np.argmax(panel.day[panel.last[spells]])] for spells in mine]
    spell = np.array(latest, dtype=np.int64)
    last = panel.last[spell]
    own = begun_in_log(tracked, histories)
    own = own[np.isin(panel.athlete[own], standing.athletes)]
    still = histories.spells["open"].to_numpy()[panel.spell_row[own]]
    level = tracked.filtered.mean[:, 0]
    criteria = [rung.criterion for rung in histories.ladder.rungs]
    ratios = [pass_ratio(c.target, 1.0, c.measure) for c in criteria]
    return Ground(
        model=model,
        tracked=tracked,
        histories=histories,
        climbing=climbing,
        standing=standing,
        plan=ladder_plan(histories.ladder),
        cut=int(day_number(pd.Series([histories.as_of]))[0]),
        place=place,
        margin=np.nan_to_num(margin - climbing.margin),
        own_pace=own_pace,
        threshold=to_latent(np.asarray(ratios), model.linear),
        measure=np.array([MEASURES.index(c.measure) for c in criteria]),
        gaps=gap_table(recent_gaps(panel, last), model.rhythm),
        habits=athlete_habits(panel, panel.eligible, level, last, model.habits),
        scatter=panel.scatter[spell],
        times=start_times(model, tracked, histories, own[~still], seed),
        open_times=_open_times(
            start_times(model, tracked, histories, own[still], seed), standing.athletes
        ),
    )


def _open_times(times: Times, athletes: Ints) -> OpenTimes:
    place = np.searchsorted(athletes, times.athlete)
    return OpenTimes(place, times.rung, times.middle, times.days[:, None])


@dataclass(frozen=True, slots=True)
class RungFacts:
    """Plain facts of T rungs, as in ``Starts``."""

    threshold: Array
    grace: Array
    run: Ints
    wait: Array
    lost: Array
    done: Array
    gaps: Array
    habits: Habits


def rung_facts(ground: Ground, rung: int, who: Ints, begun: Flags) -> RungFacts:
    """Return facts of a rung for everybody: of the spell under way, else of the athlete lately."""
    panel, rows = ground.tracked.panel, ground.standing.spell[who[begun], rung]
    spell = ground.place[rows]
    last = panel.last[spell]
    threshold = np.full(len(who), ground.threshold[rung])
    grace, wait, lost, done = np.zeros((4, len(who)))
    run = np.zeros(len(who), dtype=np.int64)
    gaps, sets = ground.gaps[who].copy(), ground.habits.sets[who].copy()
    intercept = ground.habits.intercept[who].copy()
    if len(rows):
        threshold[begun], grace[begun] = panel.threshold[spell], panel.grace[spell]
        run[begun] = ground.histories.spells["run"].to_numpy()[rows]
        wait[begun], done[begun] = ground.cut - panel.day[last], panel.number[last] + 1.0
        gaps[begun] = gap_table(recent_gaps(panel, last), ground.model.rhythm)
        level = ground.tracked.filtered.mean[:, 0]
        own = athlete_habits(panel, panel.eligible, level, last, ground.model.habits)
        lost[begun] = lost_levels(panel, ground.model.fit.constants.dynamics)[last]
        intercept[begun], sets[begun] = own.intercept, own.sets
    return RungFacts(
        threshold, grace, run, wait, lost, done, gaps, Habits(intercept, ground.habits.slope, sets)
    )
