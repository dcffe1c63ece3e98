"""Everything the pages need, worked out once for the whole club."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from forecast import changes as compared
from forecast.ahead import fallbacks, ladder_ahead, retests
from forecast.changes import Changes
from forecast.charts import OpenTables
from forecast.cohort import weeks_of_others
from forecast.errors import ForecastError
from forecast.histories import CLEARED, PASSED_OVER, Histories
from forecast.ladder import Ladder
from forecast.log import TrainingLog
from forecast.readiness import Fitted, LogView, Progress, as_view, usual_value
from forecast.report.tables import open_tables
from forecast.row import KEYS, Row
from forecast.words import pages

ENOUGH = 20
"""Forecasts that have come due before it is said how often they came true (judgement)."""


@dataclass(frozen=True, slots=True)
class ReportData:
    """What the pages are made from, all of it from the ``view``.

    ``rows``: every open rung, most urgent first, whoever is away for long last; ``tables``: of
    the charts of sets; ``curve``: chances by week, none under a hold; ``ahead``: summary of the
    ladder ahead, and the weeks it looks forward; by athlete and rung, in words, ``going_back``
    where form breaks more often than usual, ``others``, the weeks beside those of others, and
    ``moved``, how far the date did; by athlete ``retests``, cleared rungs due for one, and
    ``looked_back``, what was said weeks ago and what came; ``due``: all forecasts kept that came
    due; ``notes``: whether athletes' pages show those of their sets; ``changes`` since an earlier
    day; ``athlete``: of whom alone this is, empty for the club.
    """

    club: str
    view: LogView
    rows: tuple[Row, ...]
    tables: OpenTables
    curve: pd.DataFrame
    ahead: pd.DataFrame
    ahead_weeks: int
    going_back: dict[tuple[str, str], str]
    retests: dict[str, str]
    others: dict[tuple[str, str], str]
    notes: bool = False
    changes: Changes | None = None
    moved: dict[tuple[str, str], str] = field(default_factory=dict)
    due: pd.DataFrame = field(default_factory=pd.DataFrame)
    looked_back: dict[str, str] = field(default_factory=dict)
    athlete: str = ""

    @property
    def as_of(self) -> pd.Timestamp:
        """Cut date: nothing dated on or after it was used."""
        return self.view.as_of

    @property
    def histories(self) -> Histories:
        """Sets, sessions and spells up to the cut."""
        return self.view.histories

    @property
    def ladder(self) -> Ladder:
        """The ladder."""
        return self.view.log.ladder

    @property
    def here(self) -> tuple[Row, ...]:
        """The rows that are listed and charted: of whoever is not away for long."""
        return tuple(row for row in self.rows if not row.is_away)

    @property
    def athletes(self) -> list[str]:
        """Athletes with an open rung, in alphabetical order."""
        return sorted({row.athlete for row in self.rows})

    @property
    def finished(self) -> list[str]:
        """Athletes with everything they logged behind them, in alphabetical order."""
        spells = self.histories.spells
        done = spells["outcome"].isin([CLEARED, PASSED_OVER]).groupby(spells["athlete"]).all()
        return sorted(set(done.index[done]) - set(self.athletes))

    @property
    def account(self) -> str:
        """What the pages are made from, counted, in a sentence."""
        histories = self.histories
        ends = histories.spells["outcome"].value_counts().to_dict()
        late = int(histories.spells["under_way"].sum())
        return pages.account(len(histories.sets), len(histories.after_clearing), ends, late)

    @property
    def diary(self) -> list[str]:
        """How often the forecasts kept came true, in a sentence, where enough have come due."""
        return [] if len(self.due) < ENOUGH else [compared.in_words(self.due)]

    @property
    def by_measure(self) -> dict[str, list[Row]]:
        """The rows with a session, by what their rung measures: a chart has one unit."""
        rows: dict[str, list[Row]] = {}
        for row in self.rows:
            if row.seen.sessions:
                rows.setdefault(row.rung.criterion.measure, []).append(row)
        return rows

    def only(self, athlete: str) -> ReportData:
        """Return what one athlete's page may hold: rows in the ladder's order, nobody else's."""
        place = {key: number for number, key in enumerate(self.ladder.keys)}
        rows = [row for row in self.rows if row.athlete == athlete]
        rows.sort(key=lambda row: place[row.rung.key])
        tables = self.tables.only([row.who for row in rows])
        changes = self.changes
        if changes is not None:
            table = changes.table[changes.table["athlete"] == athlete]
            changes = replace(changes, table=table)
        return replace(
            self,
            athlete=athlete,
            rows=tuple(rows),
            tables=tables if self.notes else tables.without_notes(),
            curve=_mine(self.curve, athlete),
            ahead=_mine(self.ahead, athlete),
            changes=changes,
            going_back={},
            retests={},
            due=pd.DataFrame(),
        )

    @property
    def cards(self) -> tuple[pages.Card, ...]:
        """The rows in an athlete's words."""
        return tuple(pages.card(row, self.others.get(row.key, "")) for row in self.rows)

    @property
    def cleared(self) -> list[tuple[str, pd.Timestamp]]:
        """Names of the rungs that the athlete has cleared, and when."""
        spells = self.histories.spells
        done = spells[(spells["athlete"] == self.athlete) & (spells["outcome"] == CLEARED)]
        names = [self.ladder.rung(key).name for key in done["rung"]]
        return list(zip(names, done["cleared_on"], strict=True))

    @property
    def changed(self) -> str:
        """What changed for the athlete, in a sentence, or empty."""
        if self.changes is None:
            return ""
        kinds = zip(self.changes.table["kind"], self.changes.table["rung_name"], strict=True)
        return pages.own_changes(kinds, self.changes.since, self.as_of)


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
    changes: Changes | None = None,
    diary: pd.DataFrame | None = None,
    progress: Progress | None = None,
) -> ReportData:
    """Work out what the pages show; arguments and errors are those of ``write_report``.

    ``for_coach``: whether re-tests and going back are wanted; ``for_athlete``: the ladder ahead and
    the weeks of others; ``diary``: as ``changes.read_diary`` reads it.
    """
    if isinstance(log, LogView):
        view = as_view(log, as_of=as_of)
    elif model is None or not hasattr(model, "view"):
        raise ForecastError(
            "A log needs a fitted model to be seen with; give the log first, then the model, or "
            "its view alone."
        )
    else:
        view = model.view(log, as_of, progress=progress)
    rows = view.rows
    ahead = None
    if for_athlete:
        view.say("ladder ahead")
        ahead = ladder_ahead(view)
    view.say("fallbacks and re-tests")
    kept = compared.entries((), view.as_of) if diary is None else diary
    due = compared.came(kept, view.histories)
    return ReportData(
        club=club or view.log.ladder.name,
        view=view,
        rows=rows,
        tables=open_tables(view, rows),
        curve=view.curve(),
        ahead=pd.DataFrame({"athlete": []}) if ahead is None else ahead.summary,
        ahead_weeks=0 if ahead is None else ahead.horizon_weeks,
        going_back=_going_back(view) if for_coach else {},
        retests=_retests(view, rows) if for_coach else {},
        others=_others(view.histories) if for_athlete else {},
        notes=notes,
        changes=changes,
        moved=compared.moved(kept, rows, view.as_of),
        due=due,
        looked_back=compared.own_diary(due, view.histories),
    )


def _going_back(view: LogView) -> dict[tuple[str, str], str]:
    table = fallbacks(view)
    table = table[table["go_back"].astype(bool)].set_index(KEYS)
    return table["text"].to_dict()


def _retests(view: LogView, rows: tuple[Row, ...]) -> dict[str, str]:
    due = retests(view)
    here = {row.athlete for row in rows if row.away is None}
    due = due[due["due"].astype(bool) & due["athlete"].isin(here)]
    measures = [view.log.ladder.rung(key).criterion.measure for key in due["rung"]]
    whole = np.array([measure == "reps" for measure in measures], dtype=bool)
    usual = usual_value(due["level"].to_numpy(float), due["target"].to_numpy(float), whole)
    columns = due["rung_name"], usual, due["target"], measures
    texts = [pages.retest(*each) for each in zip(*columns, strict=True)]
    return due.assign(text=texts).groupby("athlete")["text"].agg("; ".join).to_dict()


def _others(histories: Histories) -> dict[tuple[str, str], str]:
    return {
        (one.athlete, one.rung): pages.beside_others(
            one.week, one.at_least, one.quarter, one.three_quarters
        )
        for one in weeks_of_others(histories).itertuples(index=False)
    }
