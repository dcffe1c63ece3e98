"""A log as a fitted forecaster sees it on one date: each thing worked out once."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from copy import copy
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, Protocol, TypeVar, runtime_checkable

import numpy as np
import pandas as pd

from forecast.errors import ForecastError, HistoryError
from forecast.growth import (
    GrowthForecast,
    GrowthModel,
    Simulation,
    Tracked,
    forecast_open,
    forecast_return,
    forecast_untried,
    track,
)
from forecast.histories import (
    PAIN,
    Histories,
    build_histories,
    cut_day,
    training_day_gaps,
    weeks_until_back,
)
from forecast.log import TrainingLog, as_day, checked_log
from forecast.plateau import DEFAULT_FALSE_ALARMS, ClubVerdict, learn_shares, verdicts
from forecast.readiness import rules
from forecast.readiness.engines import POOLED, Present, confirm_sessions
from forecast.readiness.lapse import chance_flat, lapse_chances, training_days
from forecast.readiness.pool import Engines
from forecast.readiness.rows import (
    POINTS,
    alongside,
    curve_table,
    make_rows,
    open_facts,
    untried_facts,
    untried_rungs,
    valid_by_day,
    weeks_at,
    with_values,
)
from forecast.row import KEYS, Row, most_urgent_first, rounded
from forecast.types import WEEK, Array, Ints

Engine = str
"""A name in ``ENGINES``."""
ENGINES: tuple[Engine, ...] = ("pool", *(engine.name for engine in POOLED), "unrecalibrated")
"""The pool, each engine alone, and the pool before its chances are recalibrated."""
Progress = Callable[[str], None]
Made = TypeVar("Made")


@runtime_checkable
class Views(Protocol):
    """Whatever shows a log on a date."""

    def view(
        self, log: TrainingLog, as_of: pd.Timestamp | str | None = None, *,
        progress: Progress | None = None,
    ) -> LogView:  # fmt: skip
        """Return a log as this forecaster sees it."""


class Fitted(Views, Protocol):
    """What a view reads of a forecaster: settings and what it learnt, as ``ReadinessForecaster``.

    Where ``club_verdict_`` is ``None`` the log asked about is to say how often spells stand still;
    ``climbing_`` is what ``ahead`` learnt of the ladder; ``hindsight`` lets days before the fit be
    asked about.
    """

    horizon_weeks: int
    random_state: int
    paths: int
    draws: int
    lapse_weeks: float
    engines_: Engines
    comparable_: dict[str, int]
    athletes_: int
    rows_end_: float
    club_verdict_: ClubVerdict | None
    climbing_: Any
    as_of_: pd.Timestamp
    rungs_: tuple[str, ...]
    hindsight: bool

    def in_hindsight(self) -> Fitted:
        """Return the forecaster as one that answers for days before its fit too."""


@dataclass(frozen=True, eq=False)
class LogView:
    """A log as a fitted forecaster sees it on one date.

    Histories, states, chances and whatever rooms above make of them are worked out when first
    asked for, and once. Change nothing that a view returns: it will return the same again. What
    becomes of the forecaster later, a new fit or new settings, does not change a view.

    ``log`` is of the ladder that ``model`` was fitted on, ``cut`` the cut date (left out: the day
    after the last set), ``progress`` called with a few words at each step. Raises
    ``ForecastError`` if the ladder is another, ``HistoryError`` if the log holds no set or ``cut``
    is not a date, ``LogError`` for no log.
    """

    model: Fitted = field(repr=False)
    log: TrainingLog = field(repr=False)
    cut: pd.Timestamp | str | None = None
    progress: Progress | None = field(default=None, repr=False)
    _kept: dict[tuple[Hashable, ...], Any] = field(default_factory=dict, init=False, repr=False)

    def __post_init__(self) -> None:
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

    def once(self, make: Callable[..., Made], *asked: Hashable) -> Made:
        """Return ``make(view, *asked)``, worked out at the first call and kept for later ones."""
        if (make, *asked) not in self._kept:
            self._kept[make, *asked] = make(self, *asked)
        return self._kept[make, *asked]

    @cached_property
    def histories(self) -> Histories:
        """Sessions and spells from everything dated before the cut; see ``view`` for errors."""
        model = self.model
        histories = build_histories(
            self.log, self.as_of, lapse_weeks=model.lapse_weeks, log_start=model.engines_.log_start
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
        """Filtered state after each session, one row a session; see ``Tracked.states``."""
        return self.tracked.states()

    @cached_property
    def training_days(self) -> pd.DataFrame:
        """One row an athlete and training day; see ``lapse.training_days``."""
        return training_days(self.histories, chance_flat(self.states))

    def lapse_chances(self, seed: int | None = None) -> pd.DataFrame:
        """Return chances of having stopped for good by athlete; see ``lapse.lapse_chances``."""
        return self.once(_lapse, self.model.random_state if seed is None else seed)

    @cached_property
    def rows(self) -> tuple[Row, ...]:
        """The row of every open rung by the pool, most urgent first."""
        return most_urgent_first(self.rows_of("pool"))

    def rows_of(
        self, engine: Engine, *, false_alarms_per_year: float = DEFAULT_FALSE_ALARMS,
        smallest_gain: float | None = None,
    ) -> tuple[Row, ...]:  # fmt: skip
        """Return the row of every open rung by one of ``ENGINES``, by athlete and in ladder order.

        For settings see ``plateau.verdicts``; ``ForecastError`` if one is unknown or out of range.
        """
        return self.once(_rows, engine, false_alarms_per_year, smallest_gain)

    def curve(self, engine: Engine = "pool", *, despite_hold: bool = False) -> pd.DataFrame:
        """Return ``athlete, rung, week, p_cleared`` (1..H); of rungs on hold ``despite_hold``."""
        by_day, facts = self.once(_by_day, engine), self.facts
        if not despite_hold:
            free = (facts["pain"] < PAIN).to_numpy()
            facts, by_day = facts[free], by_day[free]
        return curve_table(facts, by_day)

    @cached_property
    def club_verdict(self) -> ClubVerdict:
        """How often spells stand still: learnt with the model, else from the log of this view."""
        return self.model.club_verdict_ or learn_shares(self.histories)

    @property
    def under_way(self) -> Ints:
        """(T,) places in the panel of the spells under way, in increasing order."""
        return np.flatnonzero(self.histories.spells["open"].to_numpy())

    @property
    def _simulation(self) -> Simulation:
        """How the model's settings ask for coming sessions to be simulated."""
        model = self.model
        return Simulation(7 * model.horizon_weeks, model.paths, model.draws, model.random_state)

    @property
    def _today(self) -> int:
        return int(np.datetime64(self.as_of, "D").astype(np.int64))

    def _runs(self, which: Ints) -> tuple[Ints, Ints]:
        """Sessions in a row that spells ask for, and how many they have."""
        spells = self.histories.spells.iloc[which]
        confirm = confirm_sessions(self.histories, spells["rung_index"].to_numpy())
        return confirm, spells["run"].to_numpy(dtype=np.int64)

    @cached_property
    def at_cut(self) -> GrowthForecast | None:
        """The growth engine's forecast of the spells ``under_way``, none where there are none."""
        if not len(which := self.under_way):
            return None
        asked = self._today, *self._runs(which), self._simulation
        return forecast_open(self.tracked, which, *asked)

    @cached_property
    def _next(self) -> tuple[pd.DataFrame, GrowthForecast] | None:
        """Open rungs without a session, and the growth engine's forecast, all there is of them."""
        untried = untried_rungs(self.histories)
        if untried.empty:
            return None
        return untried, forecast_untried(self.tracked, untried, self.histories, self._simulation)

    @cached_property
    def facts(self) -> pd.DataFrame:
        """Facts of every open rung, by athlete and ladder order.

        The index is the place among those ``under_way``, followed by those without a session.
        """
        self.say("forecast")
        tables = []
        if self.at_cut is not None:
            asked = self.histories, self.tracked, self.under_way, self.at_cut, self.growth
            tables.append(open_facts(*asked))
        if self._next is not None:
            tables.append(untried_facts(*self._next, self.growth))
        if not tables:
            none = pd.DataFrame({name: [] for name in (*KEYS, "pain")})
            return none.astype(dict.fromkeys(KEYS, "str"))
        facts = pd.concat(tables, ignore_index=True)
        place = facts["rung"].map({key: i for i, key in enumerate(self.histories.ladder.keys)})
        order = facts.assign(place=place).sort_values(["athlete", "place"], kind="stable").index
        facts = with_values(facts.loc[order], self.histories, self.model.comparable_)
        return _of_athletes(facts, self)

    @cached_property
    def _present(self) -> Present:
        """The spells under way, as the engines of the pool are asked about them."""
        passage = np.empty((0, 1)) if self.at_cut is None else self.at_cut.passage.by_day
        return Present(
            self.growth, self.tracked, self.histories, self.under_way, self.model.engines_.edges,
            self.model.horizon_weeks, passage,
        )  # fmt: skip

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
        away = self._present.moments.features["wait"].to_numpy(dtype=float)
        return combiner.combine(each, np.arange(each[0].shape[1]) / WEEK, away)

    @cached_property
    def habits(self) -> pd.DataFrame:
        """Weeks since the last training day (``wait``) and usual ``gap``, by athlete number."""
        days = training_day_gaps(self.histories)
        habits = days.groupby("athlete_id").agg(gap=("gap", "median"), last=("day", "max"))
        return habits.assign(gap=habits["gap"] / WEEK, wait=(self._today - habits["last"]) / WEEK)

    @cached_property
    def after_coming_back(self) -> pd.DataFrame:
        """``return_low, return_mid, return_high`` of rungs under way of those away for long.

        Weeks *after coming back* until clearing, the 10, 50 and 90 % points by the growth engine;
        the index is that of ``facts``.
        """
        athletes = self.histories.spells["athlete_id"].iloc[self.under_way]
        away = np.flatnonzero(self.habits["wait"].loc[athletes] > self.usual_absence)
        weeks = np.empty((0, len(POINTS)))
        if len(away):
            how = replace(self._simulation, paths=max(self.model.paths // 4, 2 * self.model.draws))
            asked = self._today, *self._runs(self.under_way[away]), how
            weeks = weeks_at(forecast_return(self.tracked, self.under_way[away], *asked))
        return pd.DataFrame(weeks.round(2), away, columns=[f"return_{name}" for name in POINTS])

    @cached_property
    def usual_absence(self) -> float:
        """Weeks that an absence in this log usually lasts at most, from those that ended."""
        law, few = self.growth.rhythm.absences, rules.FEW_ABSENCES
        number, weeks = len(law.length), rules.NO_ABSENCE_WEEKS
        if number:
            reached = np.cumsum(law.share) / law.share.sum()
            weeks = float(law.length[np.searchsorted(reached, rules.USUAL_SHARE)]) / WEEK
        return (number * weeks + few * rules.NO_ABSENCE_WEEKS) / (number + few)


def _lapse(view: LogView, seed: int) -> pd.DataFrame:
    learnt = view.model.engines_
    return lapse_chances(learnt.lapse, learnt.days, view.training_days, seed)


def _by_day(view: LogView, engine: Engine) -> Array:
    """(rows, D + 1) chances of every open rung by day, as ``facts`` stand."""
    if engine not in ENGINES:
        raise ForecastError(f"engine = {engine!r}; choose one of {', '.join(ENGINES)}.")
    facts = view.facts
    if facts.empty:
        return np.empty((0, 7 * view.model.horizon_weeks + 1))
    chances = [] if view._next is None else [view._next[1].passage.by_day]
    if view.at_cut is not None:  # and no clearing before a first valid set
        rate = facts["per_week"].sort_index().to_numpy(float)[: len(view.under_way)]
        asked = view.under_way, rate, 7 * view.model.horizon_weeks, view.model.rows_end_
        valid = valid_by_day(view.histories, *asked)
        chances.insert(0, view.once(LogView._chances, engine) * valid)
    by_day = np.maximum.accumulate(np.concatenate(chances), axis=1)
    return np.clip(by_day[facts.index.to_numpy()], 0.0, 1.0)


def _of_athletes(facts: pd.DataFrame, view: LogView) -> pd.DataFrame:
    """Add what is the athlete's: the wait on any rung, coming back, and the chance of lapse."""
    habits, lapse = (
        table.reindex(facts["athlete_id"]) for table in (view.habits, view.lapse_chances())
    )
    wait = habits["wait"].to_numpy()
    back, like = weeks_until_back(view.growth.rhythm.absences, WEEK * wait, float(view._today))
    new = (facts["sessions"] == 0).to_numpy()
    pause = np.fmax(rules.PAUSE_WEEKS, rules.PAUSE_GAPS * habits["gap"].to_numpy())
    return facts.assign(
        athlete_wait=wait, weeks_since=np.where(new, wait, facts["weeks_since"]),
        pause_weeks=np.where(new, pause, facts["pause_weeks"]), back_weeks=back, back_like=like,
        lapse=lapse["lapse_26"].to_numpy(), gone=lapse["p_gone"].to_numpy(),
    )  # fmt: skip


def _rows(
    view: LogView, engine: Engine, false_alarms: float, smallest_gain: float | None
) -> tuple[Row, ...]:
    by_day, facts = view.once(_by_day, engine), view.facts
    if facts.empty:
        return ()
    view.say("flat or not")
    verdict = view.once(_verdicts, false_alarms, smallest_gain).reindex(facts.index)
    flags = {name: verdict[name].eq(True) for name in ("flagged", "less_clean")}
    changed = [c if isinstance(c, tuple) else () for c in verdict["changed"]]
    verdict = verdict.assign(**flags, changed=pd.Series(changed, facts.index, dtype=object))
    # rounded before anything is said: last bits depend on who else is asked about
    beside = view.after_coming_back.reindex(facts.index)
    facts = pd.concat([rounded(facts), beside, verdict.drop(columns=KEYS)], axis=1)
    return make_rows(
        facts, by_day, view.histories, usual_absence=view.usual_absence,
        several=view.model.athletes_ > 1, horizon=view.model.horizon_weeks,
    )  # fmt: skip


def _verdicts(view: LogView, false_alarms: float, smallest_gain: float | None) -> pd.DataFrame:
    """The verdict on every spell under way, with what changed in the log beside it."""
    asked: dict[str, Any] = {"false_alarms_per_year": false_alarms, "smallest_gain": smallest_gain}
    table = verdicts(view.histories, view.club_verdict, **asked)
    beside = alongside(view.histories, view.under_way, table["since"])
    return pd.concat([table, beside], axis=1)


def as_view(
    asked: Views | LogView, log: TrainingLog | None = None, as_of: pd.Timestamp | str | None = None
) -> LogView:
    """Return the view given, or a log as the forecaster given sees it.

    Raises ``ForecastError`` if a view is given together with another log or cut date than its own,
    or what is given is neither; and as ``LogView`` does.
    """
    if isinstance(asked, Views):
        return asked.view(log, as_of)  # type: ignore[arg-type]  # without a log it says so
    if not isinstance(asked, LogView):
        raise ForecastError(
            f"A {type(asked).__name__} was given where a fitted forecaster or its view is needed; "
            "give the model first, then the log."
        )
    if log is not None and log is not asked.log:
        raise ForecastError("A view was given and a log too; leave the log out: the view has one.")
    if as_of is not None and as_day(as_of, "as_of", HistoryError) != asked.as_of:
        raise ForecastError(
            f"This view is as of {asked.as_of.date()}; to look as of {as_of}, make another: "
            "model.view(log, as_of)."
        )
    return asked
