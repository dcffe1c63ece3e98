"""Rolling-origin backtest: fit before each cut, forecast, score against what came of it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Protocol, runtime_checkable

import numpy as np
import pandas as pd
from joblib import Parallel, delayed, effective_n_jobs
from sklearn.base import clone

from forecast.backtest.baselines import BASELINES, Baseline, CutForecast, at_cut
from forecast.backtest.result import BacktestResult
from forecast.backtest.scores import weeks_followed
from forecast.backtest.scoring import (
    KEYS,
    calibration_table,
    check_resamples,
    curves_of,
    difference_table,
    make_cases,
    score_table,
)
from forecast.errors import BacktestError, FitError, is_whole
from forecast.histories import CLEARED, DEFAULT_LAPSE_WEEKS, Histories, build_histories
from forecast.log import TrainingLog, as_day, checked_log
from forecast.readiness import ENGINES
from forecast.words import backtest as wording

ENGINE_NAMES: dict[str, str] = {
    **{name: f"{name} alone" for name in ENGINES if name not in ("pool", "unrecalibrated")},
    "unrecalibrated": "pool without recalibration",
}
"""Parts of the model scored alone: what ``forecast(engine=)`` calls it, and the name used here."""

LEVEL = 0.9
"""Of the ranges around scores."""
EARLIEST, LATEST = 0.4, 0.85
"""Part of the log's span that cuts are drawn from (judgement): early ones have little to learn
from, late ones little to be scored against."""

Progress = Callable[[str], None]


@runtime_checkable
class ForecastsEach(Protocol):
    """A model whose engines can be asked one by one; only what times need is then fitted."""

    def fit_engines(self, log: TrainingLog, as_of: pd.Timestamp) -> Any:
        """Fit the engines and the pool."""

    def forecast_each(
        self, log: TrainingLog, as_of: pd.Timestamp, engines: Sequence[str]
    ) -> dict[str, Any]:
        """Return a forecast with its ``curve`` by engine."""


@dataclass(frozen=True, slots=True)
class ForecastsAtCut:
    """What every forecaster said of the spells ``asked`` about at one cut (``athlete, rung``).

    The other tables are those of ``BacktestResult``, ``forecasts`` without what came of them.
    """

    asked: pd.DataFrame
    forecasts: pd.DataFrame
    failures: pd.DataFrame
    notes: pd.DataFrame


def chosen_baselines(
    baselines: bool | str | Sequence[str] | Mapping[str, Baseline],
) -> dict[str, Baseline]:
    """Return the baselines asked for: all, none, some by name, or own functions by name."""
    if isinstance(baselines, bool):
        return dict(BASELINES) if baselines else {}
    if isinstance(baselines, Mapping):
        return dict(baselines)
    if isinstance(baselines, str):
        baselines = [baselines]
    strangers = sorted(set(baselines) - set(BASELINES))
    if strangers:
        raise BacktestError(
            f"no baseline is called {', '.join(strangers)}; there are {', '.join(BASELINES)}"
        )
    return {name: BASELINES[name] for name in BASELINES if name in set(baselines)}


def forecast_at(
    log: TrainingLog, as_of: pd.Timestamp, *, model: Any | None = None,
    baselines: Mapping[str, Baseline], engines: bool = True, horizon_weeks: int = 52,
    seed: int = 0, progress: Progress | None = None,
) -> ForecastsAtCut:  # fmt: skip
    """Ask every forecaster at one cut; nothing on or after ``as_of`` reaches any of them.

    ``engines`` says whether each engine is scored alone where the model has ``forecast_each``; the
    others are as for ``backtest``. A ``FitError`` becomes a row of ``failures``; raises
    ``BacktestError`` if a forecaster gives a curve that is not a curve.
    """
    known = log.before(as_of)
    histories = build_histories(known, as_of=as_of, lapse_weeks=lapse_weeks_of(model))
    at = at_cut(histories, as_of, horizon_weeks, seed)
    asked = open_at(histories)
    rows: list[pd.DataFrame] = []
    failures: list[tuple[str, pd.Timestamp, str]] = []
    notes: list[tuple[str, pd.Timestamp, str]] = []
    tell = progress or (lambda _: None)

    def keep(name: str, ask: Callable[[], CutForecast]) -> None:
        tell(f"{as_of.date()}: {name}, {len(asked)} open spells")
        try:
            answer = ask()
        except FitError as error:
            failures.append((name, as_of, str(error)))
            return
        frame, missing = checked_curve_frame(answer.curve, asked, horizon_weeks, name)
        if missing:
            failures.append((name, as_of, wording.no_curve(missing, len(asked))))
        rows.append(frame.assign(forecaster=name, as_of=as_of))
        notes.extend((name, as_of, note) for note in answer.notes)

    if model is not None:
        for name, ask in _model_forecasters(model, known, as_of, engines).items():
            keep(name, ask)
    for name, baseline in baselines.items():
        keep(name, partial(baseline, at))
    order = ["forecaster", "as_of", "athlete", "rung", "week", "p_cleared"]
    forecasts = pd.concat(rows, ignore_index=True)[order] if rows else pd.DataFrame(columns=order)
    lost = pd.DataFrame(failures, columns=["forecaster", "as_of", "reason"])
    return ForecastsAtCut(
        asked, forecasts, lost, pd.DataFrame(notes, columns=["forecaster", "as_of", "note"])
    )


def checked_curve_frame(
    curve: pd.DataFrame, asked: pd.DataFrame, horizon_weeks: int, name: str
) -> tuple[pd.DataFrame, int]:
    """Return the curves of the spells asked about, weeks 1 to H, and how many are missing."""
    columns = ["athlete", "rung", "week", "p_cleared"]
    lacking = [column for column in columns if column not in curve.columns]
    if lacking:
        raise BacktestError(f"the curves of {name} lack the columns {', '.join(lacking)}")
    frame = curve.loc[curve["week"].between(1, horizon_weeks), columns]
    frame = frame.merge(asked[["athlete", "rung"]], on=["athlete", "rung"])
    frame = frame.sort_values(["athlete", "rung", "week"]).reset_index(drop=True)
    weeks = frame["week"].to_numpy()
    if len(weeks) % horizon_weeks or not np.array_equal(
        weeks, np.tile(np.arange(1, horizon_weeks + 1), len(weeks) // horizon_weeks)
    ):
        raise BacktestError(f"a curve of {name} does not have each week 1 to {horizon_weeks} once")
    if not frame["p_cleared"].between(0, 1 + 1e-12).all():
        raise BacktestError(f"{name} gave a chance that is missing or not between 0 and 1")
    return frame, len(asked) - len(weeks) // horizon_weeks


def _model_forecasters(
    model: Any, known: TrainingLog, as_of: pd.Timestamp, engines: bool
) -> dict[str, Callable[[], CutForecast]]:
    """Fit a clone and let it forecast at the first question; later ones read the answers."""
    several = engines and isinstance(model, ForecastsEach)
    wanted = {wording.MODEL: "pool"} | (
        {name: e for e, name in ENGINE_NAMES.items()} if several else {}
    )
    answers: dict[str, Any] = {}

    def ask(engine: str) -> CutForecast:
        if not answers:
            fitted = clone(model)
            # Only times are scored: what else the model learns from a log is left out.
            fit = fitted.fit_engines if isinstance(fitted, ForecastsEach) else fitted.fit
            fit(known, as_of=as_of)
            if several:
                answers.update(fitted.forecast_each(known, as_of, tuple(wanted.values())))
            else:
                answers["pool"] = fitted.forecast(known, as_of=as_of)
        return CutForecast(answers[engine].curve)

    return {name: partial(ask, engine) for name, engine in wanted.items()}


def draw_cuts(log: TrainingLog, n_cuts: int = 6, *, seed: int = 0) -> list[pd.Timestamp]:
    """Draw cut dates blind to what happened, one at random in each of ``n_cuts`` stretches."""
    if n_cuts < 1:
        raise BacktestError(f"{n_cuts} cuts asked for; give one or more")
    first, last = _first_and_last(log)
    span = (last - first).days
    if (
        LATEST - EARLIEST
    ) * span < n_cuts:  # before so many are asked for that no memory holds them
        raise BacktestError(
            f"the log spans {span} days, too few for {n_cuts} cuts; ask for fewer cuts"
        )
    edges = np.linspace(EARLIEST * span, LATEST * span, n_cuts + 1)
    days = np.floor(np.random.default_rng(seed).uniform(edges[:-1], edges[1:])).astype(int)
    return [first + pd.Timedelta(days=int(day)) for day in days]


def given_cuts(log: TrainingLog, cuts: Iterable[object]) -> list[pd.Timestamp]:
    """Return cut dates given by hand as midnights in rising order, or raise ``BacktestError``."""
    first, last = _first_and_last(log)
    dates = sorted({as_day(cut, "cut", BacktestError) for cut in cuts})
    for day in dates:
        if not first < day <= last:
            raise BacktestError(
                f"cut {day.date()} lies outside the log, which runs from {first.date()} to "
                f"{last.date()}; choose a date in between"
            )
    if not dates:
        raise BacktestError("give one cut date or more")
    return dates


def _first_and_last(log: TrainingLog) -> tuple[pd.Timestamp, pd.Timestamp]:
    if log.sets.empty:
        raise BacktestError("the log holds no usable set, so there is nothing to forecast from")
    return log.sets["date"].min(), log.sets["date"].max()


def open_at(histories: Histories) -> pd.DataFrame:
    """Return athlete and rung of each spell open at the cut, in order of athlete and rung."""
    keys = histories.open_spells[["athlete", "rung"]]
    return keys.sort_values(["athlete", "rung"]).reset_index(drop=True)


def lapse_weeks_of(model: Any | None) -> float:
    """Return the weeks of the model's own lapse rule; the usual ones where it has none."""
    own = {} if model is None else model.get_params()
    return float(own.get("lapse_weeks", DEFAULT_LAPSE_WEEKS))


def outcomes_after(
    log: TrainingLog, as_of: pd.Timestamp, open_spells: pd.DataFrame,
    lapse_weeks: float = DEFAULT_LAPSE_WEEKS,
) -> pd.DataFrame:  # fmt: skip
    """Return what came of each: ``as_of, athlete, rung, weeks, cleared, ended_by``.

    ``weeks`` go to clearing, or to the last day the athlete is known to have been at it: the end of
    the log, or the last session before a lapse (a silence longer than ``lapse_weeks``) or before
    the coach passed the rung over. They are negative where the athlete turns out to have stopped
    before the cut; such rows can't be scored.
    """
    whole = build_histories(log, lapse_weeks=lapse_weeks).spells
    keys = ["athlete", "rung"]
    ends = open_spells[keys].merge(
        whole[[*keys, "outcome", "end"]], on=keys, how="left", validate="one_to_one"
    )
    if ends["outcome"].isna().any():
        lost = ends[ends["outcome"].isna()].iloc[0]
        raise BacktestError(
            f"{lost['athlete']} on {lost['rung']} was open at {as_of.date()} but is not in the log"
        )
    weeks, cleared = (ends["end"] - as_of).dt.days / 7.0, ends["outcome"] == CLEARED
    table = ends[keys].assign(weeks=weeks, cleared=cleared, ended_by=ends["outcome"])
    table.insert(0, "as_of", as_of)
    return table


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
    if is_whole(cuts):
        dates = draw_cuts(log, int(cuts), seed=seed)
    elif isinstance(cuts, Iterable) and not isinstance(cuts, str):
        dates = given_cuts(log, cuts)
    else:
        dates = given_cuts(log, [cuts])
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
        answers, pd.concat(outcomes, ignore_index=True), horizon_weeks=horizon_weeks,
        n_resamples=n_resamples, seed=seed,
    )  # fmt: skip


def _horizon(model: Any | None, asked: int | None) -> int:
    """Return the weeks to score, which the model must look ahead too."""
    own = None if model is None else model.get_params().get("horizon_weeks")
    weeks = asked if asked is not None else 52 if own is None else own
    if not is_whole(weeks) or weeks < 1:
        raise BacktestError(f"horizon_weeks = {weeks!r}; give a whole number of weeks, 1 or more")
    if own is not None and own < weeks:
        raise BacktestError(
            f"the model looks {own} weeks ahead and {weeks} are to be scored; give the model a "
            "longer horizon_weeks, or the backtest a shorter one"
        )
    return int(weeks)


def score_forecasts(
    answers: Sequence[ForecastsAtCut], outcomes: pd.DataFrame, *, horizon_weeks: int = 52,
    n_resamples: int = 500, seed: int = 0,
) -> BacktestResult:  # fmt: skip
    """Score what ``forecast_at`` said at some cuts against outcomes as from ``outcomes_after``.

    Scored are the weeks up to which one in ten was still followed. Raises ``BacktestError`` if
    there is no forecast or no outcome to score.
    """
    check_resamples(n_resamples)
    forecasts, failures, notes = (
        pd.concat(tables, ignore_index=True)
        for tables in zip(*((a.forecasts, a.failures, a.notes) for a in answers), strict=True)
    )
    if forecasts.empty:
        reasons = "; ".join(f"{r.forecaster}: {r.reason}" for r in failures.itertuples())
        raise BacktestError(f"there is no forecast to score. {reasons}".rstrip(". ") + ".")
    usable = outcomes[outcomes["cleared"] | (outcomes["weeks"] > 0)]
    if usable.empty:
        raise BacktestError("no spell open at a cut was followed after it; take earlier cuts")
    scored_weeks = weeks_followed(usable["weeks"], usable["cleared"], horizon_weeks)
    cases = make_cases(outcomes, scored_weeks, n_resamples, seed)
    curves = curves_of(forecasts, cases)
    came = outcomes[[*KEYS, "weeks", "cleared"]]
    return BacktestResult(
        scores=score_table(curves, cases, LEVEL),
        differences=difference_table(curves, cases, LEVEL),
        forecasts=forecasts.merge(came, on=KEYS, how="left", validate="many_to_one"),
        outcomes=outcomes, calibration=calibration_table(curves, cases, seed),
        failures=failures, notes=notes, cuts=tuple(sorted(outcomes["as_of"].unique())),
        horizon_weeks=horizon_weeks, scored_weeks=scored_weeks, level=LEVEL,
    )  # fmt: skip
