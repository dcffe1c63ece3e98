"""Rules learnt from a log: constants of the watch, and limits that give the stated false alarms.

The limit is set by simulation: likely paths of the reference spells are drawn, sessions are made
anew on them with the same dates and the same noise, and the limit is moved until the alarms raised
while progress goes on come to the stated number a year, in each class of sessions a week alone.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from forecast.errors import ForecastError
from forecast.growth import GrowthModel, track
from forecast.histories import Histories
from forecast.log.given import is_number
from forecast.plateau.alarms import (
    MIN_SESSIONS,
    enough_record,
    flat_score,
    raise_flags,
    training_rate,
)
from forecast.plateau.progress import progress_goes_on
from forecast.plateau.switching import Switching, draw_paths, fit_switching
from forecast.plateau.traces import Traces, traces_of, years_of_training
from forecast.plateau.trend import Trend, fit_trend, follow_trend

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

DEFAULT_FALSE_ALARMS = 0.2
YEARS_TO_SIMULATE = 400.0
MOST_ROWS = 200_000
SURPLUS = 1.2
"""Rehearsals give this many times the false alarms of invented worlds (``tests/bench/plateau.py``):
drawn paths dip and recover more often than levels do."""
LOWEST, HIGHEST = -1.0, 4.0
"""Limits are looked for between these scores."""
NO_REFERENCE = 1.0
"""Limit where the log holds no spell long enough to simulate (judgement)."""
CLASSES = 3
LEAST_ATHLETES = 30
"""Fewer athletes share one limit: classes of a handful would be noise."""
LEAST_SHARE = 0.15
"""Classes with less of the judged sessions than this take the limit of all classes together."""
LEAST_SESSIONS = 100
"""With fewer sessions the growth engine's word on the noise is taken as it is."""
NOISE_RANGE = (0.7, 1.0)
CUT = 9.0
CUT_MEAN = 0.9951
"""Mean of a squared standard normal cut off at 9."""


@dataclass(frozen=True, slots=True)
class PlateauRules:
    """What the watch learnt from a log.

    Attributes
    ----------
    reference
        Spells the limits are simulated on.
    trend, switching
        Constants of both models.
    noise
        Spread of the sessions about the trend relative to what the growth engine expects.
    edges
        Sessions a week that part the classes of attendance; empty for one class.
    seed
        Seed of the simulations.
    usual_limits
        (G,) limits at the default settings, by class; other settings are simulated when asked for.
    """

    reference: Traces
    trend: Trend
    switching: Switching
    noise: float
    edges: Array
    seed: int
    usual_limits: Array


def learn_plateaus(growth: GrowthModel, histories: Histories, *, seed: int = 0) -> PlateauRules:
    """Learn the rules from a log seen through a fitted growth engine.

    Parameters
    ----------
    growth
        Fitted growth engine.
    histories
        The log it was fitted on (or another of the same ladder).
    seed
        Same log and seed, same rules.

    Raises
    ------
    FitError
        A model of the watch could not be fitted.
    """
    traces = traces_of(growth, track(growth, histories))
    return rules_from(traces, seed=seed)


def rules_from(traces: Traces, *, seed: int = 0) -> PlateauRules:
    """Learn the rules from traces."""
    trend = fit_trend(traces)
    rate = training_rate(traces)[enough_record(traces)]
    people = len(np.unique(traces.athlete))
    shares = np.arange(1, CLASSES) / CLASSES
    enough = len(rate) > 0 and people >= LEAST_ATHLETES
    edges = np.unique(np.quantile(rate, shares).round(2)) if enough else np.empty(0)
    rules = PlateauRules(
        reference=traces,
        trend=trend,
        switching=fit_switching(traces),
        noise=_noise_scale(traces, trend),
        edges=edges,
        seed=seed,
        usual_limits=np.empty(0),
    )
    return replace(rules, usual_limits=limits_for(rules, DEFAULT_FALSE_ALARMS))


def _noise_scale(traces: Traces, trend: Trend) -> float:
    """Spread of sessions about the filtered trend relative to what the growth engine expects.

    Squared misses are cut off at 9 times their variance: a few wild days, which the engine has
    already given a wide variance, must not speak for the ordinary ones.
    """
    state = follow_trend(traces, traces.level, trend)
    heard = np.flatnonzero((traces.number >= MIN_SESSIONS) & np.isfinite(traces.var))
    if len(heard) < LEAST_SESSIONS:
        return 1.0
    square, before, var = state.miss[heard, 0] ** 2, state.before_var[heard], traces.var[heard]

    def excess(scale: float) -> float:
        return float(np.mean(np.minimum(square / (before + scale**2 * var), CUT)) - CUT_MEAN)

    low, high = NOISE_RANGE
    if excess(low) <= 0:
        return low
    return high if excess(high) >= 0 else float(brentq(excess, low, high, xtol=1e-4))


def classes_of(rules: PlateauRules, traces: Traces) -> Ints:
    """Class of attendance at each session, (N,)."""
    return np.searchsorted(rules.edges, training_rate(traces), side="right")


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """Simulated sessions of the reference spells.

    ``score`` (N, R) of the watch on them, ``going_on`` (N, R), ``group`` (N,) class of
    attendance, ``years`` (G,) athlete-years in each class and copy.
    """

    score: Array
    going_on: NDArray[np.bool_]
    group: Ints
    years: Array


def rehearse(rules: PlateauRules, smallest_gain: float | None) -> Rehearsal:
    """Simulate the reference spells anew, on paths that they could have taken."""
    traces = rules.reference
    years = years_of_training(traces)
    copies = int(np.clip(YEARS_TO_SIMULATE / max(years, 1e-6), 2, MOST_ROWS / traces.n_sessions))
    rng = np.random.default_rng(rules.seed)
    paths = draw_paths(traces, rules.switching, max(copies, 2), rng)
    heard = np.isfinite(traces.var)[:, None]
    spread = rules.noise * np.sqrt(np.where(heard[:, 0], traces.var, 0.0))[:, None]
    seen = paths.level + spread * rng.standard_normal(paths.level.shape)
    score = flat_score(traces, follow_trend(traces, seen, rules.trend), smallest_gain)
    group = classes_of(rules, traces)
    weight = np.bincount(group, traces.rest, len(rules.edges) + 1)
    return Rehearsal(
        score=score,
        going_on=progress_goes_on(traces, paths.level, smallest_gain),
        group=group,
        years=years * weight / max(weight.sum(), 1e-9),
    )


def limits_for(
    rules: PlateauRules, false_alarms_per_year: float, smallest_gain: float | None = None
) -> Array:
    """Return the limit for each class of attendance, (G,).

    Parameters
    ----------
    rules
        From ``learn_plateaus``.
    false_alarms_per_year
        False alarms wanted per athlete-year of training; above 0.
    smallest_gain
        As in ``smallest_gain_at``.

    Raises
    ------
    ForecastError
        A setting is out of range.
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

    Raises
    ------
    ForecastError
        ``false_alarms_per_year`` is no number above 0 and up to 10.
    ForecastError
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
    rules: PlateauRules, rehearsal: Rehearsal, wanted: float, mine: NDArray[np.bool_], years: float
) -> float:
    """Find the limit for some sessions by bisection: the higher it is, the fewer false alarms."""
    simulated = years * rehearsal.score.shape[1]
    if simulated < 1.0:
        return NO_REFERENCE
    low, high = LOWEST, HIGHEST
    for _ in range(14):
        middle = 0.5 * (low + high)
        limit = np.full(len(mine), middle)
        _, raised = raise_flags(rules.reference, rehearsal.score, limit)
        if (raised & rehearsal.going_on)[mine].sum() / simulated > SURPLUS * wanted:
            low = middle
        else:
            high = middle
    return high
