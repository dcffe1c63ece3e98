"""What the log teaches about going from one rung to the next.

Learnt once from a log, so that what is said of one athlete never depends on who else is asked
about: delays before the next rung is begun, what a strong clearing and a quick rung carry over to
the next beyond the athlete's own effect, how gain goes with attendance, how clean sets are at each
level, and how far forecasts made at the start of a rung were off:

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
from typing import Any

import numpy as np
import pandas as pd
from scipy.optimize import minimize_scalar
from scipy.special import ndtr, ndtri
from scipy.stats import qmc, rankdata, t

from forecast.ahead.standing import Plan, ladder_plan, last_needs
from forecast.growth import (
    CohortHabits,
    Coming,
    GrowthModel,
    Tracked,
    block_of,
    clip_level,
    cohort_habits,
    path_laws,
    simulate_days,
    untried_habits,
    usual_gaps,
    usual_grace,
)
from forecast.histories import TABLE_SIZE, Histories
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


CARRY_SD = np.array([0.4, 0.4])
"""Prior spread of start per unit of margin, and of pace per unit of own pace (judgement)."""
ELASTICITY_SD = 0.5
"""Prior spread of the elasticity of gain on sessions a week (judgement)."""
MIN_RATE_SESSIONS = 5


@dataclass(frozen=True, slots=True)
class Climbing:
    """What a log taught about going up the ladder.

    Attributes
    ----------
    delays
        (TABLE_SIZE,) days from a rung being open to its first session, as quantiles.
    carry_mean, carry_cov
        (2,), (2, 2): log units of start per log unit of margin at the last clearing; pace carried
        over per unit of the last rung's own pace.
    margin
        Usual margin at clearing, in log units.
    elasticity, elasticity_sd
        Share by which gain rises for each share by which sessions a week rise.
    times
        Time on a rung from its first session, next to what the growth engine says of it.
    clean_intercept, clean_slope, clean_spread
        Logit of the share of clean sets at the target, its slope in level, and how far spells
        differ from it from spell to spell (standard deviation).
    n_carry
        Number of spells behind the carry-over.
    cleared
        (R,) spells by rung that the log shows from their first session to clearing.
    """

    delays: Array
    carry_mean: Array
    carry_cov: Array
    margin: float
    elasticity: float
    elasticity_sd: float
    times: RungTimes
    clean_intercept: float
    clean_slope: float
    clean_spread: float
    n_carry: int
    cleared: Ints


def learn_climbing(
    model: GrowthModel, histories: Histories, *, seed: int, tracked: Tracked
) -> Climbing:
    """Learn all of it from the log a growth engine was fitted on.

    Parameters
    ----------
    model, histories, tracked
        The fitted engine, the log, and the log seen through the engine.
    seed
        Seed of everything random.
    """
    steps = last_needs(histories)
    margin, own_pace = carry_regressors(tracked, histories)
    usual = float(np.nanmean(margin)) if np.isfinite(margin).any() else 0.0
    mean, cov, n_carry = _learn_carry(tracked, steps, margin - usual, own_pace)
    elasticity, spread = _learn_elasticity(tracked)
    known = start_times(tracked, histories, begun_in_log(tracked, histories), seed)
    clean, clean_spread = learn_clean(tracked, histories)
    return Climbing(
        delays=_delay_table(steps, model),
        carry_mean=mean, carry_cov=cov, margin=usual,
        elasticity=elasticity, elasticity_sd=spread,
        times=fit_rung_times(known, model.fit.n_rungs, [seed, 9]),
        clean_intercept=clean.intercept, clean_slope=clean.slope, clean_spread=clean_spread,
        n_carry=n_carry,
        cleared=np.bincount(known.rung[known.cleared], minlength=model.fit.n_rungs),
    )  # fmt: skip


def carry_regressors(tracked: Tracked, histories: Histories) -> tuple[Array, Array]:
    """Return, by row of ``histories.spells``, the margin at clearing and the spell's own pace.

    The margin is the level over the pass mark after the clearing session, in log units (NaN where
    not cleared); the own pace what the spell says beyond its rung and its athlete, in units a
    week. Both are posterior means, so that a slope on them is a slope on the truth (regression
    calibration: Carroll et al. 2006, Measurement Error in Nonlinear Models, ch. 4).
    """
    panel = tracked.panel
    margin = tracked.filtered.mean[panel.last, 0] - panel.threshold
    cleared = histories.spells["cleared_on"].notna().to_numpy()
    return np.where(cleared, margin, np.nan), tracked.own_paces()


def _learn_carry(
    tracked: Tracked, steps: pd.DataFrame, margin: Array, own_pace: Array
) -> tuple[Array, Array, int]:
    """Start on margin and pace on own pace of the rung before, shrunk to 0."""
    panel = tracked.panel
    before = np.full(len(margin), -1)
    before[steps["spell"]] = steps["before"]
    known = before >= 0
    design = np.zeros((panel.n_spells, 3, 2))
    design[known, 0, 0] = margin[before[known]]
    design[known, 2, 1] = own_pace[before[known]]
    return *tracked.regress(design, CARRY_SD), int(known.sum())


def session_rates(panel: Any) -> Array:
    """(S,) sessions a week on each spell while training, layoffs left out; NaN for short ones."""
    gap = panel.gap
    inner = (panel.number > 0) & (gap <= 7.0 * panel.grace[panel.spell])
    count = np.bincount(panel.spell[inner], minlength=panel.n_spells)
    days = np.bincount(panel.spell[inner], gap[inner], minlength=panel.n_spells)
    enough = count + 1 >= MIN_RATE_SESSIONS
    return np.where(enough, 7.0 * count / np.maximum(days, 1.0), np.nan)


def _learn_elasticity(tracked: Tracked) -> tuple[float, float]:
    """How gain goes with sessions a week over all spells: association, shrunk to none."""
    panel = tracked.panel
    rate = session_rates(panel)
    known = np.isfinite(rate)
    if not known.any():
        return 0.0, ELASTICITY_SD
    log_rate = np.where(known, np.log(rate) - np.log(rate[known]).mean(), 0.0)
    design = np.zeros((panel.n_spells, 3, 1))
    design[:, 1:, 0] = log_rate[:, None] * tracked.model.fit.pooled.usual(panel.rung)[:, 1:]
    mean, cov = tracked.regress(design, np.array([ELASTICITY_SD]))
    return float(mean[0]), float(np.sqrt(cov[0, 0]))


def start_times(tracked: Tracked, histories: Histories, which: Ints, seed: int) -> Times:
    """Return times on the rungs that these spells (places in the panel) began in the log.

    Beside each time stands what the growth engine would have said of the rung at the first
    session, from how the athlete trained until then.
    """
    panel = tracked.panel
    spells = histories.spells.iloc[which]
    first = panel.start[which]
    new = Beginnings(
        rung=panel.rung[which], threshold=panel.threshold[which], measure=panel.measure[which],
        gaps=usual_gaps(tracked.model, panel, first), day=panel.day[first].astype(float),
        scatter=tracked.filtered.scatter[which], gain=np.ones(len(which)),
    )  # fmt: skip
    middle = middle_days(tracked.model, ladder_plan(histories.ladder), new, seed=seed)
    return Times(
        days=7.0 * spells["weeks"].to_numpy(dtype=float),
        cleared=spells["cleared_on"].notna().to_numpy(),
        middle=middle,
        athlete=spells["athlete_id"].to_numpy(dtype=np.int64),
        rung=spells["rung_index"].to_numpy(dtype=np.int64),
    )


def begun_in_log(tracked: Tracked, histories: Histories) -> Ints:
    """Places in the panel of the spells whose first session the log shows."""
    which = tracked.panel.longest_first
    return which[~histories.spells["under_way"].to_numpy()[which]]


def _delay_table(steps: pd.DataFrame, model: GrowthModel) -> Array:
    """Quantiles of the delays; the cohort's usual gap where the log shows none."""
    levels = (np.arange(TABLE_SIZE) + 0.5) / TABLE_SIZE
    delays = steps["delay"].to_numpy(dtype=float)
    return np.quantile(delays, levels) if len(delays) else np.full(TABLE_SIZE, model.rhythm.median)


def learn_clean(tracked: Tracked, histories: Histories) -> tuple[CohortHabits, float]:
    """Return the share of clean sets by level, and how far spells differ on the logit scale."""
    panel = tracked.panel
    level = tracked.filtered.mean[:, 0]
    clean = histories.sessions["n_clean"].to_numpy(dtype=float)
    sets = panel.n_sets.astype(float)
    cohort = cohort_habits(clean, sets, level)
    base = cohort.intercept + cohort.slope * clip_level(level)
    _, who = np.unique(panel.spell, return_inverse=True)
    return cohort, spread_of_logits(clean, sets, base, who)


def spread_of_logits(hits: Array, trials: Array, base: Array, group: Ints) -> float:
    """Return how far groups differ on the logit scale: marginal likelihood, one number.

    ``base`` (N,) is the logit expected of the counts without the group's own shift; groups are
    numbered from 0.
    """
    nodes, weights = np.polynomial.hermite_e.hermegauss(21)
    log_weights = np.log(weights / weights.sum())
    n = int(group.max()) + 1

    def loss(log_spread: float) -> float:
        shift = np.exp(log_spread) * nodes
        logit = base[:, None] + shift
        log_p = hits[:, None] * logit - trials[:, None] * np.logaddexp(0.0, logit)
        by_group = np.zeros((n, len(nodes)))
        np.add.at(by_group, group, log_p)
        evidence = np.logaddexp.reduce(by_group + log_weights, axis=1).sum()
        # A weak prior around 0.7 keeps a handful of groups from an answer of nothing.
        return float(-evidence + 0.5 * ((log_spread - np.log(0.7)) / 0.7) ** 2)

    return float(np.exp(minimize_scalar(loss, bounds=(-4.0, 1.5), method="bounded").x))
