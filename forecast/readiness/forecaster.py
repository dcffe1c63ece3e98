"""The forecaster: fit on a log, forecast every open rung."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from copy import copy
from dataclasses import replace
from pathlib import Path
from typing import Literal, Self, TypeVar, get_args

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sklearn.base import BaseEstimator

from forecast.errors import ForecastError, ModelFileError, NotFittedError
from forecast.growth import (
    Tracked,
    forecast_open,
    forecast_untried,
    states_table,
    track,
)
from forecast.histories import DEFAULT_LAPSE_WEEKS, Histories, build_histories
from forecast.histories.absences import weeks_until_back
from forecast.log.given import is_whole
from forecast.log.training_log import TrainingLog, checked_log
from forecast.readiness.facts import UNKNOWN, comparable_counts, open_facts, untried_facts
from forecast.readiness.lapse import chance_flat, lapse_chances, training_days
from forecast.readiness.open_rungs import untried_rungs
from forecast.readiness.reasons import confidence_words, reason_rows, warning_text
from forecast.readiness.result import (
    DIGITS,
    SUMMARY_COLUMNS,
    ReadinessForecast,
    curve_table,
    time_columns,
)
from forecast.readiness.storage import read_model, save_model
from forecast.readiness.training import Engines, confirm_sessions, describe_moments, train_engines
from forecast.survival import cut_landmarks, predict_hazard, spread_over_days

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Engine = Literal["pool", "growth", "survival", "unrecalibrated"]
ENGINES: tuple[Engine, ...] = get_args(Engine)
Progress = Callable[[str], None]


class ReadinessForecaster(BaseEstimator):
    """Weeks until each open rung is cleared, from two engines pooled and recalibrated.

    Parameters
    ----------
    horizon_weeks
        How many weeks to look ahead.
    random_state
        Seed of everything random; the same log and seed give the same bytes.
    paths
        Simulated paths a forecast.
    draws
        Draws of the growth engine's constants the paths are shared over (even).
    lapse_weeks
        Weeks without a set after which the past is counted as lapsed (``histories.spells``).

    Attributes
    ----------
    engines_
        Both fitted engines and their pool.
    comparable_
        Cleared spells by rung in the log fitted on.
    as_of_
        Cut date of the fit.
    rungs_
        Keys of the ladder fitted on.
    """

    def __init__(
        self,
        horizon_weeks: int = 52,
        random_state: int = 0,
        *,
        paths: int = 2048,
        draws: int = 64,
        lapse_weeks: float = DEFAULT_LAPSE_WEEKS,
    ) -> None:
        self.horizon_weeks = horizon_weeks
        self.random_state = random_state
        self.paths = paths
        self.draws = draws
        self.lapse_weeks = lapse_weeks

    def fit(
        self,
        log: TrainingLog,
        as_of: pd.Timestamp | str | None = None,
        *,
        progress: Progress | None = None,
    ) -> Self:
        """Learn from everything dated before ``as_of``.

        Parameters
        ----------
        log
            A log from ``read_log``.
        as_of
            Cut date; the day after the last set where left out.
        progress
            Called with a few words at each step.

        Raises
        ------
        HistoryError
            No set is dated before ``as_of``.
        FitError
            An engine could not be fitted; nothing is put in its place.
        ForecastError
            A setting makes no sense.
        """
        return self.fit_engines(log, as_of, progress=progress)

    def fit_engines(
        self,
        log: TrainingLog,
        as_of: pd.Timestamp | str | None = None,
        *,
        progress: Progress | None = None,
    ) -> Self:
        """Learn what ``forecast_each`` needs and no more, as a backtest does at every cut.

        Parameters and errors are those of ``fit``.
        """
        self._check_settings()
        histories = build_histories(log, as_of, lapse_weeks=self.lapse_weeks)
        self.engines_ = train_engines(
            histories,
            horizon_weeks=self.horizon_weeks,
            seed=self.random_state,
            progress=progress,
        )
        self.comparable_ = comparable_counts(histories)
        self.as_of_ = histories.as_of
        self.rungs_ = tuple(log.ladder.keys)
        return self

    def forecast(
        self,
        log: TrainingLog,
        as_of: pd.Timestamp | str | None = None,
        *,
        engine: Engine = "pool",
        progress: Progress | None = None,
    ) -> ReadinessForecast:
        """Forecast every open rung from what was logged before ``as_of``.

        Parameters
        ----------
        log
            The log, of the same ladder as the one fitted on.
        as_of
            Cut date; the day after the last set where left out.
        engine
            ``pool``, or one engine alone; ``unrecalibrated`` is the pool before its chances are
            corrected by how they turned out.
        progress
            Called with a few words at each step.

        Raises
        ------
        NotFittedError
            ``fit`` was not called.
        ForecastError
            The ladder is not the one fitted on, or the engine's name is unknown.
        ForecastError
            ``as_of`` lies before that of the fit; ``in_hindsight()`` answers for it.
        HistoryError
            No set is dated before ``as_of``.
        """
        if progress:
            progress("forecast")
        return self.forecast_each(log, as_of, (engine,))[engine]

    def forecast_each(
        self,
        log: TrainingLog,
        as_of: pd.Timestamp | str | None = None,
        engines: Sequence[Engine] = ENGINES,
    ) -> dict[Engine, ReadinessForecast]:
        """Forecast by several engines from one simulation, as ``forecast`` does by one.

        Parameters
        ----------
        log, as_of
            As for ``forecast``.
        engines
            Names of engines; all where left out.

        Raises
        ------
        NotFittedError, ForecastError, HistoryError
            As for ``forecast``.
        """
        learnt = self._ready(log)
        for engine in engines:
            if engine not in ENGINES:
                raise ForecastError(f"engine = {engine!r}; choose one of {', '.join(ENGINES)}.")
        histories = self._histories(log, as_of)
        tracked = track(learnt.growth, histories)
        under_way = self._under_way(learnt, tracked, histories, engines)
        untried = self._untried(learnt, tracked, histories)
        lapse = self._lapse(learnt, tracked, histories)
        found = {}
        for engine in engines:
            parts = [] if untried is None else [untried]
            if under_way is not None:
                facts, chances = under_way
                parts = [(facts, chances[engine]), *parts]
            found[engine] = self._assemble(parts, histories, engine, lapse)
        return found

    def save(self, path: str | Path) -> Path:
        """Write the fitted forecaster to a zip file that ``load_model`` reads; no pickle.

        Raises
        ------
        NotFittedError
            ``fit`` was not called.
        """
        learnt = {name: value for name, value in vars(self).items() if name.endswith("_")}
        return save_model(self.get_params(), learnt, path)

    def in_hindsight(self) -> Self:
        """Return this forecaster as one that answers for days before its fit too.

        Nothing dated on or after ``as_of`` is filtered even then, but what was learnt has seen
        it: good for comparing two dates by one measure, not for judging a forecast.
        """
        other = copy(self)
        other._hindsight = True
        return other

    _hindsight = False

    def _histories(self, log: TrainingLog, as_of: pd.Timestamp | str | None) -> Histories:
        histories = build_histories(
            log, as_of, lapse_weeks=self.lapse_weeks, log_start=self.engines_.log_start
        )
        if histories.as_of < self.as_of_ and not self._hindsight:
            raise ForecastError(
                f"This forecaster was fitted as of {self.as_of_.date()} and has seen what came "
                f"after {histories.as_of.date()}; fit one as of then (on the command line leave "
                "--model out), or ask model.in_hindsight() on purpose."
            )
        return histories

    def _check_settings(self) -> None:
        _whole("horizon_weeks", self.horizon_weeks, 1, "a whole number of weeks")
        _whole("random_state", self.random_state, 0, "a whole number as seed")
        _whole("draws", self.draws, 2, "an even number of draws")
        _whole("paths", self.paths, 4, "a whole number of paths")
        if self.draws % 2 or self.paths < 2 * self.draws:
            raise ForecastError(
                f"draws = {self.draws!r}, paths = {self.paths!r}; give an even number of draws "
                "and at least twice as many paths."
            )

    def _ready(self, log: TrainingLog) -> Engines:
        if not hasattr(self, "engines_"):
            raise NotFittedError("This forecaster has not been fitted; call fit(log) first.")
        if tuple(checked_log(log).ladder.keys) != self.rungs_:
            raise ForecastError(
                "The log's ladder has other rungs than the one this forecaster was fitted on "
                f"({', '.join(self.rungs_)}); fit it again on this ladder."
            )
        return self.engines_

    def _under_way(
        self,
        learnt: Engines,
        tracked: Tracked,
        histories: Histories,
        engines: Sequence[Engine],
    ) -> tuple[pd.DataFrame, dict[Engine, Array]] | None:
        """Facts of the spells under way, and their daily chances by each of the engines."""
        rows = tracked.panel.spell_row
        which = np.flatnonzero(histories.spells["open"].to_numpy()[rows])
        if len(which) == 0:
            return None
        spell = rows[which]
        spells = histories.spells.iloc[spell]
        growth = forecast_open(
            learnt.growth,
            tracked,
            which,
            _day(histories.as_of),
            confirm_sessions(histories, spells["rung_index"].to_numpy()),
            spells["run"].to_numpy(dtype=np.int64),
            horizon_days=7 * self.horizon_weeks,
            paths=self.paths,
            draws=self.draws,
            seed=self.random_state,
        )
        facts = open_facts(histories, tracked, which, growth, learnt.growth, self.comparable_)
        facts["p_next_session"] = growth.passage.next_session
        facts["back_weeks"], facts["back_known"] = weeks_until_back(
            learnt.growth.rhythm.absences,
            7.0 * facts["wait_weeks"].to_numpy(),
            float(_day(histories.as_of)),
        )
        chances: dict[Engine, Array] = {"growth": growth.passage.by_day}
        if set(engines) != {"growth"}:
            chances |= self._with_survival(learnt, tracked, histories, spell, chances["growth"])
        return facts, chances

    def _with_survival(
        self,
        learnt: Engines,
        tracked: Tracked,
        histories: Histories,
        spell: Ints,
        growth: Array,
    ) -> dict[Engine, Array]:
        """Daily chances by the survival engine, and by its pool with the growth engine's."""
        moments = describe_moments(
            learnt.growth, tracked, histories, cut_landmarks(histories, spell), learnt.edges
        )
        by_edge = predict_hazard(learnt.hazard, moments.features, moments.outlook, learnt.edges)
        days = 7 * self.horizon_weeks
        survival = spread_over_days(by_edge, learnt.edges, days)
        weeks = np.arange(days + 1) / 7.0
        raw = replace(learnt.combiner, shift=0.0, drift=0.0, log_stretch=0.0)
        return {
            "survival": survival,
            "pool": learnt.combiner.combine(survival, growth, weeks),
            "unrecalibrated": raw.combine(survival, growth, weeks),
        }

    def _untried(
        self, engines: Engines, tracked: Tracked, histories: Histories
    ) -> tuple[pd.DataFrame, Array] | None:
        """Facts and daily chances of open rungs without a session: the growth engine's alone."""
        untried = untried_rungs(histories)
        if untried.empty:
            return None
        growth = forecast_untried(
            engines.growth,
            tracked,
            untried,
            histories,
            horizon_days=7 * self.horizon_weeks,
            paths=self.paths,
            draws=self.draws,
            seed=self.random_state,
        )
        facts = untried_facts(histories, untried, growth, engines.growth, self.comparable_)
        facts["p_next_session"] = growth.passage.next_session
        return facts, growth.passage.by_day

    def _lapse(self, learnt: Engines, tracked: Tracked, histories: Histories) -> pd.Series:
        """Chance by athlete of having stopped for good, or stopping, within 26 weeks."""
        days = training_days(histories, chance_flat(states_table(tracked, histories)))
        chances = lapse_chances(learnt.lapse, learnt.days, days, self.random_state)
        names = histories.spells.drop_duplicates("athlete").set_index("athlete_id")["athlete"]
        return chances["lapse_26"].rename(names)

    def _assemble(
        self,
        parts: list[tuple[pd.DataFrame, Array]],
        histories: Histories,
        engine: Engine,
        lapse: pd.Series,
    ) -> ReadinessForecast:
        """Put facts and chances into the public tables, sorted by athlete and ladder order."""
        days = 7 * self.horizon_weeks + 1
        facts = pd.concat([f for f, _ in parts], ignore_index=True) if parts else _no_facts()
        chances = np.concatenate([c for _, c in parts]) if parts else np.empty((0, days))
        place = facts["rung"].map({key: i for i, key in enumerate(histories.ladder.keys)})
        order = facts.assign(place=place).sort_values(["athlete", "place"], kind="stable").index
        facts, chances = facts.loc[order].reset_index(drop=True), chances[order.to_numpy()]
        summary = pd.concat([facts, time_columns(chances, histories.as_of)], axis=1)
        summary["gain_per_week"] = summary["gain_lately"]
        summary["sessions_per_week"] = summary["rate"]
        summary["state"], summary["p_flat"] = "unclear", np.nan
        summary["p_lapse_26"] = facts["athlete"].map(lapse).astype(float).round(DIGITS)
        summary["confidence"] = confidence_words(facts)
        summary["warnings"] = warning_text(facts)
        numbers = [
            *("level", "level_value", "gain_per_week", "p_next_session", "met_expected"),
            *("gain_lately", "gain_lately_low", "gain_lately_high", "gain_ahead"),
            *("p_flat", "sessions_per_week"),
        ]
        summary[numbers] = summary[numbers].astype(float).round(DIGITS)
        rungs = {rung.key: rung for rung in histories.ladder.rungs}
        return ReadinessForecast(
            summary=summary[list(SUMMARY_COLUMNS)],
            curve=curve_table(facts, chances),
            reasons=reason_rows(facts, rungs),
            as_of=histories.as_of,
            horizon_weeks=self.horizon_weeks,
            engine=engine,
        )


def _whole(name: str, value: object, least: int, what: str) -> None:
    """Refuse what is no whole number, or too small, before it gets anywhere."""
    if not is_whole(value) or value < least:
        raise ForecastError(f"{name} = {value!r}; give {what}, {least} or more.")


def _day(date: pd.Timestamp) -> int:
    return int(np.datetime64(date, "D").astype(np.int64))


def _no_facts() -> pd.DataFrame:
    """An empty facts table with its types, for logs where nobody has an open rung."""
    words = ("athlete", "rung", "rung_name", "nothing_counts")
    text = {name: pd.Series(dtype="str") for name in words}
    numbers = (
        *UNKNOWN, "pain", "run", "sessions", "met_of", "met_lately", "target", "level",
        "level_value", "gain_lately", "gain_lately_low", "gain_lately_high", "gain_ahead",
        "comparable", "p_next_session", "load_known", "back_weeks", "back_known",
    )  # fmt: skip
    return pd.DataFrame({**text, **{name: pd.Series(dtype=float) for name in numbers}})


Kind = TypeVar("Kind", bound=ReadinessForecaster)


def restore(path: str | Path, kind: type[Kind], records: Sequence[type] = ()) -> Kind:
    """Return the forecaster saved at ``path`` as one of this class.

    ``records`` are further dataclasses that the class keeps among what it learnt.

    Raises
    ------
    ModelFileError
        The file is missing, not ours, damaged, or of another version.
    """
    settings, learnt = read_model(path, records)
    strangers = sorted(set(settings) - set(kind().get_params()))
    if strangers:
        raise ModelFileError(
            f"{path}: holds settings this version does not know ({', '.join(strangers)}); fit and "
            "save again."
        )
    model = kind(**settings)
    for name, value in learnt.items():
        setattr(model, name, value)
    return model


def load_model(path: str | Path) -> ReadinessForecaster:
    """Return the forecaster saved at ``path``; errors as for ``restore``."""
    return restore(path, ReadinessForecaster)
