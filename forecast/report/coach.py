"""The coach's page: who needs a look, who clears next, and one client at a time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pandas as pd

from forecast.charts import chance_by_week, plateau_timeline, progress, waiting_list
from forecast.plateau import urgent_first
from forecast.readiness import AWAY, FLAT, PAIN, SLIPPING
from forecast.report.account import account
from forecast.report.advice import COACH_CAUTION, ON_HOLD
from forecast.report.data import ReportData, on_hold
from forecast.report.figures import Figure, figure, sheets, span
from forecast.report.page import render
from forecast.report.why import say_why, since
from forecast.report.words import percent, say_date, say_range, say_usual, say_value

LOOK_FIRST = (SLIPPING, FLAT)
TOO_LITTLE = ("Too early to tell", "Not started", "Thin record")
"""What stands on a list of its own: nothing is wrong, there is only little to go by."""
KEYS = ["athlete", "rung"]
WAITING_ROWS = 20
"""Rows of a chart that fit a printed page."""
NOBODY_WAITS = (
    "No rung is open: everybody in the log has cleared every rung they tried and there is none "
    "above, or has stopped logging. There is nothing to forecast until a new rung is begun."
)
GONE = 0.2
"""Chance of having stopped already from which a call is worth it."""


@dataclass(frozen=True, slots=True)
class LookRow:
    """One open rung that needs a look: what, and why.

    ``urgent`` where pain is noted; ``brief`` where there is only too little to go by.
    """

    athlete: str
    rung: str
    what: str
    why: str
    urgent: bool
    brief: bool = False


@dataclass(frozen=True, slots=True)
class ListRow:
    """One open rung in the waiting list, in words; ``held`` where its dates are on hold."""

    who: str
    athlete: str
    rung: str
    stands: str
    chances: tuple[str, ...]
    weeks: str
    date: str
    state: str
    confidence: str
    reasons: tuple[str, ...]
    warnings: str
    held: bool


def coach_page(data: ReportData) -> str:
    """Return the coach's page as HTML."""
    rows, look = list_rows(data), look_rows(data)
    waiting, stuck, client = _waiting_figures(data), _stuck_figures(data), _client_figures(data)
    return render(
        "coach.html.j2",
        title=f"{data.club}: coach's sheet",
        figures=[*waiting, *stuck, *client],
        data=data,
        look=[row for row in look if not row.brief and row.what != "Away"],
        away=away_rows(data),
        brief=[row for row in look if row.brief],
        retests=retest_rows(data),
        rows=rows,
        nobody_waits=NOBODY_WAITS,
        held="; ".join(sorted(on_hold(data.forecast.summary))),
        account=account(data.histories),
        waiting=waiting,
        stuck=stuck,
        client=client,
        picks=sorted(row.who for row in rows),
        caution=COACH_CAUTION,
        marks=[w for w in (4, 8, 12, 26) if w <= data.forecast.horizon_weeks],
    )


def look_rows(data: ReportData) -> list[LookRow]:
    """Return who needs a look, most urgent first: the plateau watch, then what else stands out.

    Pain comes first, then slipping, flat, longer but less clean, paused, too little record;
    after them whoever carries a warning, breaks form more than usual, or may have stopped.
    """
    watch = urgent_first(data.plateaus)[[*KEYS, "urgency"]].merge(data.plateaus, on=KEYS)
    watch = watch.drop(columns=["sessions", "rung_name"])
    rows = data.forecast.summary[[*KEYS, "rung_name", "sessions", "warnings", "mark"]].merge(
        watch.assign(place=range(len(watch))), on=KEYS, how="left"
    )
    breaking = data.going_back.set_index(KEYS)["text"].rename("breaking")
    gone = data.lapse.set_index(KEYS)["p_gone"].rename("gone")
    rows = rows.join(breaking, on=KEYS).join(gone, on=KEYS)
    rows["hurts"] = rows["mark"] != PAIN
    rows = rows.sort_values(["hurts", "place", "athlete"], na_position="last", kind="stable")
    found: list[LookRow] = []
    row: Any
    for row in rows.itertuples(index=False):
        why = _why(row, data.as_of)
        if why:
            urgent = row.mark == PAIN
            what = "Pain: stop and refer" if urgent else _what(row, data.as_of)
            found.append(LookRow(row.athlete, row.rung_name, what, why, urgent, what in TOO_LITTLE))
    return found


def away_rows(data: ReportData) -> list[tuple[str, str]]:
    """Return who is away from a rung, shortest first: the athlete, and in words how long.

    Nobody is to be looked at this week who does not come; a call may be worth it.
    """
    summary = data.forecast.summary
    away = summary.loc[summary["mark"] == AWAY, [*KEYS, "rung_name"]]
    weeks = data.plateaus.set_index(KEYS)["wait_weeks"]
    away = away.join(weeks, on=KEYS).join(data.lapse.set_index(KEYS)["p_gone"], on=KEYS)
    found = []
    for athlete, part in away.groupby("athlete"):
        least = float(part["wait_weeks"].min())
        call = "; longer than is usual here, worth a call" if part["p_gone"].max() > GONE else ""
        words = f"{least:.0f} weeks away from {', '.join(part['rung_name'])}{call}."
        found.append((least, str(athlete), words))
    return [(athlete, words) for _, athlete, words in sorted(found)]


def _what(row: Any, as_of: pd.Timestamp) -> str:
    """Return what the look is for, in a few words."""
    if row.mark == AWAY:
        return "Away"
    if row.mark in LOOK_FIRST:
        return f"{row.mark.capitalize()}{since(row, as_of)}"
    watched = not pd.isna(row.urgency)
    if watched and row.less_clean:
        return "Longer but less clean"
    if not pd.isna(row.breaking):
        return "Form breaks"
    if row.gone > GONE:
        return "Comes less than usual"
    if watched:
        return "Too early to tell"
    return "Not started" if row.sessions == 0 else "Thin record"


def _why(row: Any, as_of: pd.Timestamp) -> str:
    """Say in sentences why a rung needs a look; empty where it does not."""
    parts = [] if pd.isna(row.urgency) else [say_why(row, as_of)]
    # The watch has named the pain, the pause or the short record already.
    if not parts and row.warnings:
        parts.append(row.warnings[0].upper() + row.warnings[1:] + ".")
    if not pd.isna(row.breaking):
        parts.append(row.breaking)
    if not pd.isna(row.gone) and row.gone > GONE:
        parts.append("Longer since the last session than is usual here: worth a call.")
    return " ".join(parts)


def list_rows(data: ReportData) -> list[ListRow]:
    """Return the waiting list in words, soonest first, then those on hold."""
    summary = _soonest(data)
    reasons = data.forecast.reasons.groupby(["athlete", "rung"])["text"].agg(tuple)
    stops = data.lapse.set_index(KEYS)["text"].to_dict()
    as_of, horizon = data.as_of, data.forecast.horizon_weeks
    result = []
    for _, row in summary.iterrows():
        key = (row["athlete"], row["rung"])
        lapse = (stops[key],) if key in stops else ()
        measure = data.ladder.rung(row["rung"]).criterion.measure
        wide, held = row["weeks_high"] - row["weeks_low"], row["mark"] == PAIN
        result.append(
            ListRow(
                who=row["who"],
                athlete=row["athlete"],
                rung=row["rung_name"],
                stands=f"{say_usual(row['usual'], measure, unit=measure != 'reps')} of "
                f"{say_value(row['target'], measure)}",
                chances=tuple(
                    "\u2013" if held else percent(row[f"p_{week}"])
                    for week in (4, 8, 12, 26)
                    if week <= horizon
                ),
                weeks="on hold"
                if held
                else say_range(row["weeks_low"], row["weeks_high"], horizon),
                date=ON_HOLD
                if held
                else say_date(row["date_mid"], as_of, range_weeks=wide)
                if pd.notna(row["date_mid"])
                else f"later than {horizon} weeks",
                state=row["mark"],
                confidence=row["confidence"],
                reasons=tuple(text[0].upper() + text[1:] for text in (*reasons[key], *lapse)),
                warnings=row["warnings"],
                held=held,
            )
        )
    return result


def _soonest(data: ReportData) -> pd.DataFrame:
    """The open rungs as the waiting list has them: soonest first, those on hold last."""
    summary = data.forecast.summary
    by = ["held", "weeks_mid", "weeks_low", "athlete"]
    ordered = summary.assign(held=summary["mark"] == PAIN)
    return ordered.sort_values(by, na_position="last", kind="stable")


def retest_rows(data: ReportData) -> list[tuple[str, str]]:
    """Return athlete, and the cleared rungs of theirs that are due for a re-test, in words."""
    due = data.retests
    if due.empty:
        return []
    measures = {rung.key: rung.criterion.measure for rung in data.ladder.rungs}
    said = [
        f"{row.rung_name} (stands at about {say_value(row.level_value, measures[row.rung])} of "
        f"{say_value(row.target, measures[row.rung])})"
        for row in due.itertuples(index=False)
    ]
    words = due.assign(said=said).groupby("athlete", sort=True)["said"].agg("; ".join)
    return list(words.items())


def _waiting_figures(data: ReportData) -> list[Figure]:
    """Cut the waiting list into charts that fit a printed page each; none where nobody waits."""
    summary = _soonest(data)
    summary = summary[~summary["held"]]
    if summary.empty:
        return []
    figures = []
    for number, rows in enumerate(sheets(len(summary), WAITING_ROWS)):
        chart = waiting_list(
            summary.iloc[rows], as_of=data.as_of, horizon_weeks=data.forecast.horizon_weeks
        )
        title = "Weeks to clear, soonest first" + span(rows, len(summary))
        figures.append(figure(f"waiting-{number}", chart, title=title))
    return figures


def _stuck_figures(data: ReportData) -> list[Figure]:
    marks = data.forecast.summary[[*KEYS, "mark"]]
    stuck = data.plateaus.merge(marks[marks["mark"].isin(LOOK_FIRST)], on=KEYS)
    stuck = stuck[stuck["since"].notna()]
    stuck = stuck.sort_values(["since", "athlete"], kind="stable")
    return [
        figure(
            f"plateaus-{number}",
            plateau_timeline(stuck.iloc[rows], as_of=data.as_of),
            title="Flat or slipping, and since when" + span(rows, len(stuck)),
        )
        for number, rows in enumerate(sheets(len(stuck), WAITING_ROWS))
        if len(stuck)
    ]


def _client_figures(data: ReportData) -> list[Figure]:
    """Charts of one client at a time: of the sets where any was logged, of the chance ahead.

    Neither where there is nothing to draw: no rung open, or dates on hold.
    """
    tables = data.tables
    figures = []
    if len(tables.curve):
        chance = chance_by_week(tables.curve, tables.points, as_of=data.as_of)
        title = "Chance of having cleared it by then"
        figures.append(figure("chance", chance, title=title, own_list=False))
    if tables.sets.empty:
        return figures
    sets = progress(tables.sets, tables.level, tables.fan, tables.marks)
    return [
        figure(
            "progress",
            sets,
            title="Sets, level and pass mark",
            subtitle="Points: sets. Line: what a usual day brings, shaded by how well that is "
            "known; dotted, where it is heading. Bar on the pass mark: 8 in 10 clear it in here; "
            "diamond: half have by then.",
            own_list=False,
        ),
        *figures,
    ]
