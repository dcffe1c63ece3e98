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
from forecast.histories import PAIN, Histories, build_histories, cut_day, weeks_until_back
from forecast.log import TrainingLog, as_day, checked_log
from forecast.plateau import (
    DEFAULT_FALSE_ALARMS,
    VERDICT_COLUMNS,
    ClubVerdict,
    learn_shares,
    verdicts,
)
from forecast.readiness.engines import POOLED, Present, confirm_sessions
from forecast.readiness.facts import (
    PAUSE_GAPS,
    PAUSE_WEEKS,
    alongside,
    open_facts,
    untried_facts,
    untried_rungs,
    valid_by_day,
)
from forecast.readiness.lapse import chance_flat, lapse_chances, training_days
from forecast.readiness.pool import Engines
from forecast.readiness.rows import POINTS, curve_table, make_rows, weeks_at
from forecast.row import KEYS, Row, most_urgent_first
from forecast.types import Array, Ints

Engine = str
"""A name in ``ENGINES``."""
ENGINES: tuple[Engine, ...] = ("pool", *(engine.name for engine in POOLED), "unrecalibrated")
"""The pool, each engine alone, and the pool before its chances are recalibrated."""
USUAL_SHARE = 0.75
NO_ABSENCE_WEEKS, FEW_ABSENCES = 6.0, 4
"""What an absence usually lasts at most, and for how many of the log's it counts (judgement)."""
Progress = Callable[[str], None]
Made = TypeVar("Made")


@runtime_checkable
class Views(Protocol):
    """Whatever shows a log on a date."""

    def view(
        self,
        log: TrainingLog,
        as_of: pd.Timestamp | str | None = None,
        *,
        progress: Progress | None = None,
    ) -> LogView:
        """Return a log as this forecaster sees it."""
        ...


class Fitted(Views, Protocol):
    """What a view reads of a forecaster: settings and what it learnt, as ``ReadinessForecaster``.

    ``club_verdict_`` is ``None`` where the log asked about is to say how often spells stand still;
    ``climbing_`` is what ``ahead`` learnt of the ladder, or ``None``; ``hindsight`` says whether
    days before the fit may be asked about.
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


@dataclass(frozen=True, eq=False)
class LogView:
    """A log as a fitted forecaster sees it on one date.

    Histories, states, chances and whatever rooms above make of them are worked out when first
    asked for, and once. Change nothing that a view returns: it will return the same again. What
    becomes of the forecaster later, a new fit or new settings, does not change a view.

    ``model`` is a fitted forecaster, ``log`` of the ladder it was fitted on, ``cut`` the cut date
    (the day after the last set where left out; ``as_of`` is the day it names); ``progress`` is
    called with a few words at each step. Raises ``ForecastError`` if the ladder is another,
    ``HistoryError`` if the log holds no set or ``cut`` is not a date, ``LogError`` for no log.
    """

    model: Fitted = field(repr=False)
    log: TrainingLog = field(repr=False)
    cut: pd.Timestamp | str | None = None
    progress: Progress | None = field(default=None, repr=False)

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

        Raises ``HistoryError`` if no set is, and ``ForecastError`` if the cut lies before that of
        the fit (``in_hindsight()`` answers for it).
        """
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
        """Return chances of having stopped for good by athlete number.

        ``seed`` is that of the draws, the model's own where left out. See ``lapse.lapse_chances``.
        """
        return self.once(_lapse, self.model.random_state if seed is None else seed)

    @cached_property
    def rows(self) -> tuple[Row, ...]:
        """The row of every open rung by the pool, most urgent first."""
        return most_urgent_first(self.rows_of("pool"))

    def rows_of(
        self,
        engine: Engine,
        *,
        false_alarms_per_year: float = DEFAULT_FALSE_ALARMS,
        smallest_gain: float | None = None,
    ) -> tuple[Row, ...]:
        """Return the row of every open rung by an engine, by athlete and in ladder order.

        ``engine`` is one of ``ENGINES``; for the others see ``plateau.verdicts``. Raises
        ``ForecastError`` if a name is unknown or a setting out of range, and as ``histories`` does.
        """
        return self.once(_rows, _checked(engine), false_alarms_per_year, smallest_gain)

    def curve(self, engine: Engine = "pool", *, despite_hold: bool = False) -> pd.DataFrame:
        """Return ``athlete, rung, week, p_cleared`` (1..H) of every open rung.

        Rungs on hold are left out, unless ``despite_hold`` asks for their raw chances too.
        """
        facts, by_day = self.once(_ordered, _checked(engine))
        if not despite_hold:
            free = (facts["pain"] < PAIN).to_numpy()
            facts, by_day = facts[free], by_day[free]
        return curve_table(facts, by_day)

    @property
    def club_verdict(self) -> ClubVerdict:
        """How often spells stand still: learnt with the model, else from the log of this view."""
        return self.model.club_verdict_ or self.once(_learn_shares)

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
        which = self.under_way
        if len(which) == 0:
            return None
        how = self._simulation
        return forecast_open(self.tracked, which, self._today, *self._runs(which), how)

    @cached_property
    def _under_way(self) -> tuple[pd.DataFrame, Array] | None:
        """Facts of the spells under way, and their daily chances by the growth engine."""
        growth, known = self.at_cut, self.model.comparable_
        if growth is None:
            return None
        facts = open_facts(self.histories, self.tracked, self.under_way, growth, self.growth, known)
        return facts, growth.passage.by_day

    @cached_property
    def _untried(self) -> tuple[pd.DataFrame, Array] | None:
        """Facts and daily chances of open rungs without a session: the growth engine's alone."""
        histories = self.histories
        untried = untried_rungs(histories)
        if untried.empty:
            return None
        growth = forecast_untried(self.tracked, untried, histories, self._simulation)
        facts = untried_facts(histories, untried, growth, self.growth, self.model.comparable_)
        return facts, growth.passage.by_day

    @cached_property
    def _present(self) -> Present:
        """The spells under way, as the engines of the pool are asked about them."""
        _, passage = self._under_way or (None, np.empty((0, 1)))
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
        return combiner.combine(each, np.arange(each[0].shape[1]) / 7.0, away)

    @cached_property
    def after_coming_back(self) -> pd.DataFrame:
        """``return_low, return_mid, return_high`` of rungs under way of those away for long.

        Weeks after coming back by which the rung is cleared with chances of 10, 50 and 90 %, by the
        growth engine: what the pool says counts from the cut.
        """
        spells = self.histories.spells.iloc[self.under_way]
        last = pd.concat([self.histories.sessions, self.histories.after_clearing])
        last = last.groupby("athlete")["date"].max()
        wait = (self.as_of - spells["athlete"].map(last)).dt.days / 7.0
        which = self.under_way[(wait > self.usual_absence).to_numpy()]
        weeks = np.empty((0, len(POINTS)))
        if len(which):
            how = replace(self._simulation, paths=max(self.model.paths // 4, 2 * self.model.draws))
            weeks = weeks_at(
                forecast_return(self.tracked, which, self._today, *self._runs(which), how)
            )
        points = pd.DataFrame(weeks.round(2), columns=[f"return_{name}" for name in POINTS])
        keys = self.histories.spells.iloc[which][KEYS].reset_index(drop=True)
        return pd.concat([keys, points], axis=1)

    @cached_property
    def usual_absence(self) -> float:
        """Weeks that an absence in this log usually lasts at most.

        ``USUAL_SHARE`` of those that ended did not exceed it, drawn to ``NO_ABSENCE_WEEKS`` where
        they are few.
        """
        law = self.growth.rhythm.absences
        number, weeks = len(law.length), NO_ABSENCE_WEEKS
        if number:
            reached = np.cumsum(law.share) / law.share.sum()
            weeks = float(law.length[np.searchsorted(reached, USUAL_SHARE)]) / 7.0
        return (number * weeks + FEW_ABSENCES * NO_ABSENCE_WEEKS) / (number + FEW_ABSENCES)


def _checked(engine: Engine) -> Engine:
    if engine not in ENGINES:
        raise ForecastError(f"engine = {engine!r}; choose one of {', '.join(ENGINES)}.")
    return engine


def _lapse(view: LogView, seed: int) -> pd.DataFrame:
    learnt = view.model.engines_
    return lapse_chances(learnt.lapse, learnt.days, view.training_days, seed)


def _learn_shares(view: LogView) -> ClubVerdict:
    return learn_shares(view.histories)


def _valid(view: LogView) -> Array:
    """(T, D + 1) chance of a first valid set by day, of the spells under way, of which some are."""
    facts, by_day = view._under_way or (pd.DataFrame({"per_week": []}), np.empty((0, 1)))
    rate, days = facts["per_week"].to_numpy(float), by_day.shape[1] - 1
    return valid_by_day(view.histories, view.under_way, rate, days, view.model.rows_end_)


def _ordered(view: LogView, engine: Engine) -> tuple[pd.DataFrame, Array]:
    """Facts of every open rung and (rows, D + 1) chances by day, by athlete and ladder order."""
    view.say("forecast")
    pairs = [] if view._untried is None else [view._untried]
    if view._under_way is not None:
        facts, _ = view._under_way
        pairs.insert(0, (facts, view.once(LogView._chances, engine) * view.once(_valid)))
    if not pairs:
        none = pd.DataFrame({name: [] for name in (*KEYS, "pain")})
        days = 7 * view.model.horizon_weeks + 1
        return none.astype(dict.fromkeys(KEYS, "str")), np.empty((0, days))
    facts = pd.concat([table for table, _ in pairs], ignore_index=True)
    by_day = np.maximum.accumulate(np.concatenate([chance for _, chance in pairs]), axis=1)
    place = facts["rung"].map({key: i for i, key in enumerate(view.histories.ladder.keys)})
    order = facts.assign(place=place).sort_values(["athlete", "place"], kind="stable").index
    facts = _of_athletes(facts.loc[order].reset_index(drop=True), view)
    return facts, np.clip(by_day[order.to_numpy()], 0.0, 1.0)


def _of_athletes(facts: pd.DataFrame, view: LogView) -> pd.DataFrame:
    """Add what is the athlete's: the wait on any rung, coming back, and the chance of lapse."""
    histories = view.histories
    days = pd.concat([histories.sessions, histories.after_clearing])[["athlete", "date"]]
    days = days.drop_duplicates().sort_values(["athlete", "date"])
    gap = days.groupby("athlete")["date"].diff().dt.days.groupby(days["athlete"]).median() / 7.0
    wait = (histories.as_of - days.groupby("athlete")["date"].max()).dt.days / 7.0
    names = histories.spells.drop_duplicates("athlete").set_index("athlete_id")["athlete"]
    lapse = view.lapse_chances().rename(index=names)
    waits = facts["athlete"].map(wait).to_numpy(float)
    back, like = weeks_until_back(view.growth.rhythm.absences, 7.0 * waits, float(view._today))
    new = (facts["sessions"] == 0).to_numpy()
    pause = np.fmax(PAUSE_WEEKS, PAUSE_GAPS * facts["athlete"].map(gap).to_numpy(float))
    return facts.assign(
        athlete_wait=waits,
        weeks_since=np.where(new, waits, facts["weeks_since"]),
        pause_weeks=np.where(new, pause, facts["pause_weeks"]),
        back_weeks=back,
        back_like=like,
        lapse=facts["athlete"].map(lapse["lapse_26"]).to_numpy(float),
        gone=facts["athlete"].map(lapse["p_gone"]).to_numpy(float),
    )


def _rows(
    view: LogView, engine: Engine, false_alarms: float, smallest_gain: float | None
) -> tuple[Row, ...]:
    facts, by_day = view.once(_ordered, engine)
    if facts.empty:
        return ()
    view.say("flat or not")
    verdict = view.once(_verdicts, false_alarms, smallest_gain)
    keys = pd.MultiIndex.from_frame(facts[KEYS])
    verdict = verdict.set_index(KEYS).reindex(keys).reset_index()
    verdict = verdict.assign(flagged=verdict["flagged"].eq(True))
    changed = [c if isinstance(c, tuple) else () for c in verdict["changed"]]
    facts = facts.assign(
        less_clean=verdict["less_clean"].eq(True), changed=pd.Series(changed, dtype=object)
    )
    facts = facts.merge(view.after_coming_back, on=KEYS, how="left")
    return make_rows(
        facts,
        by_day,
        verdict,
        view.histories,
        usual_absence=view.usual_absence,
        several=view.model.athletes_ > 1,
        horizon=view.model.horizon_weeks,
    )


def _verdicts(view: LogView, false_alarms: float, smallest_gain: float | None) -> pd.DataFrame:
    """The verdict on every spell under way, with what changed in the log beside it."""
    table = verdicts(
        view.histories,
        view.club_verdict,
        false_alarms_per_year=false_alarms,
        smallest_gain=smallest_gain,
    )
    beside = alongside(view.histories, view.under_way, table["since"])
    return pd.concat([table[list(VERDICT_COLUMNS)], beside], axis=1)


def as_view(
    asked: Views | LogView,
    log: TrainingLog | None = None,
    as_of: pd.Timestamp | str | None = None,
) -> LogView:
    """Return the view given, or a log as the forecaster given sees it.

    ``asked`` is a fitted forecaster, or its view, which has a log and a cut date already. Raises
    ``ForecastError`` if a view is given together with another log or cut date than its own, or what
    is given is neither; and as ``LogView`` does.
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
