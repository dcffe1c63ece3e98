"""Time on a rung from its first session: what the growth engine says, and what the log made of it.

    log(days + 1) = m + base + (slope - 1) * (m - usual) + athlete + rung + rest,

m the log of one and the middle of the days that the growth engine simulates for an unknown
athlete who trains like this one, ``usual`` its value at ten weeks; athletes and rungs normal, the
rest Student's t (6 degrees of freedom: some spells go oddly), spells that ended without clearing
known only to be longer. The athlete's part is the same for all rungs; so is what is uncertain
about base and slope. Fitted by Gibbs sampling with the censored times drawn (Tanner & Wong 1987,
J. Am. Stat. Assoc. 82:528), so with few spells the priors, which keep the engine's word, stand.
Times to come take the rest from the errors themselves, which are often skewed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri
from scipy.stats import qmc, rankdata, t

from forecast.ahead.standing import Plan
from forecast.growth import (
    Coming,
    GrowthModel,
    block_of,
    path_laws,
    simulate_days,
    untried_habits,
    usual_grace,
)
from forecast.types import Array, Flags, Ints

DEGREES = 6.0
DRAWS = 64
BURN_IN, THIN = 200, 8
BASE_SD, SLOPE_SD = 0.4, 0.25
"""Prior spread of base around 0 and slope around 1 (judgement)."""
SHAPE = 2.0
SCALES = {"rest": 0.2, "athlete": 0.2, "rung": 0.08}
"""Inverse-gamma priors (shape 2) of the three variances: their prior means (judgement)."""
_USUAL = float(np.log1p(70.0))
LEVELS = np.concatenate([[0.003], (np.arange(40) + 0.5) / 40, [0.997]])
"""Levels at which the rest is tabulated."""
PRIOR_ERRORS = 20
"""Errors of Student's shape counted in with those of the spells, so that few make no shape."""
_GRID = np.linspace(-4.0, 4.0, 41)


@dataclass(frozen=True, slots=True)
class RungTimes:
    """Posterior draws of the model above.

    Attributes
    ----------
    base, slope, rest, athlete
        (K,) base, slope, and standard deviations of the rest and of athletes.
    rung
        (K, R) effects of the rungs.
    shape
        (K, Q) quantiles of the rest at ``LEVELS``, as the spells' errors show it.
    n_spells
        Number of spells behind it.
    """

    base: Array
    slope: Array
    rest: Array
    athlete: Array
    rung: Array
    shape: Array
    n_spells: int


@dataclass(frozen=True, slots=True)
class Times:
    """Times on rungs already begun from their first session.

    ``days`` (n,) to clearing or to the end of what is known, (n, P) where a walk has given them on
    every path; ``cleared`` (n,); ``middle`` (n,) simulated middle days as known at the start;
    ``athlete``, ``rung`` (n,) numbers.
    """

    days: Array
    cleared: Flags
    middle: Array
    athlete: Ints
    rung: Ints


def fit_rung_times(times: Times, n_rungs: int, seed: list[int]) -> RungTimes:
    """Draw from the posterior, given spells whose first session the log shows."""
    rng = np.random.default_rng(seed)
    n = len(times.days)
    bound = np.log1p(times.days) - _USUAL
    design = np.column_stack([np.ones(n), np.log1p(times.middle) - _USUAL])
    _, who = np.unique(times.athlete, return_inverse=True)
    groups = {"athlete": (who, int(who.max(initial=-1)) + 1), "rung": (times.rung, n_rungs)}
    effects = {name: np.zeros(size) for name, (_, size) in groups.items()}
    variance = dict(SCALES)
    coefficients, weight, value = np.array([0.0, 1.0]), np.ones(n), bound.copy()
    kept = []
    for turn in range(BURN_IN + DRAWS * THIN):
        fixed = design @ coefficients
        for name, (member, size) in groups.items():
            others = fixed + sum(effects[o][groups[o][0]] for o in groups if o != name)
            sharp = weight / variance["rest"]
            precision = np.bincount(member, sharp, size) + 1.0 / variance[name]
            centre = np.bincount(member, sharp * (value - others), size) / precision
            effects[name] = centre + rng.standard_normal(size) / np.sqrt(precision)
            variance[name] = _variance(rng, effects[name], np.ones(size), SCALES[name])
        shared = sum(effects[name][member] for name, (member, _) in groups.items())
        coefficients = _coefficients(rng, design, value - shared, weight / variance["rest"])
        mean = design @ coefficients + shared
        error = value - mean
        weight = rng.gamma(0.5 * (DEGREES + 1.0), size=n) / (
            0.5 * (DEGREES + error**2 / variance["rest"])
        )
        variance["rest"] = _variance(rng, error, weight, SCALES["rest"])
        value = _impute(rng, bound, times.cleared, mean, np.sqrt(variance["rest"] / weight))
        if turn >= BURN_IN and (turn - BURN_IN) % THIN == 0:
            spread = np.sqrt([variance["rest"], variance["athlete"]])
            shape = _error_shape(value - mean, spread[0])
            kept.append((*coefficients, *spread, effects["rung"].copy(), shape))
    base, slope, rest, athlete, rung, shape = (np.array(p) for p in zip(*kept, strict=True))
    return RungTimes(base, slope, rest, athlete, rung, shape, n)


def _error_shape(errors: Array, rest: float) -> Array:
    """Quantiles of the errors at ``LEVELS``: times are often skewed where the model is not."""
    prior = rest * t.ppf((np.arange(PRIOR_ERRORS) + 0.5) / PRIOR_ERRORS, DEGREES)
    return np.quantile(np.concatenate([errors, prior]), LEVELS)


def _variance(rng: np.random.Generator, errors: Array, weight: Array, scale: float) -> float:
    """Draw a variance given its errors; inverse gamma with mean ``scale`` before any."""
    shape = SHAPE + 0.5 * len(errors)
    rate = scale * (SHAPE - 1.0) + 0.5 * float((weight * errors**2).sum())
    return float(rate / rng.gamma(shape))


def _coefficients(rng: np.random.Generator, design: Array, value: Array, sharp: Array) -> Array:
    prior = np.array([BASE_SD, SLOPE_SD]) ** -2.0
    precision = design.T @ (design * sharp[:, None]) + np.diag(prior)
    centre = np.linalg.solve(precision, design.T @ (sharp * value) + prior * np.array([0.0, 1.0]))
    root = np.linalg.cholesky(precision)
    return np.asarray(centre + np.linalg.solve(root.T, rng.standard_normal(2)))


def _impute(
    rng: np.random.Generator, bound: Array, cleared: Flags, mean: Array, spread: Array
) -> Array:
    """Draw the times of spells not cleared from beyond what is known."""
    above = ndtr(-(bound - mean) / spread)
    share = np.maximum(above * rng.random(len(bound)), 1e-300)
    return np.where(cleared, bound, np.maximum(mean - spread * ndtri(share), bound))


def athlete_effects(
    model: RungTimes, times: Times, athletes: Ints, under_way: Times, uniform: Array
) -> Array:
    """Return each athlete's effect on each path, (A, P).

    Given the athlete's own spells, and given what the path itself made of the rungs under way: on
    a path that is slow on the rung in hand the athlete is slow on the rungs to come.

    ``times`` and ``under_way`` are spells of the athletes numbered ``athletes`` (A,), increasing,
    whose first session the log shows: those that have ended, and those under way with their days on
    every path. ``uniform`` (A, P) says where in its distribution each path's effect lies.
    """
    k = block_of(uniform.shape[1], len(model.base))
    grid = model.athlete[:, None] * _GRID
    log_mass = np.tile(-0.5 * _GRID**2, (len(athletes), len(model.base), 1))
    mean = _usual_log(model, times.rung, times.middle)
    error = np.log1p(times.days)[:, None, None] - mean[:, :, None] - grid
    error = error / model.rest[:, None]
    told = np.where(times.cleared[:, None, None], t.logpdf(error, DEGREES), t.logsf(error, DEGREES))
    np.add.at(log_mass, np.searchsorted(athletes, times.athlete), told)
    log_mass = log_mass[:, k]
    mean = _usual_log(model, under_way.rung, under_way.middle)[:, k]
    for n, athlete in enumerate(np.searchsorted(athletes, under_way.athlete)):
        error = (np.log1p(under_way.days[n]) - mean[n])[:, None] - grid[k]
        log_mass[athlete] += t.logpdf(error / model.rest[k][:, None], DEGREES)
    mass = np.exp(log_mass - log_mass.max(axis=2, keepdims=True))
    below = np.cumsum(mass, axis=2) - 0.5 * mass
    below /= mass.sum(axis=2, keepdims=True)
    return _inverse(below, np.broadcast_to(grid[k], below.shape), uniform)


def _usual_log(model: RungTimes, rung: Ints, middle: Array) -> Array:
    """(n, K) log days expected of an unknown athlete."""
    centred = (np.log1p(middle) - _USUAL)[:, None]
    return _USUAL + model.base + centred * model.slope + model.rung[:, rung].T


def _inverse(below: Array, grid: Array, uniform: Array) -> Array:
    """Point of the grid (last axis) below which the share ``uniform`` lies, straight between."""
    place = np.clip((below < uniform[..., None]).sum(axis=-1), 1, below.shape[-1] - 1)[..., None]
    ends = [
        np.take_along_axis(a, place + d, axis=-1)[..., 0] for a in (below, grid) for d in (-1, 0)
    ]
    share = np.clip((uniform - ends[0]) / np.maximum(ends[1] - ends[0], 1e-12), 0.0, 1.0)
    return np.asarray(ends[2] + share * (ends[3] - ends[2]))


def rung_days(model: RungTimes, rung: int, middle: Array, athlete: Array, order: Array) -> Array:
    """Return days on a rung from its first session, (T, P).

    ``middle`` (T, P) is as in ``Times``, ``athlete`` (T, P) as from ``athlete_effects``, ``order``
    (T, P) standard normal: where in the rest each path lies.
    """
    k = block_of(order.shape[1], len(model.base))
    usual = _USUAL + model.base[k] + model.slope[k] * (np.log1p(middle) - _USUAL)
    rest = np.empty(order.shape)
    for draw, shape in enumerate(model.shape):
        rest[:, k == draw] = np.interp(ndtr(order[:, k == draw]), LEVELS, shape)
    log_days = usual + model.rung[k, rung] + athlete + rest
    return np.asarray(np.expm1(np.clip(log_days, 0.0, 12.0)))


def order_left(values: Array, shared: Array) -> Array:
    """Return normal scores of each row's order once what is shared has been taken out of it.

    ``values`` are (T, P), such as simulated days, ``shared`` (T, P, K) draws that other rungs have
    in common: they must come in once, and not again by the order of the paths.
    """
    scores = normal_scores(values)
    left = [
        y - x @ np.linalg.lstsq(x, y, rcond=None)[0] for x, y in zip(shared, scores, strict=True)
    ]
    return normal_scores(np.reshape(left, scores.shape))


def normal_scores(values: Array) -> Array:
    """Return the standard normal quantiles of each row's ranks; ties share theirs."""
    ranks = rankdata(values, axis=1)
    return np.asarray(ndtri((ranks - 0.5) / values.shape[1]))


PATHS = 256
MOST_DAYS = 7 * 104
"""Days simulated; a middle beyond them is an order, not a time."""


def new_grace(gaps: Array) -> Array:
    """(T,) weeks of ordinary rest on a rung to come, from its gap table."""
    return usual_grace(np.median(gaps, axis=1) / 7.0)


@dataclass(frozen=True, slots=True)
class Beginnings:
    """T rungs as far as they are known before their first session.

    ``rung`` (T,) numbers; ``day`` (T,) day number of the first session; ``gain`` (T,) factor on
    the gain; the others as in ``Starts``.
    """

    rung: Ints
    threshold: Array
    measure: Ints
    gaps: Array
    day: Array
    scatter: Array
    gain: Array


def middle_days(
    model: GrowthModel, plan: Plan, new: Beginnings, *, seed: int, paths: int = PATHS
) -> Array:
    """Return the middle of the simulated days from first session to clearing, (T,).

    From the rung's usual start and pace, the spread between athletes, and how this one trains:
    what the athlete's record says of their pace is left out on purpose (``times`` learns it).
    All rows share the random numbers of ``seed``, so that they don't depend on each other.
    """
    rows, fit = len(new.rung), model.fit
    if not rows:
        return np.empty(0)
    root = np.linalg.cholesky(fit.constants.pooling.own + np.diag(fit.constants.pooling.athlete))
    points = qmc.Sobol(3, rng=np.random.default_rng([seed, 2])).random(paths)
    spread = ndtri(np.clip(points, 1e-9, 1 - 1e-9)) @ root.T
    state = (fit.pooled.usual(new.rung)[:, None, :] + spread).transpose(2, 0, 1)
    state[1:] *= new.gain[:, None]
    none = np.zeros(rows)
    coming = Coming(
        threshold=new.threshold, measure=new.measure, grace=new_grace(new.gaps),
        confirm=plan.confirm[new.rung], run=none.astype(np.int64), untried=True, wait=none,
        origin=new.day, scatter=new.scatter, gaps=new.gaps, first_gaps=new.gaps,
        habits=untried_habits(rows, model.habits),
    )  # fmt: skip
    laws = path_laws([fit.constants.laws], paths, seed)
    climb = simulate_days(
        coming, state, laws, most_days=MOST_DAYS, seed=[seed, 3], middle_only=True
    )
    return np.asarray(np.median(climb.days, axis=1))
