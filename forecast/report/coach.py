"""The coach's page: an answer, a sheet with a row an athlete, and each athlete in full."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd
from markupsafe import Markup

from forecast.charts import progress, small_line
from forecast.ladder import Rung
from forecast.log import counted
from forecast.readiness import AWAY, FLAT, KEYS, ON_HOLD, PAIN, SLIPPING, most_urgent_first
from forecast.report.account import account
from forecast.report.advice import COACH_CAUTION
from forecast.report.answer import changed, club_answer
from forecast.report.data import ReportData
from forecast.report.figures import Figure, figure
from forecast.report.files import file_names
from forecast.report.page import render
from forecast.report.tables import OpenTables
from forecast.report.why import say_why, since
from forecast.report.words import percent, say_date, say_half, say_range, say_usual, say_value

CHANCES = (4, 8, 12, 26)
"""Weeks by which chances are told."""
GONE = 0.2
"""Chance of having stopped already from which a call is worth it."""
NOBODY_WAITS = (
    "No rung is open: everybody in the log has cleared every rung they tried and there is none "
    "above, or has stopped logging. There is nothing to forecast until a new rung is begun."
)


NO_LINE = "no session yet"


@dataclass(frozen=True, slots=True)
class RungRow:
    """One open rung in words; ``state`` begins with its mark, ``held`` where dates are on hold.

    ``drawn``: whether it has sets to draw; ``small``: its line, or that there is none yet.
    """

    who: str
    athlete: str
    rung: str
    mark: str
    state: str
    stands: str
    weeks: str
    date: str
    half: str
    chances: tuple[tuple[str, str], ...]
    record: str
    why: str
    reasons: tuple[str, ...]
    held: bool
    tie: str
    alt: str
    drawn: bool
    small: Markup | str

    @property
    def when(self) -> str:
        """The dates in a sentence."""
        if self.held:
            return f"Dates {self.date}."
        return f"{self.half[0].upper()}{self.half[1:]}; 8 in 10 in {self.weeks}."


@dataclass(frozen=True, slots=True)
class Client:
    """One athlete: the rungs, the most urgent first, and where they stand on this and other pages.

    ``page`` is the file of the athlete's own page, empty where none was written.
    """

    athlete: str
    anchor: str
    page: str
    rungs: tuple[RungRow, ...]


def coach_page(data: ReportData, pages: Mapping[str, str] | None = None) -> str:
    """Return the coach's page as HTML.

    Parameters
    ----------
    data
        The club's tables.
    pages
        File of each athlete's page, where they are written beside this one.
    """
    people, figures = clients(data, pages or {}), _figures(data)
    return render(
        "coach.html.j2",
        title=f"{data.club}: coach's sheet",
        figures=figures,
        data=data,
        answer=club_answer(data.forecast.summary, data.forecast.curve),
        changed=changed(data.changes, data.as_of),
        clients=people,
        rungs=counted(sum(len(one.rungs) for one in people), "open rung"),
        people=counted(len(people), "athlete"),
        nobody_waits=NOBODY_WAITS,
        retests=retest_rows(data),
        account=account(data.histories),
        how=figures[0].subtitle if figures else "",
        caution=COACH_CAUTION,
    )


def anchor(file: str) -> str:
    """Return where on the coach's page the athlete with this file stands."""
    return f"client-{file.removeprefix('athlete-').removesuffix('.html')}"


def clients(data: ReportData, pages: Mapping[str, str]) -> list[Client]:
    """Return every athlete with an open rung, the most urgent first, as ``weeks`` lists them."""
    by_athlete: dict[str, list[RungRow]] = {}
    for row in rung_rows(data):
        by_athlete.setdefault(row.athlete, []).append(row)
    files = file_names([*data.athletes, *data.finished], "athlete")
    return [
        Client(name, anchor(files[name]), pages.get(name, ""), tuple(rows))
        for name, rows in by_athlete.items()
    ]


def rung_rows(data: ReportData) -> list[RungRow]:
    """Return every open rung in words, the most urgent first."""
    summary = most_urgent_first(data.forecast.summary, data.plateaus)
    own = [name for name in data.plateaus if name in KEYS or name not in summary]
    rows = summary.merge(data.plateaus[own], on=KEYS)
    breaking = data.going_back.set_index(KEYS)["text"].rename("breaking")
    stops = data.lapse.set_index(KEYS)[["p_gone", "text"]]
    stops = stops.rename(columns={"p_gone": "gone", "text": "stops"})
    rows = rows.join(breaking, on=KEYS).join(stops, on=KEYS)
    said = data.forecast.reasons
    told = set(rows.loc[rows["usual"].notna() & (rows["sessions"] > 0), "who"])
    said = said[(said["what"] != "level") | ~said["who"].isin(told)]
    reasons = said.groupby("who")["text"].agg(tuple)
    parts = data.tables.split("who")
    return [
        _row(data, row, reasons[row.who], parts[row.who]) for row in rows.itertuples(index=False)
    ]


def rung_words(data: ReportData) -> pd.DataFrame:
    """Return what there is to say of every open rung: ``who, text``, one row a paragraph."""
    said = [
        (row.who, text)
        for row in rung_rows(data)
        for text in (
            f"{row.state}. A usual day shows {row.stands}. {row.when} Record: {row.record}.",
            row.why,
            *row.reasons,
            row.tie,
        )
        if text
    ]
    return pd.DataFrame(said, columns=["who", "text"])


def rung_table(data: ReportData, athlete: str) -> pd.DataFrame:
    """Return one athlete's open rungs in words, the most urgent first, as the sheet says them."""
    columns = ["Rung", "State", "Usual day", "Weeks", "Half by", "Record"]
    rows = [
        (row.rung, row.state, row.stands, row.weeks, row.date, row.record)
        for row in rung_rows(data)
        if row.athlete == athlete
    ]
    return pd.DataFrame(rows, columns=columns)


def _row(data: ReportData, row: Any, reasons: tuple[str, ...], one: OpenTables) -> RungRow:
    held, horizon = row.mark == PAIN, data.forecast.horizon_weeks
    mark = one.marks.iloc[0]
    told = reasons
    if row.mark == AWAY:
        told = (*reasons, f"chance of having stopped logging already: {percent(row.gone)}")
    elif pd.notna(row.stops):
        told = (*reasons, row.stops)
    wide = row.weeks_high - row.weeks_low
    return RungRow(
        who=row.who,
        athlete=row.athlete,
        rung=row.rung_name,
        mark=row.mark,
        state=_state(row, data.as_of),
        stands=_of_mark(row.usual, row.target, data.ladder.rung(row.rung)),
        weeks="on hold" if held else say_range(row.weeks_low, row.weeks_high, horizon),
        date=ON_HOLD
        if held
        else say_date(row.date_mid, data.as_of, range_weeks=wide)
        if pd.notna(row.date_mid)
        else f"later than {horizon} weeks",
        half=say_half(row, data.as_of, horizon),
        chances=()
        if held
        else tuple(
            (f"within {week} weeks", percent(getattr(row, f"p_{week}")))
            for week in CHANCES
            if week <= horizon
        ),
        record=row.confidence,
        why=_why(row, data.as_of),
        reasons=tuple(text[0].upper() + text[1:] for text in told),
        held=held,
        tie=mark["text_tie"],
        alt=f"{row.who}: {mark['text_target']}; {mark['text_when']}.",
        drawn=len(one.sets) > 0,
        small=Markup(small_line(one.level, one.fan, row.target, data.as_of))
        if len(one.level)
        else NO_LINE,
    )


def _of_mark(usual: float, target: float, rung: Rung) -> str:
    """What a usual day shows of the mark: ``5.1 s of 6 s``, ``3 of 6 reps``."""
    measure = rung.criterion.measure
    shown = say_usual(usual, measure, unit=measure != "reps")
    return f"{shown} of {say_value(target, measure)}"


def _state(row: Any, as_of: pd.Timestamp) -> str:
    """The mark, since when or how long, and what else a coach would look at."""
    if row.mark == PAIN:
        return "Pain: stop and refer"
    if row.mark == AWAY:
        call = "; worth a call" if row.gone > GONE else ""
        return f"Away {counted(max(round(row.wait_weeks), 1), 'week')}{call}"
    state = row.mark.capitalize() + (since(row, as_of) if row.mark in (FLAT, SLIPPING) else "")
    more = [
        words
        for holds, words in (
            (row.sessions == 0, "not started"),
            (row.less_clean, "longer but less clean"),
            (pd.notna(row.breaking), "form breaks"),
            (row.gone > GONE, "comes less than usual"),
        )
        if holds
    ]
    return "; ".join([state, *more])


def _why(row: Any, as_of: pd.Timestamp) -> str:
    """Say in sentences what stands behind the state, and what to mind."""
    parts = [say_why(row, as_of)]
    # The watch has named the pain and the pause already.
    if row.warnings and row.mark not in (PAIN, AWAY):
        parts.append(f"Mind: {row.warnings}.")
    if pd.notna(row.breaking):
        parts.append(row.breaking)
    return " ".join(parts)


def retest_rows(data: ReportData) -> list[tuple[str, str]]:
    """Return athlete, and the cleared rungs of theirs that are due for a re-test, in words."""
    due = data.retests
    if due.empty:
        return []
    said = [
        f"{row.rung_name} ({_of_mark(row.level_value, row.target, data.ladder.rung(row.rung))})"
        for row in due.itertuples(index=False)
    ]
    words = due.assign(said=said).groupby("athlete", sort=True)["said"].agg("; ".join)
    return list(words.items())


def _figures(data: ReportData) -> list[Figure]:
    """Return the chart that the page draws for one rung after the other; none without a set."""
    tables = data.tables
    if tables.sets.empty:
        return []
    chart = progress(tables.sets, tables.level, tables.fan, tables.marks)
    return [
        figure(
            "progress",
            chart,
            title="Sets, level and pass mark",
            subtitle="Points: sets. Line: what a usual day shows, shaded by how well that is "
            "known; dotted, where it is heading, as far as 9 in 10 have cleared or half a year. "
            "Bar on the pass mark: 8 in 10 clear it in here; diamond: half have by then.",
        )
    ]
