"""Run the model and the baselines at one cut, on nothing but what was known then."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from sklearn.base import clone

from forecast.backtest.baselines import BASELINES, Baseline, CutForecast, at_cut
from forecast.backtest.cuts import lapse_weeks_of, open_at
from forecast.backtest.result import MODEL
from forecast.errors import BacktestError, FitError
from forecast.histories import build_histories
from forecast.log import TrainingLog
from forecast.readiness import ENGINES

ENGINE_NAMES: dict[str, str] = {
    **{name: f"{name} alone" for name in ENGINES if name not in ("pool", "unrecalibrated")},
    "unrecalibrated": "pool without recalibration",
}
"""Parts of the model scored alone: what ``forecast(engine=)`` calls it, and the name used here."""

Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class ForecastsAtCut:
    """What every forecaster said at one cut.

    Attributes
    ----------
    asked
        ``athlete, rung`` of every spell open at the cut.
    forecasts
        ``forecaster, as_of, athlete, rung, week, p_cleared``.
    failures
        ``forecaster, as_of, reason``: fits that failed, and curves that were not given.
    notes
        ``forecaster, as_of, note``.
    """

    asked: pd.DataFrame
    forecasts: pd.DataFrame
    failures: pd.DataFrame
    notes: pd.DataFrame


def chosen_baselines(
    baselines: bool | str | Sequence[str] | Mapping[str, Baseline],
) -> dict[str, Baseline]:
    """Return the baselines asked for: all, none, some by name, or own functions by name.

    Raises ``BacktestError`` if a name is not one of ``BASELINES``.
    """
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
    log: TrainingLog,
    as_of: pd.Timestamp,
    *,
    model: Any | None = None,
    baselines: Mapping[str, Baseline],
    engines: bool = True,
    horizon_weeks: int = 52,
    seed: int = 0,
    progress: Progress | None = None,
) -> ForecastsAtCut:
    """Ask every forecaster at one cut; nothing on or after ``as_of`` reaches any of them.

    Parameters
    ----------
    log, as_of
        The log, cut at the door, and the cut date.
    model
        An unfitted estimator with ``fit(log, as_of=)`` and ``forecast(log, as_of=)``; it is
        cloned. Left out: baselines only.
    baselines
        Functions by name.
    engines
        Whether to score each engine alone where the model has ``forecast_each``.
    horizon_weeks, seed
        Length of each curve, and seed of random baselines.
    progress
        Called with a short sentence before each fit.

    Returns
    -------
    ForecastsAtCut
        Curves of the spells open at the cut; a ``FitError`` becomes a row of ``failures``.

    Raises
    ------
    BacktestError
        If a forecaster gives a curve that is not a curve (a week missing, a chance outside 0 to 1).
    """
    known = log.before(as_of)
    histories = build_histories(known, as_of=as_of, lapse_weeks=lapse_weeks_of(model))
    told = at_cut(histories, as_of, horizon_weeks, seed)
    asked = open_at(told.histories)
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
            failures.append((name, as_of, f"gave no curve for {missing} of {len(asked)} spells"))
        rows.append(frame.assign(forecaster=name, as_of=as_of))
        notes.extend((name, as_of, note) for note in answer.notes)

    if model is not None:
        for name, ask in _model_forecasters(model, known, as_of, engines).items():
            keep(name, ask)
    for name, baseline in baselines.items():
        keep(name, partial(baseline, told))
    return _gathered(asked, rows, failures, notes)


def checked_curve_frame(
    curve: pd.DataFrame, asked: pd.DataFrame, horizon_weeks: int, name: str
) -> tuple[pd.DataFrame, int]:
    """Return the curves of the spells asked about, weeks 1 to H, and how many are missing.

    Raises ``BacktestError`` if columns are missing, a curve has weeks missing or twice, or a chance
    is not in 0 to 1.
    """
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
    several = engines and hasattr(model, "forecast_each")
    wanted = {MODEL: "pool"} | ({name: e for e, name in ENGINE_NAMES.items()} if several else {})
    told: dict[str, Any] = {}

    def ask(engine: str) -> CutForecast:
        if not told:
            fitted = clone(model)
            # Only times are scored: what else the model learns from a log is left out.
            getattr(fitted, "fit_engines", fitted.fit)(known, as_of=as_of)
            if several:
                told.update(fitted.forecast_each(known, as_of, tuple(wanted.values())))
            else:
                told["pool"] = fitted.forecast(known, as_of=as_of)
        return CutForecast(told[engine].curve)

    return {name: partial(ask, engine) for name, engine in wanted.items()}


def _gathered(
    asked: pd.DataFrame,
    rows: list[pd.DataFrame],
    failures: list[tuple[str, pd.Timestamp, str]],
    notes: list[tuple[str, pd.Timestamp, str]],
) -> ForecastsAtCut:
    order = ["forecaster", "as_of", "athlete", "rung", "week", "p_cleared"]
    forecasts = pd.concat(rows, ignore_index=True)[order] if rows else pd.DataFrame(columns=order)
    return ForecastsAtCut(
        asked,
        forecasts,
        pd.DataFrame(failures, columns=["forecaster", "as_of", "reason"]),
        pd.DataFrame(notes, columns=["forecaster", "as_of", "note"]),
    )
