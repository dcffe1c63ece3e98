"""What the log teaches about going from one rung to the next.

Learnt once from a log, so that what is said of one athlete never depends on who else is asked
about: delays before the next rung is begun, what a strong clearing and a quick rung carry over to
the next beyond the athlete's own effect, how gain goes with attendance, how far forecasts made at
the start of a rung were off, and how clean sets are at each level.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar
from scipy.special import expit, gammaln

from forecast.ahead.regression import regress_spells
from forecast.ahead.sampler import Starts, climb, spread_constants
from forecast.ahead.standing import ladder_plan
from forecast.growth import GrowthModel, Tracked, track
from forecast.growth.athletes import priors_from_others
from forecast.growth.engine import recent_gaps
from forecast.growth.habits import CohortHabits, _clip, cohort_habits, untried_habits
from forecast.growth.information import spell_information
from forecast.growth.panel import GRACE_WEEKS, Panel
from forecast.growth.pooling import centred
from forecast.histories import Histories
from forecast.histories.attendance import TABLE_SIZE, gap_table
from forecast.readiness.combine import Combiner, fit_combiner

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

CARRY_SD = np.array([0.4, 0.4])
"""Prior spread of start per unit of margin, and of pace per unit of own pace (judgement)."""
ELASTICITY_SD = 0.5
"""Prior spread of the elasticity of gain on sessions a week (judgement)."""
MIN_RATE_SESSIONS = 5
START_PATHS = 128
MIN_STARTS = 12
"""Fewer spells than this, and forecasts from the start of a rung are left as they are."""


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
    starts
        Recalibration of forecasts made at the start of a rung.
    clean_intercept, clean_slope, clean_spread
        Logit of the share of clean sets at the target, its slope in level, and how far spells
        differ from it from spell to spell (standard deviation).
    n_carry, n_starts
        Numbers of spells behind the carry-over and the recalibration.
    """

    delays: Array
    carry_mean: Array
    carry_cov: Array
    margin: float
    elasticity: float
    elasticity_sd: float
    starts: Combiner
    clean_intercept: float
    clean_slope: float
    clean_spread: float
    n_carry: int
    n_starts: int

    def to_dict(self) -> dict[str, object]:
        """Return the contents under their names, for saving."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__}


def learn_climbing(
    model: GrowthModel,
    histories: Histories,
    *,
    horizon_weeks: int,
    seed: int,
    progress: Callable[[str], None] | None = None,
) -> Climbing:
    """Learn all of it from the log a growth model was fitted on.

    Parameters
    ----------
    model
        The fitted growth engine.
    histories
        The log it was fitted on.
    horizon_weeks
        Weeks over which forecasts made at the start of a rung are judged.
    seed
        Seed of the forecasts that are judged.
    progress
        Called with a few words.

    Raises
    ------
    FitError
        The recalibration's score is not a number.
    """
    if progress:
        progress("the way from rung to rung")
    tracked = track(model, histories)
    steps = last_needs(histories)
    margin, own_pace = carry_regressors(model, tracked, histories)
    usual = float(np.nanmean(margin)) if np.isfinite(margin).any() else 0.0
    mean, cov, n_carry = _learn_carry(model, tracked, steps, margin - usual, own_pace)
    elasticity, spread = _learn_elasticity(model, tracked)
    starts, n_starts = _learn_starts(model, tracked, histories, horizon_weeks, seed)
    clean = _learn_clean(tracked, histories)
    return Climbing(
        delays=_delay_table(steps, model),
        carry_mean=mean,
        carry_cov=cov,
        margin=usual,
        elasticity=elasticity,
        elasticity_sd=spread,
        starts=starts,
        clean_intercept=clean[0].intercept,
        clean_slope=clean[0].slope,
        clean_spread=clean[1],
        n_carry=n_carry,
        n_starts=n_starts,
    )


def last_needs(histories: Histories) -> pd.DataFrame:
    """Return, for spells whose needed rungs the log shows cleared, the step that led to them.

    One row a spell: ``spell`` and ``before`` (rows of ``histories.spells``; the need cleared
    last), ``delay`` (days from the rung being open, ``min_weeks`` served, to its first session; 0
    where the coach did not wait).
    """
    spells, plan = histories.spells, ladder_plan(histories.ladder)
    done = spells[spells["cleared_on"].notna()].reset_index(names="row")
    by_key = done.set_index(["athlete", "rung_index"])[["row", "cleared_on"]]
    rows = []
    for spell, athlete, rung, start in zip(
        spells.index, spells["athlete"], spells["rung_index"], spells["start"], strict=True
    ):
        needs = [(athlete, need) for need in plan.needs[rung]]
        if not needs or not all(need in by_key.index for need in needs):
            continue
        cleared = [by_key.loc[need, "cleared_on"] for need in needs]
        last = int(np.argmax([day.value for day in cleared]))
        if cleared[last] > start:
            continue
        ready = max(
            day + pd.Timedelta(days=plan.min_days[need[1]])
            for day, need in zip(cleared, needs, strict=True)
        )
        delay = max((start - ready).days, 0)
        rows.append((spell, int(by_key.loc[needs[last], "row"]), float(delay)))
    return pd.DataFrame(rows, columns=["spell", "before", "delay"])


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
    info = spell_information(panel, constants.dynamics, filtered.site_mean, filtered.site_var)
    surprise = info.score - np.einsum("sij,sj->si", info.information, mean)
    pulled = np.linalg.solve(np.eye(3) + info.information @ cov, surprise[:, :, None])[:, :, 0]
    own = pulled @ constants.pooling.own
    margin = np.full(len(histories.spells), np.nan)
    pace = np.zeros(len(histories.spells))
    pace[panel.spell_row] = own[:, 2]
    margin[panel.spell_row] = filtered.mean[panel.last, 0] - panel.threshold
    margin[histories.spells["cleared_on"].isna().to_numpy()] = np.nan
    return margin, pace


def _learn_carry(
    model: GrowthModel, tracked: Tracked, steps: pd.DataFrame, margin: Array, own_pace: Array
) -> tuple[Array, Array, int]:
    """Start on margin and pace on own pace of the rung before, shrunk to 0."""
    panel, fit = tracked.panel, model.fit
    before = np.full(len(margin), -1)
    before[steps["spell"]] = steps["before"]
    before = before[panel.spell_row]
    known = before >= 0
    design = np.zeros((panel.n_spells, 3, 2))
    design[known, 0, 0] = margin[before[known]]
    design[known, 2, 1] = own_pace[before[known]]
    _, score, information = centred(tracked.loose, panel.rung, fit.pooled.common_mean)
    mean, cov = regress_spells(
        score, information, panel.athlete, fit.constants.pooling.athlete, design, CARRY_SD
    )
    return mean, cov, int(known.sum())


def session_rates(panel: Panel) -> Array:
    """(S,) sessions a week on each spell while training, layoffs left out; NaN for short ones."""
    gap = np.diff(panel.day, prepend=panel.day[:1]).astype(float)
    inner = np.ones(panel.n_sessions, dtype=bool)
    inner[panel.start] = False
    inner &= gap <= 7.0 * panel.grace[panel.spell]
    count = np.bincount(panel.spell[inner], minlength=panel.n_spells)
    days = np.bincount(panel.spell[inner], gap[inner], minlength=panel.n_spells)
    enough = count + 1 >= MIN_RATE_SESSIONS
    return np.where(enough, 7.0 * count / np.maximum(days, 1.0), np.nan)


def _learn_elasticity(model: GrowthModel, tracked: Tracked) -> tuple[float, float]:
    """How gain goes with sessions a week over all spells: association, shrunk to none."""
    panel, fit = tracked.panel, model.fit
    rate = session_rates(panel)
    known = np.isfinite(rate)
    if not known.any():
        return 0.0, ELASTICITY_SD
    log_rate = np.where(known, np.log(np.where(known, rate, 1.0)), 0.0)
    log_rate = np.where(known, log_rate - log_rate[known].mean(), 0.0)
    usual = fit.pooled.common_mean[:3] + fit.pooled.common_mean[3:].reshape(-1, 3)
    design = np.zeros((panel.n_spells, 3, 1))
    design[:, 1:, 0] = log_rate[:, None] * usual[panel.rung, 1:]
    _, score, information = centred(tracked.loose, panel.rung, fit.pooled.common_mean)
    mean, cov = regress_spells(
        score, information, panel.athlete, fit.constants.pooling.athlete, design,
        np.array([ELASTICITY_SD]),
    )  # fmt: skip
    return float(mean[0]), float(np.sqrt(cov[0, 0]))


def _learn_starts(
    model: GrowthModel, tracked: Tracked, histories: Histories, horizon_weeks: int, seed: int
) -> tuple[Combiner, int]:
    """Judge what would have been said at the start of each spell, and recalibrate it."""
    panel, fit = tracked.panel, model.fit
    spells = histories.spells.iloc[panel.spell_row]
    which = np.flatnonzero(~spells["under_way"].to_numpy())
    if len(which) < MIN_STARTS:
        return Combiner(), len(which)
    spells = spells.iloc[which]
    mean, cov = priors_from_others(
        panel, fit.constants, fit.pooled, tracked.loose, which, finished_only=True
    )
    z = np.random.default_rng([seed, 2]).standard_normal((START_PATHS, 3))
    state = mean[:, None, :] + np.einsum("tij,pj->tpi", np.linalg.cholesky(cov), z)
    gaps = gap_table(recent_gaps(panel, panel.start[which]), model.rhythm)
    confirm = ladder_plan(histories.ladder).confirm[panel.rung[which]]
    none = np.zeros(len(which))
    starts = Starts(
        level=state[..., 0], swing=state[..., 1], pace=state[..., 2],
        threshold=panel.threshold[which], measure=panel.measure[which], grace=new_grace(gaps),
        confirm=confirm, run=none.astype(np.int64), begun=none.astype(bool), wait=none,
        done=none, origin=np.repeat(panel.day[panel.start[which]][:, None], START_PATHS, axis=1),
        scatter=panel.scatter[which],
        gaps=gaps, first_gaps=gaps, habits=untried_habits(len(which), model.habits),
    )  # fmt: skip
    days = 7 * horizon_weeks
    found = climb(
        starts, spread_constants([fit.constants], START_PATHS), most_days=days, seed=[seed, 3]
    )
    weeks = np.arange(horizon_weeks + 1, dtype=float)
    chance = (found.days[:, :, None] <= 7.0 * weeks).mean(axis=1)
    combiner = fit_combiner(
        chance,
        chance,
        weeks,
        spells["weeks"].to_numpy(dtype=float),
        spells["cleared_on"].notna().to_numpy(),
        spells["athlete_id"].to_numpy(dtype=np.int64),
    )
    return combiner, len(which)


def new_grace(gaps: Array) -> Array:
    """(T,) weeks of ordinary rest on a rung to come, from its gap table."""
    return np.maximum(GRACE_WEEKS, 3.0 * np.median(gaps, axis=1) / 7.0)


def _delay_table(steps: pd.DataFrame, model: GrowthModel) -> Array:
    """Quantiles of the delays; the cohort's usual gap where the log shows none."""
    levels = (np.arange(TABLE_SIZE) + 0.5) / TABLE_SIZE
    delays = steps["delay"].to_numpy(dtype=float)
    return np.quantile(delays, levels) if len(delays) else np.full(TABLE_SIZE, model.rhythm.median)


def _learn_clean(tracked: Tracked, histories: Histories) -> tuple[CohortHabits, float]:
    """Share of clean sets by level, and how far athletes differ."""
    panel = tracked.panel
    level = tracked.filtered.mean[:, 0]
    clean = histories.sessions["n_clean"].to_numpy(dtype=float)[panel.session_row]
    sets = panel.n_sets.astype(float)
    cohort = cohort_habits(clean, sets, level)
    base = cohort.intercept + cohort.slope * _clip(level)
    _, who = np.unique(panel.spell, return_inverse=True)
    return cohort, spread_of_logits(clean, sets, base, who)


def spread_of_logits(hits: Array, trials: Array, base: Array, group: Ints) -> float:
    """Return how far groups differ on the logit scale: marginal likelihood, one number.

    Parameters
    ----------
    hits, trials
        (N,) counts.
    base
        (N,) logit expected of each count without the group's own shift.
    group
        (N,) group number, 0 to the number of groups less one.
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


def upper_tail(hits: int, trials: int, logit: Array, weight: Array) -> float:
    """Chance of ``hits`` or more in ``trials``, the logit drawn from ``logit`` by ``weight``."""
    k = np.arange(hits, trials + 1)
    log_choose = gammaln(trials + 1) - gammaln(k + 1) - gammaln(trials - k + 1)
    p = np.clip(expit(logit), 1e-12, 1 - 1e-12)[:, None]
    mass = np.exp(log_choose + k * np.log(p) + (trials - k) * np.log1p(-p)).sum(axis=1)
    return float((weight * mass).sum())
