"""The informed reference: what somebody told the law and its constants would forecast."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecast.errors import SimulationError
from forecast.simulate import State
from forecast.simulate.cohort import SimulatedCohort
from forecast.simulate.emission import Marks, draw_sets
from forecast.simulate.engine import SHARE_OF_RUNGS, habits_of, marks_for, plan_arrays
from forecast.simulate.population import LAYOFF_SPREAD, NOISE_CLASSES
from forecast.types import Array
from reference.likelihood import session_likelihood
from reference.particles import (
    Steps,
    Traits,
    begin_spells,
    draw_traits,
    filter_spells,
)

_EPOCH = pd.Timestamp("1970-01-01")


def informed_forecast(
    cohort: SimulatedCohort,
    as_of: pd.Timestamp | str,
    *,
    n_particles: int = 2000,
    horizon_weeks: int = 52,
    seed: int,
) -> pd.DataFrame:
    """Forecast every open rung of a simulated cohort, knowing how the cohort was made.

    It is told the law, the population constants (rung difficulty among them), when each spell
    truly began, and what a coach knows of an athlete's habits: weekdays, number of sets, stops
    at the target, how the sets were noted. It is not told the athlete's pace, ceiling, scatter
    or level: those it infers by a bootstrap particle filter from the logged sets before
    ``as_of``, spell after spell, carrying the athlete's traits along. No forecaster can be
    expected to do better on average, up to the error of finitely many particles.

    Parameters
    ----------
    cohort
        An invented cohort.
    as_of
        Cut date; nothing dated on or after it is used.
    n_particles
        Particles per spell; with fewer than about 1,500 long spells under the laws with little
        chance in them (ceiling, learning, threshold) leave too few distinct particles.
    horizon_weeks
        Weeks ahead.
    seed
        Same seed, same forecast.

    Returns
    -------
    DataFrame
        ``athlete, rung, week`` (1 to horizon), ``p_cleared`` if the athlete keeps training; one
        block for each rung begun and not cleared before ``as_of`` (lapsed athletes included).

    Raises
    ------
    SimulationError
        If no rung is open on that day.
    """
    cut = pd.Timestamp(as_of).normalize()
    rng = np.random.default_rng(seed)
    spells, sessions, sets = _visible(cohort, cut)
    if not (spells["open"].to_numpy()).any():
        raise SimulationError(f"No rung is open on {cut.date()}; choose a day within the log.")
    law, population = cohort.law_object, cohort.population
    likelihood = session_likelihood(
        sets, sets["session"].to_numpy(dtype=np.intp), population, law.form_df
    )
    traits = draw_traits(rng, population, len(cohort.athletes), n_particles)
    rate = cohort.athletes["rate"].to_numpy()
    curves = np.full((len(spells), horizon_weeks), np.nan)
    for group in _rounds(spells):
        who = group["who"].to_numpy(dtype=np.intp)
        part = traits.take(who)
        began = np.asarray((group["started"] - _EPOCH).dt.days, dtype=np.float64)
        state = begin_spells(
            rng, law, population, part, group["place"].to_numpy(dtype=np.intp), rate[who], began
        )
        steps = _steps(group, sessions, rate[who])
        state, part = filter_spells(rng, law, state, part, steps, likelihood)
        traits.put(who, part)
        now = np.flatnonzero(group["open"].to_numpy())
        if now.size:
            here = {name: values[now] for name, values in state.items()}
            passed = _ahead(rng, cohort, group.iloc[now], here, part.take(now), cut, horizon_weeks)
            curves[group.index.to_numpy()[now]] = passed
    return _curve_table(spells, curves)


def _visible(
    cohort: SimulatedCohort, cut: pd.Timestamp
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Return spells, sessions and sets known at the cut; sets after a clearing are left out."""
    plan = plan_arrays(cohort.ladder)
    truth = cohort.truth[["athlete", "rung", "started", "cleared"]]
    sets = cohort.sets[cohort.sets["date"] < cut].merge(truth, on=["athlete", "rung"], how="inner")
    sets = sets[~(sets["date"] > sets["cleared"])]
    who = pd.Index(cohort.athletes["athlete"]).get_indexer(pd.Index(sets["athlete"]))
    place = pd.Index(cohort.ladder.keys).get_indexer(pd.Index(sets["rung"]))
    marks = marks_for(plan, habits_of(cohort.athletes), who, place)
    light = (marks.load > 0) & (sets["load_kg"].to_numpy() < marks.load)
    sets = sets.assign(
        who=who,
        place=place,
        light=light,
        target=marks.target,
        unit=marks.unit,
        whole=marks.whole,
        stops=marks.stops,
    )
    sets["meets"] = sets["clean"] & ~sets["assisted"] & ~light & (sets["value"] >= sets["target"])
    grouped = sets.groupby(["who", "place", "date"], sort=True)
    sets["session"] = grouped.ngroup()
    sessions = grouped.agg(meets=("meets", "any"), session=("session", "first")).reset_index()
    per_spell = sets.groupby(["who", "place"], sort=True)
    spells = per_spell.agg(
        athlete=("athlete", "first"),
        rung=("rung", "first"),
        started=("started", "first"),
        first=("date", "min"),
        last=("date", "max"),
        cleared=("cleared", "first"),
    ).reset_index()
    spells["open"] = ~(spells["cleared"] < cut)
    spells = spells.sort_values(["who", "started", "place"], ignore_index=True)
    spells["several"] = spells.groupby("who")["open"].transform("sum") > 1
    spells["run"] = _trailing_run(spells, sessions)
    return spells, sessions, sets


def _trailing_run(spells: pd.DataFrame, sessions: pd.DataFrame) -> NDArray[np.int64]:
    """Meeting sessions in a row at the end of each spell."""
    missed = sessions.assign(n=~sessions["meets"])
    missed["after"] = missed.iloc[::-1].groupby(["who", "place"])["n"].cumsum()
    running = missed[missed["after"] == 0].groupby(["who", "place"]).size()
    keys = pd.MultiIndex.from_frame(spells[["who", "place"]])
    return np.asarray(running.reindex(keys, fill_value=0), dtype=np.int64)


def _rounds(spells: pd.DataFrame) -> Iterator[pd.DataFrame]:
    """First spells of all athletes, then second ones, and so on."""
    turn = spells.groupby("who").cumcount()
    for number in range(int(turn.max()) + 1):
        yield spells[turn == number]


def _steps(group: pd.DataFrame, sessions: pd.DataFrame, rate: Array) -> Steps:
    """Cut the time of spells into steps of at most a week that end in their sessions."""
    per_spell = {key: part for key, part in sessions.groupby(["who", "place"], sort=False)}
    rows = []
    keys = zip(group["who"], group["place"], strict=True)
    waited = (group["first"] - group["started"]).dt.days
    for key, first, unlogged, per_week in zip(keys, group["first"], waited, rate, strict=True):
        part = per_spell[key]
        # sessions before the log were not seen: the usual number of them, evenly spread
        n_before = math.ceil(unlogged * per_week / 7)
        row = [(unlogged / max(n_before, 1), True, -1)] * n_before
        day = first
        for date, number in zip(part["date"], part["session"], strict=True):
            passed = (date - day).days if row or date > day else 0
            row += [(7.0, False, -1)] * ((passed - 1) // 7 if passed > 0 else 0)
            row.append((float((passed - 1) % 7 + 1 if passed > 0 else 0), True, number))
            day = date
        rows.append(row)
    longest = max(len(row) for row in rows)
    blank = (0.0, False, -1)
    padded = [row + [blank] * (longest - len(row)) for row in rows]
    return Steps(
        days=np.array([[s[0] for s in row] for row in padded], dtype=float),
        trained=np.array([[s[1] for s in row] for row in padded], dtype=bool),
        session=np.array([[s[2] for s in row] for row in padded], dtype=np.intp),
    )


def _ahead(
    rng: np.random.Generator,
    cohort: SimulatedCohort,
    group: pd.DataFrame,
    state: State,
    traits: Traits,
    cut: pd.Timestamp,
    horizon: int,
) -> Array:
    """Simulate the coming sessions of open spells; share of particles cleared by each week."""
    shape = traits.trait.shape
    plan, habits = plan_arrays(cohort.ladder), habits_of(cohort.athletes)
    off = (cut - group["last"]).dt.days.to_numpy(dtype=float)[:, None]
    # nothing was logged between the last session and the cut
    for week in range(int(np.ceil(off.max() / 7))):
        state = cohort.law_object.advance(state, np.clip(off - 7 * week - 1, 0, 7), False, rng)
    who, place = group["who"].to_numpy(dtype=np.intp), group["place"].to_numpy(dtype=np.intp)
    owner = np.repeat(np.arange(shape[0]), shape[1])
    state = {name: values.ravel() for name, values in state.items()}
    coming = cohort.attendance.begin((owner.size,))
    coming = resumed(cohort.attendance, coming, np.broadcast_to(off, shape).ravel(), rng)
    noise = NOISE_CLASSES[traits.noise_class].ravel()
    several = group["several"].to_numpy()[owner]
    run, confirm = group["run"].to_numpy()[owner], plan.confirm[place][owner]
    passed = np.zeros((shape[0], horizon))
    first = (cut - _EPOCH).days
    for ahead in range(7 * horizon + 1):
        coming, here = cohort.attendance.step(coming, who[owner], first + ahead, rng)
        chance = np.where(several, SHARE_OF_RUNGS, 1.0)
        here &= rng.random(owner.size) < chance
        state = cohort.law_object.advance(state, 1.0, here, rng)
        hit = np.flatnonzero(here)
        marks = marks_for(plan, habits, who[owner[hit]], place[owner[hit]])
        meets = _meets(rng, cohort, {k: v[hit] for k, v in state.items()}, marks, noise[hit])
        run[hit] = np.where(meets, run[hit] + 1, 0)
        done = run >= confirm
        if done.any():
            week = max(int(np.ceil(ahead / 7)), 1)
            passed[:, week - 1] += np.bincount(owner[done], minlength=shape[0])
            keep = ~done
            owner, run, confirm, noise, several = (
                x[keep] for x in (owner, run, confirm, noise, several)
            )
            state = {name: values[keep] for name, values in state.items()}
            coming = {name: values[keep] for name, values in coming.items()}
    return np.cumsum(passed, axis=1) / shape[1]


def _meets(
    rng: np.random.Generator, cohort: SimulatedCohort, state: State, marks: Marks, noise: Array
) -> NDArray[np.bool_]:
    level = cohort.law_object.level(state)
    marks = replace(marks, noise=noise)
    sets = draw_sets(rng, cohort.population, level, marks, cohort.law_object.form_df)
    return np.any(sets.counts, axis=1)


def _curve_table(spells: pd.DataFrame, curves: Array) -> pd.DataFrame:
    open_ = spells["open"].to_numpy()
    part, horizon = spells[open_], curves.shape[1]
    return pd.DataFrame(
        {
            "athlete": np.repeat(part["athlete"].to_numpy(), horizon),
            "rung": np.repeat(part["rung"].to_numpy(), horizon),
            "week": np.tile(np.arange(1, horizon + 1), len(part)),
            "p_cleared": curves[open_].ravel(),
        }
    ).astype({"athlete": "str", "rung": "str"})


def resumed(attendance, state, days_off, rng):
    """Set a state of attendance to 'known to have been away for so many days'.

    After more than ten days off somebody is taken to be in a layoff already.
    """
    shape = state["left"].shape
    off = np.broadcast_to(days_off, shape)
    length = 7 * attendance.layoff_weeks * np.exp(LAYOFF_SPREAD * rng.standard_normal(shape))
    left = np.where(off > 10, np.maximum(np.minimum(length, 84.0) - off, 1.0), 0.0)
    return {**state, "left": left}
