"""Rolling-origin backtest: fit before each cut, forecast, score against what came of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import pandas as pd
from joblib import Parallel, delayed, effective_n_jobs

from forecast.backtest.baselines import Baseline
from forecast.backtest.calibration_table import calibration_table
from forecast.backtest.cuts import draw_cuts, given_cuts, lapse_weeks_of, outcomes_after
from forecast.backtest.forecasters import ForecastsAtCut, Progress, chosen_baselines, forecast_at
from forecast.backtest.resample import check_resamples
from forecast.backtest.result import BacktestResult
from forecast.backtest.scores import weeks_followed
from forecast.backtest.scoring import KEYS, curves_of, difference_table, make_cases, score_table
from forecast.errors import BacktestError, is_whole
from forecast.log import TrainingLog, checked_log

LEVEL = 0.9
"""Of the ranges around scores."""


def backtest(
    log: TrainingLog,
    cuts: int | pd.Timestamp | str | Sequence[pd.Timestamp | str] = 6,
    model: Any | None = None,
    baselines: bool | str | Sequence[str] | Mapping[str, Baseline] = True,
    *,
    horizon_weeks: int | None = None,
    n_resamples: int = 500,
    seed: int = 0,
    progress: Progress | None = None,
) -> BacktestResult:
    """Say how good forecasts would have been, had they been made at past dates.

    At each cut the model is cloned and fitted on the log as it stood before that day, as is each
    baseline; spells open then are forecast, and scored against the whole log. Nothing dated on
    or after a cut reaches a fit at it. A fit that fails is listed in ``failures``, never replaced.
    Cuts are shared over the workers of ``joblib.parallel_config``, whichever backend that names;
    the result does not depend on them.

    Parameters
    ----------
    log
        The whole log.
    cuts
        Number of dates to draw blind, or the date or dates.
    model
        A ``ReadinessForecaster`` or any estimator with ``fit(log, as_of=)`` and
        ``forecast(log, as_of=).curve``; it is cloned, never changed. Left out: baselines only.
    baselines
        All (True), none, names, or functions by name.
    horizon_weeks
        Length of the curves in weeks; the model's own where left out, 52 without a model.
    n_resamples
        Resamples of athletes for the 90 % ranges around scores.
    seed
        Seed of cuts, random baselines, resampling and PIT.
    progress
        Called with a short sentence before each fit, or after each cut where others do the work;
        the result does not depend on it.

    Returns
    -------
    BacktestResult
        Scores, paired differences, forecasts with outcomes, calibration and failures.

    Raises
    ------
    BacktestError
        If an argument makes no sense, the model looks less far ahead than ``horizon_weeks``, a
        cut lies outside the log, no open spell was followed after any cut, there is no
        forecaster, or every forecaster failed at every cut.
    LogError
        What was given is not a log.
    """
    checked_log(log)
    functions = chosen_baselines(baselines)
    if model is None and not functions:
        raise BacktestError("there is nothing to score; give a model, baselines or both")
    horizon_weeks = _horizon(model, horizon_weeks)
    check_resamples(n_resamples)
    dates = _dates(log, cuts, seed)
    alone = effective_n_jobs(None) == 1
    found = Parallel(max_nbytes=None, return_as="generator")(
        delayed(forecast_at)(
            log, date, model=model, baselines=functions, horizon_weeks=horizon_weeks, seed=seed,
            progress=progress if alone else None,
        )
        for date in dates
    )  # fmt: skip
    answers = []
    for date, answer in zip(dates, found, strict=True):
        answers.append(answer)
        if progress and not alone:
            progress(f"{date.date()}: done")
    outcomes = [
        outcomes_after(log, date, answer.asked, lapse_weeks_of(model))
        for date, answer in zip(dates, answers, strict=True)
    ]
    return score_forecasts(
        answers,
        pd.concat(outcomes, ignore_index=True),
        horizon_weeks=horizon_weeks,
        n_resamples=n_resamples,
        seed=seed,
    )


def _horizon(model: Any | None, asked: int | None) -> int:
    """Return the weeks to score, which the model must look ahead too."""
    own = getattr(model, "horizon_weeks", None)
    weeks = asked if asked is not None else 52 if own is None else own
    if not is_whole(weeks) or weeks < 1:
        raise BacktestError(f"horizon_weeks = {weeks!r}; give a whole number of weeks, 1 or more")
    if own is not None and own < weeks:
        raise BacktestError(
            f"the model looks {own} weeks ahead and {weeks} are to be scored; give the model a "
            "longer horizon_weeks, or the backtest a shorter one"
        )
    return int(weeks)


def _dates(
    log: TrainingLog, cuts: int | pd.Timestamp | str | Sequence[pd.Timestamp | str], seed: int
) -> list[pd.Timestamp]:
    if is_whole(cuts):
        return draw_cuts(log, int(cuts), seed=seed)
    listed = cuts if isinstance(cuts, Iterable) and not isinstance(cuts, str) else [cuts]
    dates = given_cuts(log, listed)
    if not dates:
        raise BacktestError("give one cut date or more")
    return dates


def score_forecasts(
    answers: Sequence[ForecastsAtCut],
    outcomes: pd.DataFrame,
    *,
    horizon_weeks: int = 52,
    n_resamples: int = 500,
    seed: int = 0,
) -> BacktestResult:
    """Score forecasts made at some cuts against outcomes, however these came to be known.

    Parameters
    ----------
    answers
        One entry a cut, from ``forecast_at``.
    outcomes
        ``as_of, athlete, rung, weeks, cleared, ended_by``; see ``outcomes_after``.
    horizon_weeks, n_resamples, seed
        As in :func:`backtest`.

    Returns
    -------
    BacktestResult
        Over the weeks up to which one in ten was still followed.

    Raises
    ------
    BacktestError
        If there is no forecast or no outcome to score.
    """
    check_resamples(n_resamples)
    forecasts = pd.concat([a.forecasts for a in answers], ignore_index=True)
    failures = pd.concat([a.failures for a in answers], ignore_index=True)
    notes = pd.concat([a.notes for a in answers], ignore_index=True)
    if forecasts.empty:
        reasons = "; ".join(f"{r.forecaster}: {r.reason}" for r in failures.itertuples())
        raise BacktestError(f"there is no forecast to score. {reasons}".rstrip(". ") + ".")
    usable = outcomes[outcomes["cleared"] | (outcomes["weeks"] > 0)]
    if usable.empty:
        raise BacktestError("no spell open at a cut was followed after it; take earlier cuts")
    scored_weeks = weeks_followed(usable["weeks"], usable["cleared"], horizon_weeks)
    cases = make_cases(outcomes, scored_weeks, n_resamples, seed)
    curves = curves_of(forecasts, cases)
    return BacktestResult(
        scores=score_table(curves, cases, LEVEL),
        differences=difference_table(curves, cases, LEVEL),
        forecasts=forecasts.merge(
            outcomes[[*KEYS, "weeks", "cleared"]], on=KEYS, how="left", validate="many_to_one"
        ),
        outcomes=outcomes,
        calibration=calibration_table(curves, cases, seed),
        failures=failures,
        notes=notes,
        cuts=tuple(sorted(outcomes["as_of"].unique())),
        horizon_weeks=horizon_weeks,
        scored_weeks=scored_weeks,
        level=LEVEL,
    )
