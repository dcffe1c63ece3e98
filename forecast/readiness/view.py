"""A log as a fitted forecaster sees it on one date: each thing worked out once."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from copy import copy
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, Protocol, TypeVar

import numpy as np
import pandas as pd

from forecast.errors import ForecastError, HistoryError, NotFittedError
from forecast.growth import (
    GrowthForecast,
    GrowthModel,
    Simulation,
    Tracked,
    forecast_open,
    forecast_untried,
    states_table,
    track,
)
from forecast.histories import Histories, build_histories, cut_day, weeks_until_back
from forecast.log import TrainingLog, as_day, checked_log
from forecast.readiness.assembling import assemble
from forecast.readiness.engines import POOLED, Present, confirm_sessions
from forecast.readiness.facts import open_facts, untried_facts
from forecast.readiness.lapse import chance_flat, lapse_chances, training_days
from forecast.readiness.open_rungs import untried_rungs
from forecast.readiness.result import ReadinessForecast
from forecast.readiness.training import Engines
from forecast.types import Array, Ints

Engine = str
"""A name in ``ENGINES``."""
ENGINES: tuple[Engine, ...] = ("pool", *(engine.name for engine in POOLED), "unrecalibrated")
"""The pool, each engine alone, and the pool before its chances are recalibrated."""
Progress = Callable[[str], None]
Found = TypeVar("Found")


class Fitted(Protocol):
    """What a view reads of a forecaster: its settings, and what it learnt.

    Attributes
    ----------
    horizon_weeks, random_state, paths, draws, lapse_weeks
        Settings, as ``ReadinessForecaster`` has them.
    engines_
        The fitted engines and their pool.
    comparable_
        Cleared spells by rung in the log fitted on.
    as_of_, rungs_
        Cut date of the fit, and keys of the ladder fitted on.
    hindsight
        Whether days before the fit may be asked about.
    """

    horizon_weeks: int
    random_state: int
    paths: int
    draws: int
    lapse_weeks: float
    engines_: Engines
    comparable_: dict[str, int]
    as_of_: pd.Timestamp
    rungs_: tuple[str, ...]
    hindsight: bool

    def view(
        self,
        log: TrainingLog,
        as_of: pd.Timestamp | str | None = None,
        *,
        progress: Progress | None = None,
    ) -> LogView:
        """Return a log as this forecaster sees it."""
        ...


@dataclass(frozen=True, eq=False)
class LogView:
    """A log as a fitted forecaster sees it on one date.

    Histories, states, chances and whatever rooms above make of them are worked out when first
    asked for, and once. Change nothing that a view returns: it will return the same again. What
    becomes of the forecaster later, a new fit or new settings, does not change a view.

    Parameters
    ----------
    model
        A fitted forecaster.
    log
        The log, of the same ladder as the one fitted on.
    cut
        Cut date; the day after the last set where left out. ``as_of`` is the day it names.
    progress
        Called with a few words at each step.

    Raises
    ------
    NotFittedError
        ``fit`` was not called.
    ForecastError
        The ladder is not the one fitted on.
    HistoryError
        The log holds no set, or ``cut`` is not a date.
    LogError
        What was given is not a log.
    """

    model: Fitted = field(repr=False)
    log: TrainingLog = field(repr=False)
    cut: pd.Timestamp | str | None = None
    progress: Progress | None = field(default=None, repr=False)

    def __post_init__(self) -> None:
        if not hasattr(self.model, "engines_"):
            raise NotFittedError("This forecaster has not been fitted; call fit(log) first.")
        if tuple(checked_log(self.log).ladder.keys) != self.model.rungs_:
            raise ForecastError(
                "The log's ladder has other rungs than the one this forecaster was fitted on "
                f"({', '.join(self.model.rungs_)}); fit it again on this ladder."
            )
        object.__setattr__(self, "cut", self.as_of)
        object.__setattr__(self, "model", copy(self.model))

    @cached_property
    def as_of(self) -> pd.Timestamp:
        """The cut date: nothing dated on or after it is looked at."""
        return cut_day(self.log, self.cut)

    def say(self, step: str) -> None:
        """Tell whoever waits what is being worked out."""
        if self.progress:
            self.progress(step)

    def once(self, make: Callable[..., Found], *asked: Hashable) -> Found:
        """Return ``make(view, *asked)``, worked out at the first call and kept for later ones.

        For what rooms above make of a view: each asks with a function of its own.
        """
        if (make, *asked) not in self._kept:
            self._kept[make, *asked] = make(self, *asked)
        return self._kept[make, *asked]

    @cached_property
    def _kept(self) -> dict[tuple[Hashable, ...], Any]:
        return {}

    @cached_property
    def histories(self) -> Histories:
        """Sessions and spells from everything dated before the cut.

        Raises
        ------
        HistoryError
            No set is dated before ``as_of``.
        ForecastError
            ``as_of`` lies before that of the fit; ``in_hindsight()`` answers for it.
        """
        model = self.model
        histories = build_histories(
            self.log,
            self.as_of,
            lapse_weeks=model.lapse_weeks,
            log_start=model.engines_.log_start,
        )
        if self.as_of < model.as_of_ and not model.hindsight:
            raise ForecastError(
                f"This forecaster was fitted as of {model.as_of_.date()} and has seen what came "
                f"after {self.as_of.date()}; fit one as of then (on the command line leave "
                "--model out), or ask model.in_hindsight() on purpose."
            )
        return histories

    @property
    def growth(self) -> GrowthModel:
        """The fitted growth engine."""
        return self.model.engines_.growth

    @cached_property
    def tracked(self) -> Tracked:
        """The histories seen through the growth engine."""
        return track(self.growth, self.histories)

    @cached_property
    def states(self) -> pd.DataFrame:
        """Filtered state after each session, one row a session; see ``growth.states_table``."""
        return states_table(self.tracked)

    @cached_property
    def training_days(self) -> pd.DataFrame:
        """One row an athlete and training day; see ``lapse.training_days``."""
        return training_days(self.histories, chance_flat(self.states))

    def lapse_chances(self, seed: int | None = None) -> pd.DataFrame:
        """Return chances of having stopped for good by athlete number.

        ``seed`` is that of the draws, the model's own where left out. See ``lapse.lapse_chances``.
        """
        return self.once(_lapse, self.model.random_state if seed is None else seed)

    def forecast(self, engine: Engine = "pool") -> ReadinessForecast:
        """Return the forecast of every open rung by one engine, as ``forecast_each`` does."""
        return self.forecast_each((engine,))[engine]

    def forecast_each(self, engines: Sequence[Engine] = ENGINES) -> dict[Engine, ReadinessForecast]:
        """Return forecasts of every open rung by several engines, all from one simulation.

        Parameters
        ----------
        engines
            ``pool``, or one engine alone; ``unrecalibrated`` is the pool before its chances are
            corrected by how they turned out.

        Raises
        ------
        ForecastError
            An engine's name is unknown, or ``as_of`` lies before that of the fit.
        HistoryError
            No set is dated before ``as_of``.
        """
        for engine in engines:
            if engine not in ENGINES:
                raise ForecastError(f"engine = {engine!r}; choose one of {', '.join(ENGINES)}.")
        return {engine: self.once(_forecast, engine) for engine in engines}

    @property
    def _today(self) -> int:
        return int(np.datetime64(self.as_of, "D").astype(np.int64))

    @cached_property
    def at_cut(self) -> GrowthForecast | None:
        """The growth engine's forecast of the spells ``under_way``, none where there are none."""
        which = self.under_way
        if len(which) == 0:
            return None
        spells = self.histories.spells.iloc[which]
        return forecast_open(
            self.growth,
            self.tracked,
            which,
            self._today,
            confirm_sessions(self.histories, spells["rung_index"].to_numpy()),
            spells["run"].to_numpy(dtype=np.int64),
            self._simulation,
        )

    @cached_property
    def _under_way(self) -> tuple[pd.DataFrame, Array] | None:
        """Facts of the spells under way, and their daily chances by the growth engine."""
        model, histories, which = self.model, self.histories, self.under_way
        growth, today = self.at_cut, self._today
        if growth is None:
            return None
        facts = open_facts(histories, self.tracked, which, growth, self.growth, model.comparable_)
        facts["p_next_session"] = growth.passage.next_session
        facts["back_weeks"], facts["back_known"] = weeks_until_back(
            self.growth.rhythm.absences, 7.0 * facts["wait_weeks"].to_numpy(), float(today)
        )
        return facts, growth.passage.by_day

    @property
    def _simulation(self) -> Simulation:
        """How the model's settings ask for coming sessions to be simulated."""
        model = self.model
        return Simulation(7 * model.horizon_weeks, model.paths, model.draws, model.random_state)

    @property
    def under_way(self) -> Ints:
        """(T,) places in the panel of the spells under way, in increasing order."""
        return np.flatnonzero(self.histories.spells["open"].to_numpy())

    @cached_property
    def _present(self) -> Present:
        """The spells under way, as the engines of the pool are asked about them."""
        learnt, (_, passage) = self.model.engines_, self._under_way or (None, np.empty((0, 1)))
        weeks = self.model.horizon_weeks
        return Present(
            self.growth, self.tracked, self.histories, self.under_way, learnt.edges, weeks, passage
        )

    def _chances(self, engine: Engine) -> Array:
        """Daily chances of the spells under way by an engine, or by the pool."""
        learnt = self.model.engines_
        for one in POOLED:
            if one.name == engine:
                return one.now(learnt.learnt[engine], self._present)
        combiner = learnt.combiner
        if engine == "unrecalibrated":
            combiner = replace(combiner, shift=0.0, drift=0.0, log_stretch=0.0)
        each = [self.once(LogView._chances, one.name) for one in POOLED]
        return combiner.combine(each, np.arange(each[0].shape[1]) / 7.0)

    @cached_property
    def _untried(self) -> tuple[pd.DataFrame, Array] | None:
        """Facts and daily chances of open rungs without a session: the growth engine's alone."""
        model, histories = self.model, self.histories
        untried = untried_rungs(histories)
        if untried.empty:
            return None
        growth = forecast_untried(
            self.growth,
            self.tracked,
            untried,
            histories,
            self._simulation,
        )
        facts = untried_facts(histories, untried, growth, self.growth, model.comparable_)
        facts["p_next_session"] = growth.passage.next_session
        return facts, growth.passage.by_day

    def parts(self, engine: Engine) -> list[tuple[pd.DataFrame, Array]]:
        """Return facts of open rungs with their (rows, D + 1) chances by day, in two parts."""
        found = [] if self._untried is None else [self._untried]
        if self._under_way is not None:
            facts, _ = self._under_way
            found = [(facts, self.once(LogView._chances, engine)), *found]
        return found


def _lapse(view: LogView, seed: int) -> pd.DataFrame:
    learnt = view.model.engines_
    return lapse_chances(learnt.lapse, learnt.days, view.training_days, seed)


def _forecast(view: LogView, engine: Engine) -> ReadinessForecast:
    view.say("forecast")
    spells = view.histories.spells
    names = spells.drop_duplicates("athlete").set_index("athlete_id")["athlete"]
    return assemble(
        view.parts(engine),
        view.histories,
        view.lapse_chances()["lapse_26"].rename(names),
        horizon_weeks=view.model.horizon_weeks,
        engine=engine,
    )


def as_view(
    asked: Fitted | LogView,
    log: TrainingLog | None = None,
    as_of: pd.Timestamp | str | None = None,
) -> LogView:
    """Return the view given, or a log as the forecaster given sees it.

    Parameters
    ----------
    asked
        A fitted forecaster, or its view of a log, which has a log and a cut date already.
    log, as_of
        The log and its cut date.

    Raises
    ------
    ForecastError
        A view is given together with another log or cut date than its own, or what is given is
        neither.
    NotFittedError, ForecastError, HistoryError, LogError
        A forecaster is given; see ``LogView``.
    """
    if not hasattr(asked, "view") and not isinstance(asked, LogView):
        raise ForecastError(
            f"A {type(asked).__name__} was given where a fitted forecaster or its view is needed; "
            "give the model first, then the log."
        )
    if not isinstance(asked, LogView):
        return asked.view(log, as_of)  # type: ignore[arg-type]  # without a log it says so
    if log is not None and log is not asked.log:
        raise ForecastError("A view was given and a log too; leave the log out: the view has one.")
    if as_of is not None and as_day(as_of, "as_of", HistoryError) != asked.as_of:
        raise ForecastError(
            f"This view is as of {asked.as_of.date()}; to look as of {as_of}, make another: "
            "model.view(log, as_of)."
        )
    return asked
