"""Everything the pages need, worked out once for the whole club."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

import pandas as pd

from forecast.ahead import fallbacks, ladder_ahead, retests
from forecast.changes import Changes
from forecast.cohort import lapse_chance, weeks_of_others
from forecast.errors import ForecastError
from forecast.histories import CLEARED, PASSED_OVER, Histories
from forecast.ladder import Ladder
from forecast.log import TrainingLog
from forecast.plateau import plateaus
from forecast.readiness import AWAY, KEYS, Fitted, LogView, Progress, ReadinessForecast, as_view
from forecast.report.answer import own_changes
from forecast.report.cohort_tables import with_rung_names
from forecast.report.seen import seen
from forecast.report.tables import OpenTables, open_tables


@dataclass(frozen=True, slots=True)
class ReportData:
    """What the pages are made from.

    Attributes
    ----------
    club
        Name for headings.
    ladder
        The ladder.
    forecast
        The forecast, with a ``who`` column (athlete and rung) in ``summary`` and ``reasons``, and
        ``mark`` and ``usual`` (see ``marks``) in ``summary``.
    tables
        Tables of the charts, by ``who``.
    plateaus
        One row an open (athlete, rung), as ``model.plateaus`` gives it, with ``rung_name``.
    ahead
        Summary of the ladder ahead, one row an athlete and rung; empty where not asked for.
    ahead_weeks
        Weeks the ladder ahead looks forward.
    lapse
        ``athlete, rung, p_gone, text``: the chance of stopping, beside each forecast.
    going_back
        Rungs whose form breaks more often than usual, as ``ahead.fallbacks`` gives them.
    retests
        Cleared rungs due for a re-test, as ``ahead.retests`` gives them, of athletes not away.
    others
        How long the others took, as ``cohort.weeks_of_others`` gives it; empty where not asked for.
    view
        The log as the model sees it, from which all of this comes.
    notes
        Whether athletes' pages show the notes of their sets.
    changes
        What changed since an earlier day, for the top of the coach's page.
    """

    club: str
    ladder: Ladder
    forecast: ReadinessForecast
    tables: OpenTables
    plateaus: pd.DataFrame
    ahead: pd.DataFrame
    ahead_weeks: int
    lapse: pd.DataFrame
    going_back: pd.DataFrame
    retests: pd.DataFrame
    others: pd.DataFrame
    view: LogView
    notes: bool = False
    changes: Changes | None = None

    @property
    def as_of(self) -> pd.Timestamp:
        """Cut date: nothing dated on or after it was used."""
        return self.forecast.as_of

    @property
    def histories(self) -> Histories:
        """Sets, sessions and spells up to the cut."""
        return self.view.histories

    @property
    def athletes(self) -> list[str]:
        """Athletes with an open rung, in alphabetical order."""
        return sorted(set(self.forecast.summary["athlete"]))

    @property
    def finished(self) -> list[str]:
        """Athletes with everything they logged behind them, in alphabetical order."""
        spells = self.histories.spells
        done = spells["outcome"].isin([CLEARED, PASSED_OVER]).groupby(spells["athlete"]).all()
        return sorted(set(done.index[done]) - set(self.athletes))

    @property
    def for_athletes(self) -> OpenTables:
        """The tables; what the coach wrote beside a set only where asked for."""
        whole = self.tables
        return whole if self.notes else replace(whole, sets=whole.sets.assign(note=""))

    def only(self, athlete: str, tables: OpenTables | None = None) -> AthleteData:
        """Return the part that one athlete's page may hold, and nothing of anybody else's.

        ``tables``: the athlete's part of ``for_athletes``, where it has been split already.
        """
        forecast, spells = self.forecast, _mine(self.histories.spells, athlete)
        return AthleteData(
            athlete=athlete,
            club=self.club,
            ladder=self.ladder,
            forecast=replace(
                forecast,
                summary=_mine(forecast.summary, athlete),
                curve=_mine(forecast.curve, athlete),
                reasons=_mine(forecast.reasons, athlete),
            ),
            cleared=spells[spells["outcome"] == CLEARED][["rung", "cleared_on"]],
            tables=tables or self.for_athletes.split("athlete")[athlete],
            plateaus=_mine(self.plateaus, athlete),
            ahead=_mine(self.ahead, athlete),
            ahead_weeks=self.ahead_weeks,
            others=_mine(self.others, athlete),
            changed=own_changes(self.changes, athlete, self.as_of),
        )


@dataclass(frozen=True, slots=True)
class AthleteData:
    """What one athlete's page is made from; fields as in ``ReportData``.

    ``cleared``: ``rung, cleared_on`` of the rungs cleared; ``changed``: a sentence, or empty.
    """

    athlete: str
    club: str
    ladder: Ladder
    forecast: ReadinessForecast
    cleared: pd.DataFrame
    tables: OpenTables
    plateaus: pd.DataFrame
    ahead: pd.DataFrame
    ahead_weeks: int
    others: pd.DataFrame
    changed: str


def _mine(frame: pd.DataFrame, athlete: str) -> pd.DataFrame:
    return frame[frame["athlete"] == athlete].reset_index(drop=True)


def gather(
    log: TrainingLog | LogView,
    model: Fitted | None = None,
    as_of: pd.Timestamp | str | None = None,
    *,
    club: str = "",
    for_coach: bool = True,
    for_athlete: bool = True,
    notes: bool = False,
    forecast: ReadinessForecast | None = None,
    progress: Progress | None = None,
) -> ReportData:
    """Work out what the pages show.

    Parameters
    ----------
    log, model, as_of, club, notes, progress
        As in ``write_report``.
    for_coach
        Whether re-tests, going back and the chance of stopping are wanted.
    for_athlete
        Whether the ladder ahead is wanted.
    forecast
        The model's forecast of the log at the cut, where it has been made already.

    Raises
    ------
    NotFittedError
        ``fit`` was not called on the model.
    ForecastError
        The log's ladder is not the one the model was fitted on.
    HistoryError
        No set is dated before ``as_of``.
    """
    cut = as_of if forecast is None else forecast.as_of
    if isinstance(log, LogView):
        view = as_view(log, as_of=cut)
    elif not hasattr(model, "view") or model is None:
        raise ForecastError(
            "A log needs a fitted model to be seen with; give the log first, then the model, or "
            "its view alone."
        )
    else:
        view = model.view(log, cut, progress=progress)
    ladder = view.log.ladder
    forecast = seen(view, forecast)
    states = with_rung_names(view.once(plateaus), ladder)
    summary = forecast.summary
    view.say("ladder ahead")
    ahead = ladder_ahead(view) if for_athlete else None
    view.say("who needs a look")
    at_it = set(summary.loc[summary["mark"] != AWAY, "athlete"])
    return ReportData(
        club=club or ladder.name,
        ladder=ladder,
        view=view,
        forecast=forecast,
        tables=open_tables(view, forecast),
        plateaus=states,
        notes=notes,
        ahead=summary.iloc[:0] if ahead is None else ahead.summary,
        ahead_weeks=forecast.horizon_weeks if ahead is None else ahead.horizon_weeks,
        lapse=lapse_chance(view) if for_coach else _none("p_gone", "text"),
        others=weeks_of_others(view.histories) if for_athlete else _none("week"),
        going_back=_flagged(fallbacks(view), "go_back", at_it) if for_coach else _none("text"),
        retests=_flagged(retests(view), "due", at_it) if for_coach else _none("text"),
    )


def _flagged(frame: pd.DataFrame, flag: str, at_it: Collection[str]) -> pd.DataFrame:
    """Keep the rows with the flag, of athletes who train an open rung now."""
    kept = frame[frame[flag].astype(bool) & frame["athlete"].isin(at_it)]
    return kept.reset_index(drop=True)


def _none(*columns: str) -> pd.DataFrame:
    return pd.DataFrame({name: pd.Series(dtype="str") for name in (*KEYS, "rung_name", *columns)})
