"""What the log teaches about going from one rung to the next.

Learnt once from a log, so that what is said of one athlete never depends on who else is asked
about: delays before the next rung is begun, what a strong clearing and a quick rung carry over to
the next beyond the athlete's own effect, how gain goes with attendance, how clean sets are at each
level, and the factor by which rungs took longer than simulated at their first session:

    log(days + 1) = log(middle + 1) + factor + spread * t,

``middle`` that of the days the growth engine simulates for an unknown athlete who trains like this
one, t Student's with 6 degrees of freedom (some spells go oddly), spells that ended without
clearing known only to be longer. Integrated on a grid; with few spells the prior, which keeps the
engine's word, stands.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.optimize import minimize_scalar
from scipy.stats import t

from forecast.ahead.standing import ladder_plan, last_needs
from forecast.growth import CohortHabits, Tracked, clip_level, cohort_habits, usual_days
from forecast.histories import TABLE_SIZE, Histories
from forecast.types import Array, Flags, Ints

FACTOR_SD = 0.4
"""Prior spread of the log factor on times around 0 (judgement)."""
SPREAD, SPREAD_SD = 0.7, 0.4
"""How far single times lie from the middle, as a log, and how well that is known (judgement)."""
DEGREES = 6.0
FACTORS = np.linspace(-1.6, 1.6, 65)
SPREADS = np.exp(np.linspace(np.log(0.15), np.log(3.0), 25))
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
    factor, factor_sd
        Log of how much longer rungs took from their first session than the engine simulates.
    clean_intercept, clean_slope, clean_spread
        Logit of the share of clean sets at the target, its slope in level, and how far spells
        differ from it from spell to spell (standard deviation).
    """

    delays: Array
    carry_mean: Array
    carry_cov: Array
    margin: float
    elasticity: float
    elasticity_sd: float
    factor: float
    factor_sd: float
    clean_intercept: float
    clean_slope: float
    clean_spread: float


def learn_climbing(tracked: Tracked, histories: Histories, *, seed: int) -> Climbing:
    """Learn all of it from the log a growth engine was fitted on.

    Parameters
    ----------
    tracked, histories
        The log seen through the fitted engine, and the log.
    seed
        Seed of everything random.
    """
    steps = last_needs(histories)
    margin, own_pace = carry_regressors(tracked, histories)
    usual = float(np.nanmean(margin)) if np.isfinite(margin).any() else 0.0
    mean, cov = _learn_carry(tracked, steps, margin - usual, own_pace)
    elasticity, elasticity_sd = _learn_elasticity(tracked)
    clean, clean_spread = _learn_clean(tracked, histories)
    delays = steps["delay"].to_numpy(dtype=float)
    if not len(delays):  # none in the log: the cohort's usual gap
        delays = np.array([tracked.model.rhythm.median])
    # Times of the rungs whose first session the log shows.
    which = tracked.panel.longest_first
    which = which[~histories.spells["under_way"].to_numpy()[which]]
    begun = histories.spells.iloc[which]
    confirm = ladder_plan(histories.ladder).confirm[tracked.panel.rung[which]]
    middle = usual_days(tracked, which, confirm, seed=seed)
    days = 7.0 * begun["weeks"].to_numpy(dtype=float)
    factor, factor_sd = learn_factor(days, begun["cleared_on"].notna().to_numpy(), middle)
    levels = (np.arange(TABLE_SIZE) + 0.5) / TABLE_SIZE
    return Climbing(
        np.quantile(delays, levels), mean, cov, usual, elasticity, elasticity_sd, factor, factor_sd,
        clean.intercept, clean.slope, clean_spread,
    )  # fmt: skip


def learn_factor(days: Array, cleared: Flags, middle: Array) -> tuple[float, float]:
    """Return the log factor on times and its spread, from ``days`` (n,) beside their middles.

    ``cleared`` (n,): days to clearing; else the end of what is known.
    """
    error = (np.log1p(days) - np.log1p(middle))[:, None] - FACTORS
    mass = np.empty((len(SPREADS), len(FACTORS)))
    for row, spread in zip(mass, SPREADS, strict=True):
        z = error / spread
        ended = t.logpdf(z[cleared], DEGREES) - np.log(spread)
        row[:] = ended.sum(axis=0) + t.logsf(z[~cleared], DEGREES).sum(axis=0)
        row -= 0.5 * (np.log(spread / SPREAD) / SPREAD_SD) ** 2
    mass -= 0.5 * (FACTORS / FACTOR_SD) ** 2
    weight = np.exp(mass - mass.max()).sum(axis=0)
    weight /= weight.sum()
    mean = float(weight @ FACTORS)
    return mean, float(np.sqrt(weight @ (FACTORS - mean) ** 2))


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
) -> tuple[Array, Array]:
    """Start on margin and pace on own pace of the rung before, shrunk to 0."""
    before = np.full(len(margin), -1)
    before[steps["spell"]] = steps["before"]
    after = before >= 0
    design = np.zeros((tracked.panel.n_spells, 3, 2))
    design[after, 0, 0] = margin[before[after]]
    design[after, 2, 1] = own_pace[before[after]]
    return tracked.regress(design, CARRY_SD)


def _learn_elasticity(tracked: Tracked) -> tuple[float, float]:
    """How gain goes with sessions a week over all spells: association, shrunk to none."""
    panel = tracked.panel
    # Sessions a week on each spell while training, layoffs left out; none for short ones.
    gap = panel.gap
    inner = (panel.number > 0) & (gap <= 7.0 * panel.grace[panel.spell])
    count = np.bincount(panel.spell[inner], minlength=panel.n_spells)
    days = np.bincount(panel.spell[inner], gap[inner], minlength=panel.n_spells)
    enough = count + 1 >= MIN_RATE_SESSIONS
    if not enough.any():
        return 0.0, ELASTICITY_SD
    log_rate = np.zeros(panel.n_spells)
    log_rate[enough] = np.log(7.0 * count[enough] / np.maximum(days[enough], 1.0))
    log_rate[enough] -= log_rate[enough].mean()
    design = np.zeros((panel.n_spells, 3, 1))
    design[:, 1:, 0] = log_rate[:, None] * tracked.model.fit.pooled.usual(panel.rung)[:, 1:]
    mean, cov = tracked.regress(design, np.array([ELASTICITY_SD]))
    return float(mean[0]), float(np.sqrt(cov[0, 0]))


def _learn_clean(tracked: Tracked, histories: Histories) -> tuple[CohortHabits, float]:
    """Return the share of clean sets by level, and how far spells differ on the logit scale."""
    panel, level = tracked.panel, tracked.filtered.mean[:, 0]
    clean = histories.sessions["n_clean"].to_numpy(dtype=float)
    sets = panel.n_sets.astype(float)
    cohort = cohort_habits(clean, sets, level)
    base = cohort.intercept + cohort.slope * clip_level(level)
    _, who = np.unique(panel.spell, return_inverse=True)
    return cohort, spread_of_logits(clean, sets, base, who)


def spread_of_logits(hits: Array, trials: Array, base: Array, group: Ints) -> float:
    """Return how far groups (numbered from 0) differ on the logit scale, around ``base`` (N,)."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(21)
    log_weights = np.log(weights / weights.sum())
    n = int(group.max()) + 1

    def loss(log_spread: float) -> float:
        logit = base[:, None] + np.exp(log_spread) * nodes
        log_p = hits[:, None] * logit - trials[:, None] * np.logaddexp(0.0, logit)
        by_group = np.zeros((n, len(nodes)))
        np.add.at(by_group, group, log_p)
        evidence = np.logaddexp.reduce(by_group + log_weights, axis=1).sum()
        # A weak prior around 0.7 keeps a handful of groups from an answer of nothing.
        return float(-evidence + 0.5 * ((log_spread - np.log(0.7)) / 0.7) ** 2)

    return float(np.exp(minimize_scalar(loss, bounds=(-4.0, 1.5), method="bounded").x))
