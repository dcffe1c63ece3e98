"""The forecaster as users meet it: fit on a log, and one view of a log for all that is asked."""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass, replace
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

import pandas as pd
from joblib import effective_n_jobs
from sklearn.base import BaseEstimator

from forecast import ahead, inline, words
from forecast.ahead import Climbing, LadderAhead, learn_climbing
from forecast.errors import ForecastError, ModelFileError, NotFittedError, is_number, is_whole
from forecast.growth import GrowthModel, Tracked
from forecast.histories import DEFAULT_LAPSE_WEEKS, Histories, build_histories, cut_day
from forecast.log import TrainingLog
from forecast.parts import forecast_shared_out
from forecast.plateau import DEFAULT_FALSE_ALARMS, ClubVerdict, learn_shares
from forecast.readiness import (
    ENGINES,
    Engine,
    Engines,
    LogView,
    Progress,
    moved_back,
    read_model,
    rows_end,
    save_model,
    train_engines,
)
from forecast.result import ReadinessForecast, forecast_of, states_table
from forecast.row import Row

if TYPE_CHECKING:
    import altair as alt


@dataclass(frozen=True, slots=True)
class Borrowed:
    """What was taken from another club: its athletes, the rungs that both have, and the belief.

    ``trust`` is the chance that this club's rungs are about as hard as there, as its own log says.
    """

    athletes: int
    rungs: tuple[str, ...]
    trust: float

    def __str__(self) -> str:
        """Return it in a sentence."""
        return words.screens.borrowed(self.athletes, len(self.rungs), self.trust)


_LEARNT = {
    "engines_": Engines, "comparable_": dict, "athletes_": int, "rows_end_": float,
    "as_of_": pd.Timestamp, "rungs_": tuple, "club_verdict_": ClubVerdict, "climbing_": Climbing,
    "borrowed_": Borrowed,
}  # fmt: skip
"""What a fit leaves behind, and its type; the last three not always."""
_AT_TIMES = ("club_verdict_", "climbing_", "borrowed_")
_RECORDS = tuple(_LEARNT[name] for name in _AT_TIMES)
"""What is learnt beyond the engines and their pool, as kept in a saved model."""

MOST_WEEKS = 1_040
_BOUNDS = {
    "horizon_weeks": (1, MOST_WEEKS), "random_state": (0, 2**63 - 1), "paths": (4, 65_536),
    "draws": (2, 4_096),
}  # fmt: skip
"""Bounds of settings: beyond the largest a forecast would take gigabytes (judgement)."""


class View(LogView):
    """A ``readiness.LogView`` with what is asked of it: forecast, states, the ladder ahead."""

    def forecast(self, engine: Engine = "pool", *, despite_hold: bool = False) -> ReadinessForecast:
        """Return the forecast of every open rung, with the state of each.

        ``engine`` is as for ``ReadinessForecaster.forecast``; ``despite_hold`` says whether the
        curve holds rungs on hold for pain too: for scoring, never to be shown.
        """
        return self.once(_forecast, engine, despite_hold)

    def plateaus(
        self, *, false_alarms_per_year: float = DEFAULT_FALSE_ALARMS,
        smallest_gain: float | None = None,
    ) -> pd.DataFrame:  # fmt: skip
        """Say for each open rung whether the athlete climbs, is flat, slips or pauses.

        One athlete may get so many false alarms in a year of training. A gain a week (0.01 is 1 %)
        below ``smallest_gain`` counts as flat; left out, the gain that takes a year to the target
        from where the athlete stands, but 0.5 % a week at least. Returns a row an open (athlete,
        rung), by athlete and in ladder order: ``athlete, rung, state, since, weeks_flat, gain,
        gain_low, gain_high, p_flat, reason``, then ``since_low, since_high, smallest_gain,
        p_climbing, p_slipping, on_hold``. ``since`` (50, 10 and 90 % points) and ``weeks_flat``
        only where flat or slipping; chances are missing where ``on_hold`` is ``pain``.
        """
        asked: dict[str, Any] = {
            "false_alarms_per_year": false_alarms_per_year, "smallest_gain": smallest_gain,
        }  # fmt: skip
        return states_table(self.rows_of("pool", **asked))

    def ladder_ahead(
        self, *, horizon_weeks: int = 260, target_date: pd.Timestamp | str | None = None,
        sessions_per_week: float | None = None,
    ) -> LadderAhead:  # fmt: skip
        """Forecast every rung still ahead, up to the top; see ``ahead.ladder_ahead``."""
        return ahead.ladder_ahead(
            self, horizon_weeks=horizon_weeks, target_date=target_date,
            sessions_per_week=sessions_per_week,
        )  # fmt: skip

    def about(self, athlete: str = "") -> tuple[Row, ...]:
        """Return the rows of an athlete, or of whoever is most urgent, most urgent first.

        Raises ``ForecastError`` if the athlete has no open rung, or nobody has.
        """
        first = next((row for row in self.rows if row.seen.sessions), None)
        name = athlete or (first.athlete if first else "Nobody")
        if not (mine := tuple(row for row in self.rows if row.athlete == name)):
            names = ", ".join(sorted({row.athlete for row in self.rows})) or "none"
            raise ForecastError(f"{name} has no open rung here; athletes with one: {names}.")
        return mine

    def plot_sets(self, athlete: str = "") -> alt.VConcatChart:
        """Return the chart of an athlete's sets and chances; of everybody, picked in a list.

        Most urgent first, whoever is away last. Errors as ``about``.
        """
        from forecast import charts, report  # drawing is loaded when asked for

        rows = self.about(athlete) if athlete else self.rows
        return charts.pick_a_rung(report.open_tables(self, rows), self.curve(), rows)

    def plot_waiting(self) -> alt.LayerChart:
        """Return the chart of who clears next, soonest first."""
        from forecast import charts

        return charts.waiting_list(self.rows)

    def plot_ladder(self, athlete: str = "") -> alt.LayerChart:
        """Return the chart of every rung still ahead of an athlete; errors as ``about``."""
        from forecast import charts

        up = self.ladder_ahead().for_athlete(self.about(athlete)[0].athlete)
        return charts.ladder_ahead(up.summary, as_of=up.as_of, horizon_weeks=up.horizon_weeks)

    def plot_marks(
        self, athlete: str = "", times: Sequence[float] = (0.75, 1.25)
    ) -> alt.LayerChart:
        """Return the chart of an athlete's most urgent rung at other pass marks.

        ``times`` the present mark. Errors as ``about`` and ``ahead.what_if_mark``.
        """
        from forecast import charts

        rows = self.about(athlete)
        row = next((row for row in rows if row.seen.sessions), rows[0])
        criterion = row.rung.criterion
        targets = [max(round(each * criterion.target), 1) for each in times]
        asked = ahead.what_if_mark(self, athlete=row.athlete, rung=row.rung.key, targets=targets)
        return charts.by_mark(
            asked.table,
            as_of=self.as_of,
            horizon_weeks=self.model.horizon_weeks,
            unit=words.say.UNITS[criterion.measure],
        )

    def _repr_html_(self) -> str:
        return inline.rows_html(self.rows)


def _forecast(view: View, engine: Engine, despite_hold: bool) -> ReadinessForecast:
    rows, curve = view.rows_of(engine), view.curve(engine, despite_hold=despite_hold)
    return forecast_of(rows, curve, view.as_of, view.model.horizon_weeks, engine)


class ReadinessForecaster(BaseEstimator):
    """Weeks until each open rung is cleared; states of each, and the whole ladder ahead.

    Two engines are pooled and recalibrated. Every question is asked of a view of a log; the
    methods here that take a log make one.

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

    Fitted, it has ``engines_`` (both engines and their pool), ``comparable_`` (cleared spells by
    rung), ``as_of_`` (cut date of the fit), ``rungs_`` (keys of the ladder), ``athletes_`` (how
    many), ``rows_end_`` (how readily rows of sessions without a valid set end), ``club_verdict_``
    (how often spells climb, stand still and slip), ``climbing_`` (how the ladder is climbed) and
    ``borrowed_`` (what was taken from another club's model, if one was given).
    """

    engines_: Engines
    athletes_: int
    rungs_: tuple[str, ...]
    club_verdict_: ClubVerdict | None
    climbing_: Climbing | None
    borrowed_: Borrowed | None = None
    hindsight = False
    """Whether days before the fit may be asked about; see ``in_hindsight``."""

    def __init__(
        self, horizon_weeks: int = 52, random_state: int = 0, *, paths: int = 2048, draws: int = 64,
        lapse_weeks: float = DEFAULT_LAPSE_WEEKS,
    ) -> None:  # fmt: skip
        self.horizon_weeks = horizon_weeks
        self.random_state = random_state
        self.paths = paths
        self.draws = draws
        self.lapse_weeks = lapse_weeks

    def __repr__(self, N_CHAR_MAX: int = 700) -> str:
        text = super().__repr__(N_CHAR_MAX)
        return f"{text}. {self.borrowed_}" if self.borrowed_ else text

    def fit(
        self, log: TrainingLog, as_of: pd.Timestamp | str | None = None, *,
        like: ReadinessForecaster | None = None, n_jobs: int | None = None,
        progress: Progress | None = None,
    ) -> Self:  # fmt: skip
        """Learn from everything dated before ``as_of``.

        Parameters
        ----------
        log
            A log from ``read_log``.
        as_of
            Cut date; the day after the last set where left out.
        like
            Another club's fitted forecaster as prior: how rungs of the same key differ, the
            hazard's weights and trees, and the pool's weights. What the log says overrules it;
            ``borrowed_`` says how far it was believed.
        n_jobs
            Workers, as joblib counts them, for what is learnt beside the engines; the result does
            not depend on it.
        progress
            Called with a few words at each step.

        Raises
        ------
        ForecastError
            No set is dated before ``as_of``, a setting makes no sense, or (``FitError``) an engine
            could not be fitted; nothing is put in its place.
        """
        return self._fit(log, as_of, progress, None, like)

    def update(
        self, log: TrainingLog, as_of: pd.Timestamp | str | None = None, *,
        progress: Progress | None = None,
    ) -> Self:  # fmt: skip
        """Learn anew from a log that has grown, going on from what was learnt before.

        About half the time of ``fit``: the growth engine keeps its scale and starts from its
        constants. To answer for a log that has grown by a week or two no learning is needed:
        ``view`` takes new sets in as they are. Parameters and errors are those of ``fit`` and
        ``view``.
        """
        return self._fit(log, as_of, progress, self.view(log, as_of).growth)

    def _fit(
        self, log: TrainingLog, as_of: pd.Timestamp | str | None, progress: Progress | None,
        start: GrowthModel | None, like: ReadinessForecaster | None = None,
    ) -> Self:  # fmt: skip
        histories, tracked = self._learn(log, as_of, progress, start, like)
        if progress:
            progress("verdict and ladder")
        self.club_verdict_ = learn_shares(histories)
        self.climbing_ = learn_climbing(tracked, histories, seed=self.random_state)
        return self

    def fit_engines(
        self, log: TrainingLog, as_of: pd.Timestamp | str | None = None, *,
        like: ReadinessForecaster | None = None, progress: Progress | None = None,
    ) -> Self:  # fmt: skip
        """Learn what ``forecast_each`` needs and no more, as a backtest does at every cut.

        Parameters and errors are those of ``fit``. The rest is then learnt from the log asked
        about.
        """
        self._learn(log, as_of, progress, None, like)
        return self

    def _learn(
        self, log: TrainingLog, as_of: pd.Timestamp | str | None, progress: Progress | None,
        start: GrowthModel | None = None, like: ReadinessForecaster | None = None,
    ) -> tuple[Histories, Tracked]:  # fmt: skip
        self._check_settings()
        if like is not None and not (isinstance(like, ReadinessForecaster) and like._learnt()):
            raise ForecastError(
                "like= takes another club's fitted forecaster; fit one, or load it: "
                'load_model("other.zip").'
            )
        # an earlier fit's do not belong here
        self.club_verdict_, self.climbing_, self.borrowed_ = None, None, None
        histories = build_histories(log, as_of, lapse_weeks=self.lapse_weeks)
        self.engines_, tracked = train_engines(
            histories, horizon_weeks=self.horizon_weeks, seed=self.random_state, start=start,
            like=None if like is None else (like.engines_, like.rungs_), progress=progress,
        )  # fmt: skip
        if like is not None:
            shared = [rung for rung in log.ladder.keys if rung in like.rungs_]
            trust = self.engines_.growth.fit.pooled.lent
            self.borrowed_ = Borrowed(like.athletes_, tuple(shared), trust)
        cleared = histories.spells.loc[histories.spells["cleared_on"].notna(), "rung"]
        counts = cleared.value_counts()
        self.comparable_ = {key: int(counts.get(key, 0)) for key in log.ladder.keys}
        self.athletes_ = int(histories.spells["athlete"].nunique())
        self.rows_end_ = rows_end(histories)
        self.as_of_ = histories.as_of
        self.rungs_ = tuple(log.ladder.keys)
        return histories, tracked

    def view(
        self, log: TrainingLog, as_of: pd.Timestamp | str | None = None, *,
        progress: Progress | None = None,
    ) -> View:  # fmt: skip
        """Return a log as this forecaster sees it: everything asked of it is worked out once.

        ``log`` is of the same ladder as the one fitted on, ``as_of`` the cut date, the day after
        the last set where left out; ``progress`` is called with a few words at each step. Raises
        ``NotFittedError`` if ``fit`` was not called, ``ForecastError`` if the ladder is another,
        ``HistoryError`` if the log holds no set or ``as_of`` is not a date.
        """
        if "engines_" not in vars(self):
            raise NotFittedError("This forecaster has not been fitted; call fit(log) first.")
        return View(self, log, as_of, progress)

    def forecast(
        self, log: TrainingLog, as_of: pd.Timestamp | str | None = None, *, engine: Engine = "pool",
        athlete: str | None = None, n_jobs: int | None = None, progress: Progress | None = None,
    ) -> ReadinessForecast:  # fmt: skip
        """Forecast every open rung from what was logged before ``as_of``, with its state.

        Parameters
        ----------
        log, as_of, progress
            As for ``view``, and so are errors; ``ForecastError`` too if ``as_of`` lies before that
            of the fit (``in_hindsight()`` answers for it).
        engine
            ``pool``, or one engine alone; ``unrecalibrated`` is the pool before its chances are
            corrected by how they turned out.
        athlete
            Of this one alone, as in the forecast of all, in a fraction of the time.
        n_jobs
            Workers that the athletes are shared over, as joblib counts them; any of its backends
            will do (``joblib.parallel_config``), and the result does not depend on it.
        """
        if athlete is not None:
            as_of = cut_day(log, as_of)
            if athlete not in log.athletes:
                raise ForecastError(f"{athlete!r} is not in the log; see log.athletes.")
            log = replace(log, sets=log.sets[log.sets["athlete"] == athlete].reset_index(drop=True))
        # without ``fit`` the shares are learnt from the log asked about, which then stays whole
        if effective_n_jobs(n_jobs) > 1 and self.club_verdict_ is not None:
            return forecast_shared_out(self, log, as_of, engine, n_jobs)
        return self.view(log, as_of, progress=progress).forecast(engine)

    def forecast_each(
        self, log: TrainingLog, as_of: pd.Timestamp | str | None = None,
        engines: Sequence[Engine] = ENGINES, *, despite_hold: bool = False,
    ) -> dict[Engine, ReadinessForecast]:  # fmt: skip
        """Forecast by several engines (all where left out), all from one simulation."""
        view = self.view(log, as_of)
        return {engine: view.forecast(engine, despite_hold=despite_hold) for engine in engines}

    def plateaus(
        self, log: TrainingLog, as_of: pd.Timestamp | str | None = None, *,
        false_alarms_per_year: float = DEFAULT_FALSE_ALARMS, smallest_gain: float | None = None,
    ) -> pd.DataFrame:  # fmt: skip
        """Say of each open rung whether progress stopped; see ``View.plateaus``."""
        return self.view(log, as_of).plateaus(
            false_alarms_per_year=false_alarms_per_year, smallest_gain=smallest_gain
        )

    def ladder_ahead(
        self, log: TrainingLog, as_of: pd.Timestamp | str | None = None, *,
        horizon_weeks: int = 260, target_date: pd.Timestamp | str | None = None,
        sessions_per_week: float | None = None,
    ) -> LadderAhead:  # fmt: skip
        """Forecast every rung still ahead, up to the top; see ``ahead.ladder_ahead``."""
        return self.view(log, as_of).ladder_ahead(
            horizon_weeks=horizon_weeks, target_date=target_date,
            sessions_per_week=sessions_per_week,
        )  # fmt: skip

    def plot_sets(
        self, log: TrainingLog, athlete: str = "", as_of: pd.Timestamp | str | None = None
    ) -> alt.VConcatChart:
        """Draw sets and chances; see ``View.plot_sets``."""
        return self.view(log, as_of).plot_sets(athlete)

    def plot_waiting(
        self, log: TrainingLog, as_of: pd.Timestamp | str | None = None
    ) -> alt.LayerChart:
        """Draw who clears next; see ``View.plot_waiting``."""
        return self.view(log, as_of).plot_waiting()

    def plot_ladder(
        self, log: TrainingLog, athlete: str = "", as_of: pd.Timestamp | str | None = None
    ) -> alt.LayerChart:
        """Draw the rungs still ahead of an athlete; see ``View.plot_ladder``."""
        return self.view(log, as_of).plot_ladder(athlete)

    def _repr_html_(self) -> str:
        """Show what was learnt from: cleared spells by rung."""
        if "engines_" not in vars(self):
            return f"<p>{escape(repr(self))}</p>"
        heading = words.screens.fitted(super().__repr__(), self.athletes_, self.as_of_)
        heading += f". {self.borrowed_}" if self.borrowed_ else ""
        cleared = words.pages.COLUMNS["n_cleared"][0]
        return f"<p>{escape(heading)}</p>{inline.counts_html(self.comparable_, cleared)}"

    def _repr_mimebundle_(self, **_: object) -> dict[str, str]:
        return {"text/plain": repr(self), "text/html": self._repr_html_()}

    def save(self, path: str | Path) -> Path:
        """Write the fitted forecaster to a zip file that ``load_model`` reads; no pickle.

        Raises ``NotFittedError`` before a fit, ``ModelFileError`` if nothing can be written there.
        """
        learnt = {name: value for name, value in self._learnt().items() if value is not None}
        return save_model(self.get_params(), learnt, path)

    def _learnt(self) -> dict[str, Any]:
        return {name: value for name, value in vars(self).items() if name.endswith("_")}

    def dates_moved(self, days: int) -> Self:
        """Return this forecaster as fitted on the same log with dates ``days`` earlier.

        What it knows of the seasons is turned along, so that forecasts stay what they are.
        """
        other = copy(self)
        for name, value in self._learnt().items():
            setattr(other, name, moved_back(value, days))
        return other

    def in_hindsight(self) -> Self:
        """Return this forecaster as one that answers for days before its fit too.

        Nothing dated on or after ``as_of`` is filtered even then, but what was learnt has seen
        it: good for comparing two dates by one measure, not for judging a forecast.
        """
        other = copy(self)
        other.hindsight = True
        return other

    def _check_settings(self) -> None:
        for name, (least, most) in _BOUNDS.items():
            value = getattr(self, name)
            if not is_whole(value) or not least <= value <= most:
                raise ForecastError(
                    f"{name} = {value!r}; give a whole number, {least} or more, at most {most}."
                )
        if self.draws % 2 or self.paths < 2 * self.draws:
            raise ForecastError(
                f"draws = {self.draws!r}, paths = {self.paths!r}; give an even number of draws "
                "and at least twice as many paths."
            )
        if not is_number(self.lapse_weeks) or not 0 < self.lapse_weeks <= MOST_WEEKS:
            raise ForecastError(
                f"lapse_weeks = {self.lapse_weeks!r}; give a number of weeks above 0, at most "
                f"{MOST_WEEKS}."
            )


def load_model(path: str | Path) -> ReadinessForecaster:
    """Return a saved forecaster.

    Parameters
    ----------
    path
        File written by ``ReadinessForecaster.save``; ``ModelFileError`` if it is missing, not ours,
        damaged, or of another version.
    """
    settings, learnt = read_model(path, _RECORDS)
    try:
        model = ReadinessForecaster(**settings)
        model._check_settings()
    except (TypeError, ForecastError) as error:
        raise ModelFileError(f"{path}: {error}") from error
    needed = set(_LEARNT) - set(_AT_TIMES)
    fits = needed <= set(learnt) <= set(_LEARNT)
    if not fits or not all(isinstance(learnt[name], _LEARNT[name]) for name in learnt):
        raise ModelFileError(f"{path}: what it learnt is not all there; fit and save again.")
    n_rungs, keys = learnt["engines_"].growth.fit.n_rungs, learnt["rungs_"]
    named = all(isinstance(key, str) for key in keys)
    if not named or len(keys) != n_rungs or not set(learnt["comparable_"]) <= set(keys):
        raise ModelFileError(f"{path}: its rungs do not fit together; fit and save again.")
    for name, value in learnt.items():
        setattr(model, name, value)
    return model
