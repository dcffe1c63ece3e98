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

from forecast.ahead.learning import Beginnings, learn_clean, middle_days, regress_spells
from forecast.ahead.standing import ladder_plan
from forecast.ahead.times import RungTimes, Times, fit_rung_times
from forecast.growth import GrowthModel, Tracked, track
from forecast.growth.athletes import priors_from_others
from forecast.growth.information import spell_information
from forecast.growth.panel import Panel
from forecast.growth.pooling import centred
from forecast.growth.targets import recent_gaps
from forecast.histories import Histories
from forecast.histories.attendance import TABLE_SIZE, gap_table
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

    def to_dict(self) -> dict[str, object]:
        """Return the contents under their names, for saving."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__}


def learn_climbing(
    model: GrowthModel,
    histories: Histories,
    *,
    seed: int,
    tracked: Tracked | None = None,
    progress: Callable[[str], None] | None = None,
) -> Climbing:
    """Learn all of it from the log a growth model was fitted on.

    Parameters
    ----------
    model
        The fitted growth engine.
    histories
        The log it was fitted on.
    seed
        Seed of everything random.
    tracked
        The log seen through the engine, where that has been done already.
    progress
        Called with a few words.
    """
    if progress:
        progress("the way from rung to rung")
    tracked = tracked or track(model, histories)
    steps = last_needs(histories)
    margin, own_pace = carry_regressors(model, tracked, histories)
    usual = float(np.nanmean(margin)) if np.isfinite(margin).any() else 0.0
    mean, cov, n_carry = _learn_carry(model, tracked, steps, margin - usual, own_pace)
    elasticity, spread = _learn_elasticity(model, tracked)
    known = start_times(model, tracked, histories, begun_in_log(tracked, histories), seed)
    times = fit_rung_times(known, model.fit.n_rungs, [seed, 9])
    clean = learn_clean(tracked, histories)
    return Climbing(
        delays=_delay_table(steps, model),
        carry_mean=mean,
        carry_cov=cov,
        margin=usual,
        elasticity=elasticity,
        elasticity_sd=spread,
        times=times,
        clean_intercept=clean[0].intercept,
        clean_slope=clean[0].slope,
        clean_spread=clean[1],
        n_carry=n_carry,
        cleared=np.bincount(known.rung[known.cleared], minlength=model.fit.n_rungs),
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
    gap = panel.gap
    inner = (panel.number > 0) & (gap <= 7.0 * panel.grace[panel.spell])
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
    design = np.zeros((panel.n_spells, 3, 1))
    design[:, 1:, 0] = log_rate[:, None] * fit.pooled.usual(panel.rung)[:, 1:]
    _, score, information = centred(tracked.loose, panel.rung, fit.pooled.common_mean)
    mean, cov = regress_spells(
        score, information, panel.athlete, fit.constants.pooling.athlete, design,
        np.array([ELASTICITY_SD]),
    )  # fmt: skip
    return float(mean[0]), float(np.sqrt(cov[0, 0]))


def start_times(
    model: GrowthModel, tracked: Tracked, histories: Histories, which: Ints, seed: int
) -> Times:
    """Return times on the rungs that these spells (places in the panel) began in the log.

    Beside each time stands what the growth engine would have said of the rung at the first
    session, from how the athlete trained until then.
    """
    panel = tracked.panel
    spells = histories.spells.iloc[panel.spell_row[which]]
    first = panel.start[which]
    new = Beginnings(
        rung=panel.rung[which],
        threshold=panel.threshold[which],
        measure=panel.measure[which],
        gaps=gap_table(recent_gaps(panel, first), model.rhythm),
        day=panel.day[first].astype(float),
        scatter=panel.scatter[which],
        gain=np.ones(len(which)),
    )
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
    late = histories.spells["under_way"].to_numpy()[tracked.panel.spell_row]
    return np.flatnonzero(~late)


def _delay_table(steps: pd.DataFrame, model: GrowthModel) -> Array:
    """Quantiles of the delays; the cohort's usual gap where the log shows none."""
    levels = (np.arange(TABLE_SIZE) + 0.5) / TABLE_SIZE
    delays = steps["delay"].to_numpy(dtype=float)
    return np.quantile(delays, levels) if len(delays) else np.full(TABLE_SIZE, model.rhythm.median)
