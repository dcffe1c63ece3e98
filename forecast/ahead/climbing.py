"""What the log teaches about going from one rung to the next.

Learnt once from a log, so that what is said of one athlete never depends on who else is asked
about: delays before the next rung is begun, what a strong clearing and a quick rung carry over to
the next beyond the athlete's own effect, how gain goes with attendance, how far forecasts made at
the start of a rung were off, and how clean sets are at each level.

Spells are normal in (start, swing, pace) with rungs, athletes and own effects as pooled by the
growth engine; a further shift ``design @ b`` then has a normal posterior in closed form, with
athletes' effects integrated out and b shrunk to 0 by its prior (Lindley & Smith 1972, J. R. Stat.
Soc. B 34:1).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.optimize import minimize_scalar

from forecast.ahead.standing import ladder_plan, last_needs
from forecast.ahead.times import Beginnings, RungTimes, Times, fit_rung_times, middle_days
from forecast.growth import (
    CohortHabits,
    GrowthModel,
    Panel,
    Tracked,
    centred,
    clip_level,
    cohort_habits,
    priors_from_others,
    recent_gaps,
    spell_information,
    stretches,
)
from forecast.histories import TABLE_SIZE, Histories, gap_table
from forecast.types import Array, Ints

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
    margin, own_pace = carry_regressors(model, tracked, histories)
    usual = float(np.nanmean(margin)) if np.isfinite(margin).any() else 0.0
    mean, cov, n_carry = _learn_carry(model, tracked, steps, margin - usual, own_pace)
    elasticity, spread = _learn_elasticity(model, tracked)
    known = start_times(model, tracked, histories, begun_in_log(tracked, histories), seed)
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


def carry_regressors(
    model: GrowthModel, tracked: Tracked, histories: Histories
) -> tuple[Array, Array]:
    """Return, by row of ``histories.spells``, the margin at clearing and the spell's own pace.

    The margin is the level over the pass mark after the clearing session, in log units (NaN where
    not cleared); the own pace what the spell says beyond its rung and its athlete, in units a
    week. Both are posterior means, so that a slope on them is a slope on the truth (regression
    calibration: Carroll et al. 2006, Measurement Error in Nonlinear Models, ch. 4).
    """
    panel, filtered, constants = tracked.panel, tracked.filtered, model.fit.constants
    everyone = np.arange(panel.n_spells)
    mean, cov = priors_from_others(
        panel, constants, model.fit.pooled, tracked.loose, everyone, finished_only=True
    )
    between = stretches(panel, constants.clock, constants.dynamics)
    info = spell_information(between, filtered.site_mean, filtered.site_var)
    surprise = info.score - np.einsum("sij,sj->si", info.information, mean)
    pulled = np.linalg.solve(np.eye(3) + info.information @ cov, surprise[:, :, None])[:, :, 0]
    own = pulled @ constants.pooling.own
    margin = np.full(len(histories.spells), np.nan)
    pace = np.zeros(len(histories.spells))
    pace[:] = own[:, 2]
    margin[:] = filtered.mean[panel.last, 0] - panel.threshold
    margin[histories.spells["cleared_on"].isna().to_numpy()] = np.nan
    return margin, pace


def _learn_carry(
    model: GrowthModel, tracked: Tracked, steps: pd.DataFrame, margin: Array, own_pace: Array
) -> tuple[Array, Array, int]:
    """Start on margin and pace on own pace of the rung before, shrunk to 0."""
    panel = tracked.panel
    before = np.full(len(margin), -1)
    before[steps["spell"]] = steps["before"]
    known = before >= 0
    design = np.zeros((panel.n_spells, 3, 2))
    design[known, 0, 0] = margin[before[known]]
    design[known, 2, 1] = own_pace[before[known]]
    return *_regress(model, tracked, design, CARRY_SD), int(known.sum())


def session_rates(panel: Panel) -> Array:
    """(S,) sessions a week on each spell while training, layoffs left out; NaN for short ones."""
    gap = panel.gap
    inner = (panel.number > 0) & (gap <= 7.0 * panel.grace[panel.spell])
    count = np.bincount(panel.spell[inner], minlength=panel.n_spells)
    days = np.bincount(panel.spell[inner], gap[inner], minlength=panel.n_spells)
    enough = count + 1 >= MIN_RATE_SESSIONS
    return np.where(enough, 7.0 * count / np.maximum(days, 1.0), np.nan)


def _learn_elasticity(model: GrowthModel, tracked: Tracked) -> tuple[float, float]:
    """How gain goes with sessions a week over all spells: association, shrunk to none."""
    panel = tracked.panel
    rate = session_rates(panel)
    known = np.isfinite(rate)
    if not known.any():
        return 0.0, ELASTICITY_SD
    log_rate = np.where(known, np.log(rate) - np.log(rate[known]).mean(), 0.0)
    design = np.zeros((panel.n_spells, 3, 1))
    design[:, 1:, 0] = log_rate[:, None] * model.fit.pooled.usual(panel.rung)[:, 1:]
    mean, cov = _regress(model, tracked, design, np.array([ELASTICITY_SD]))
    return float(mean[0]), float(np.sqrt(cov[0, 0]))


def _regress(
    model: GrowthModel, tracked: Tracked, design: Array, prior_sd: Array
) -> tuple[Array, Array]:
    """Posterior of the coefficients of a design over all spells; see ``regress_spells``."""
    panel, fit = tracked.panel, model.fit
    _, score, information = centred(tracked.loose, panel.rung, fit.pooled.common_mean)
    athlete_var = fit.constants.pooling.athlete
    return regress_spells(score, information, panel.athlete, athlete_var, design, prior_sd)


def start_times(
    model: GrowthModel, tracked: Tracked, histories: Histories, which: Ints, seed: int
) -> Times:
    """Return times on the rungs that these spells (places in the panel) began in the log.

    Beside each time stands what the growth engine would have said of the rung at the first
    session, from how the athlete trained until then.
    """
    panel = tracked.panel
    spells = histories.spells.iloc[which]
    first = panel.start[which]
    new = Beginnings(
        rung=panel.rung[which], threshold=panel.threshold[which], measure=panel.measure[which],
        gaps=gap_table(recent_gaps(panel, first), model.rhythm), day=panel.day[first].astype(float),
        scatter=tracked.filtered.scatter[which], gain=np.ones(len(which)),
    )  # fmt: skip
    middle = middle_days(model, ladder_plan(histories.ladder), new, seed=seed)
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


def regress_spells(
    score: Array,
    information: Array,
    athlete: Ints,
    athlete_var: Array,
    design: Array,
    prior_sd: Array,
) -> tuple[Array, Array]:
    """Return posterior mean (K,) and covariance (K, K) of the coefficients of ``design`` (S, 3, K).

    ``score`` (S, 3) and ``information`` (S, 3, 3) are what each spell says about its athlete's
    effect, own effect integrated out, centre and rung taken away (``growth.pooling.centred``);
    ``athlete`` (S,) is whose spell it is, ``athlete_var`` (3,) the variance of athletes' effects,
    ``prior_sd`` (K,) the spread of each coefficient around 0.
    """
    _, who = np.unique(athlete, return_inverse=True)
    n = int(who.max(initial=-1)) + 1
    precision = np.tile(np.diag(1.0 / athlete_var), (n, 1, 1))
    total = np.zeros((n, 3))
    cross = np.zeros((n, 3, design.shape[2]))
    weighted = information @ design
    np.add.at(precision, who, information)
    np.add.at(total, who, score)
    np.add.at(cross, who, weighted)
    solved = np.linalg.solve(precision, np.concatenate([total[:, :, None], cross], axis=2))
    told = np.einsum("sik,si->k", design, score) - np.einsum("aik,ai->k", cross, solved[..., 0])
    sharp = np.einsum("sik,sil->kl", design, weighted)
    sharp -= np.einsum("aik,ail->kl", cross, solved[..., 1:])
    cov = np.linalg.inv(0.5 * (sharp + sharp.T) + np.diag(prior_sd**-2.0))
    return cov @ told, cov
