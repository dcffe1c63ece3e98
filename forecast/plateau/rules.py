"""Rules learnt from a log: constants of the watch, and limits that give the stated false alarms.

The limit is set by rehearsal: likely paths of the reference spells are drawn, sessions are made
anew on them with the same dates and with surprises drawn from those of the log itself, wild days
included, and the limit is moved until the alarms raised while progress goes on come to the stated
number a year, in each class of sessions a week alone.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import expit, logit

from forecast.errors import ForecastError, is_number
from forecast.growth import GrowthModel, Motion, Tracked, measure_gain, motion_of, track
from forecast.histories import Histories
from forecast.plateau.alarms import MIN_SESSIONS, enough_record, raise_flags, training_rate
from forecast.plateau.chances import chance_flat
from forecast.plateau.progress import progress_goes_on, rose_lately, smallest_gain_at
from forecast.plateau.switching import Switching, draw_paths, fit_switching
from forecast.plateau.traces import Traces, traces_of, years_of_training
from forecast.plateau.watch import Watched, watch
from forecast.types import Array, Flags, Ints

DEFAULT_FALSE_ALARMS = 0.2
YEARS_TO_SIMULATE = 400.0
MOST_ROWS = 100_000
LOWEST, HIGHEST = 2.0 / 3.0, 0.98
"""A flag goes up from a chance of being flat between these: at least two to one."""
NO_REFERENCE = 0.85
"""Limit where the log holds no spell long enough to simulate (judgement)."""
CLASSES = 3
LEAST_ATHLETES = 30
"""Fewer athletes share one limit: classes of a handful would be noise."""
LEAST_SHARE = 0.15
"""Classes with less of the judged sessions than this take the limit of all classes together."""
LEAST_SURPRISES = 100
"""With fewer sessions to draw surprises from they are taken as ``t`` with 5 degrees of freedom."""
LEAST_CLIMBING = 2.0
"""Simulated years of sure climbing below which no rate is read off them."""
FARTHEST = 6.0
"""Surprises are cut at so many standard deviations."""


@dataclass(frozen=True, slots=True)
class PlateauRules:
    """What the watch learnt from a log.

    Attributes
    ----------
    reference
        Spells the limits are simulated on.
    motion
        How levels move, for the measured gain.
    switching
        Constants of the two-state model that paths are drawn from.
    edges
        Sessions a week that part the classes of attendance; empty for one class.
    seed
        Seed of the simulations.
    usual_limits
        (G,) limits at the default settings, by class; other settings are simulated when asked for.
    """

    reference: Traces
    motion: Motion
    switching: Switching
    edges: Array
    seed: int
    usual_limits: Array

    def watch(self, traces: Traces, limits: Array, smallest_gain: float | None = None) -> Watched:
        """Watch spells with limits (G,) from ``limits_for``; see ``watch.watch``."""
        enter = limits[classes_of(self, traces)]
        return watch(traces, self.motion, enter, smallest_gain)


def learn_plateaus(
    growth: GrowthModel, histories: Histories, *, seed: int = 0, tracked: Tracked | None = None
) -> PlateauRules:
    """Learn the rules from a log of the ladder it was fitted on, seen through a growth engine.

    ``tracked`` are the histories seen through it, where that has been done already. Same log and
    seed, same rules. Raises ``FitError`` if a model of the watch could not be fitted.
    """
    traces = traces_of(growth, tracked or track(growth, histories))
    return rules_from(traces, motion_of(growth), seed=seed)


def rules_from(traces: Traces, motion: Motion, *, seed: int = 0) -> PlateauRules:
    """Learn the rules from traces; ``motion`` as in ``measure_gain``."""
    rate = training_rate(traces)[enough_record(traces)]
    people = len(np.unique(traces.athlete))
    shares = np.arange(1, CLASSES) / CLASSES
    enough = len(rate) > 0 and people >= LEAST_ATHLETES
    edges = np.unique(np.quantile(rate, shares).round(2)) if enough else np.empty(0)
    rules = PlateauRules(
        reference=traces,
        motion=motion,
        switching=fit_switching(traces),
        edges=edges,
        seed=seed,
        usual_limits=np.empty(0),
    )
    return replace(rules, usual_limits=limits_for(rules, DEFAULT_FALSE_ALARMS))


def classes_of(rules: PlateauRules, traces: Traces) -> Ints:
    """Class of attendance at each session, (N,)."""
    return np.searchsorted(rules.edges, training_rate(traces), side="right")


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """Simulated sessions of the reference spells.

    ``p_flat`` (N, R) by the watch on them, ``gain_sd`` (N,) as measured; ``going_on`` and
    ``climbing`` (N, R), where an alarm is false by either count; ``group`` (N,) class of
    attendance; ``years`` (G,) athlete-years in each class, all copies together.
    """

    p_flat: Array
    gain_sd: Array
    going_on: Flags
    climbing: Flags
    group: Ints
    years: Array


def rehearse(rules: PlateauRules, smallest_gain: float | None) -> Rehearsal:
    """Simulate the reference spells anew, on paths that they could have taken."""
    traces = rules.reference
    years = years_of_training(traces)
    copies = int(np.clip(YEARS_TO_SIMULATE / max(years, 1e-6), 2, MOST_ROWS / traces.n_sessions))
    copies = max(copies, 2)
    rng = np.random.default_rng(rules.seed)
    paths = draw_paths(traces, rules.switching, copies, rng)
    seen = _sessions_on(traces, paths.level, rng)
    measure = measure_gain(traces, rules.motion, np.arange(traces.n_sessions))
    gain, sd = measure.gain(seen), np.broadcast_to(measure.sd[:, None], seen.shape)
    least = smallest_gain_at(measure.level(seen), smallest_gain)
    p_flat = chance_flat(gain, sd, least)
    group = classes_of(rules, traces)
    weight = np.bincount(group, traces.rest, len(rules.edges) + 1)
    return Rehearsal(
        p_flat=p_flat,
        gain_sd=measure.sd,
        going_on=progress_goes_on(traces, paths.level, smallest_gain),
        climbing=rose_lately(traces, paths.level),
        group=group,
        years=copies * years * weight / max(weight.sum(), 1e-9),
    )


def _sessions_on(traces: Traces, level: Array, rng: np.random.Generator) -> Array:
    """Sessions seen on paths (N, R), their errors drawn from the surprises of the log itself.

    Each surprise stands in its spell's own scatter, and is as likely up as down.
    """
    heard = np.isfinite(traces.var)
    known = (traces.surprise / traces.scatter)[(traces.number >= MIN_SESSIONS) & heard]
    if len(known) < LEAST_SURPRISES:
        known = rng.standard_t(5, LEAST_SURPRISES * 10)
    known = np.clip(known, -FARTHEST, FARTHEST)
    error = rng.choice(known, level.shape) * rng.choice([-1.0, 1.0], level.shape)
    spread = traces.scatter * np.sqrt(np.where(heard, traces.var, 0.0))
    return np.asarray(level + spread[:, None] * error)


def limits_for(
    rules: PlateauRules, false_alarms_per_year: float, smallest_gain: float | None = None
) -> Array:
    """Return the limit for each class of attendance, (G,): chances of being flat.

    Settings are as in ``plateaus``; ``ForecastError`` where one is out of range.
    """
    check_settings(false_alarms_per_year, smallest_gain)
    usual = false_alarms_per_year == DEFAULT_FALSE_ALARMS and smallest_gain is None
    if usual and len(rules.usual_limits):
        return rules.usual_limits
    rehearsal = rehearse(rules, smallest_gain)
    judged = enough_record(rules.reference)
    everyone = np.ones(len(rehearsal.group), dtype=bool)
    common = _limit(rules, rehearsal, false_alarms_per_year, everyone, rehearsal.years.sum())
    limits = np.full(len(rehearsal.years), common)
    for group, years in enumerate(rehearsal.years):
        mine = rehearsal.group == group
        if len(limits) > 1 and (mine & judged).sum() >= LEAST_SHARE * judged.sum():
            limits[group] = _limit(rules, rehearsal, false_alarms_per_year, mine, years)
    return limits


def check_settings(false_alarms_per_year: float, smallest_gain: float | None) -> None:
    """Refuse settings that mean nothing.

    ``ForecastError`` where ``false_alarms_per_year`` is not a number above 0 and up to 10, or
    ``smallest_gain`` is neither None nor a number from 0 up to 1.
    """
    if not (is_number(false_alarms_per_year) and 0 < false_alarms_per_year <= 10):
        raise ForecastError(
            f"false_alarms_per_year = {false_alarms_per_year!r}; give a number above 0 and up to "
            "10, such as 0.2 (one false alarm an athlete in five years)."
        )
    if smallest_gain is not None and not (is_number(smallest_gain) and 0 <= smallest_gain < 1):
        raise ForecastError(
            f"smallest_gain = {smallest_gain!r}; give a gain a week from 0 up to 1, such as 0.01 "
            "(1 % a week), or None for what takes a year to the target."
        )


def _limit(
    rules: PlateauRules, rehearsal: Rehearsal, wanted: float, mine: Flags, years: float
) -> float:
    """Find the limit for some sessions by bisection: the higher it is, the fewer false alarms."""
    if years < 1.0:
        return NO_REFERENCE
    traces = rules.reference
    climbing = float((traces.rest[:, None] * rehearsal.climbing)[mine].sum() / 52.1775)

    def too_many(limit: float) -> bool:
        _, raised = raise_flags(
            traces, rehearsal.p_flat, rehearsal.gain_sd, np.full(len(mine), limit)
        )
        if (raised & rehearsal.going_on)[mine].sum() / years > wanted:
            return True
        false = (raised & rehearsal.climbing)[mine].sum()
        return bool(climbing >= LEAST_CLIMBING and false / climbing > wanted)

    if not too_many(LOWEST):
        return LOWEST
    low, high = logit(LOWEST), logit(HIGHEST)
    for _ in range(8):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if too_many(float(expit(middle))) else (low, middle)
    return float(expit(high))
