"""What stands beside charts: titles, how to read them, alternative texts, and words from rows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from forecast.row import FLAT, MARKS, PAUSED, Row
from forecast.words import say
from forecast.words.rows import for_coach


@dataclass(frozen=True, slots=True)
class Caption:
    """Title of a chart, how to read it, what it says to whoever can't see it, and of its axis."""

    title: str
    subtitle: str
    description: str
    axis: str = ""


_CAPTIONS = {
    "progress": (
        "{title}",
        "Points: sets. Line: what a usual day shows, shaded by how well that is known (8 in 10); "
        "dotted: the same from here on if training has no break. Bar on the pass mark: 8 in 10 "
        "clear it in here; diamond: half have by then.",
        "{text}",
    ),
    "chance": (
        "{title}",
        "If training goes on as lately. Shaded: 8 in 10 clear it in here.",
        "{text}",
    ),
    "pick": (
        "Any athlete, any rung",
        "Points: sets. Line: a usual day; dotted, from here on. Bar: 8 in 10 clear it in here. "
        "Below: the chance by week.",
        "Sets and chances of {count} athletes and rungs, one shown at a time by the list.",
    ),
    "waiting": (
        "Who clears next",
        "Bar: 8 in 10 clear in here. Diamond: half have by then. Arrow: may take longer than "
        "{horizon} weeks.",
        "Ranges of weeks of {count} open rungs, soonest first, each with its middle.",
    ),
    "ahead": (
        "The ladder ahead of {who}",
        "Top rung first. Bar: 8 in 10 get there in here. Diamond: half have by then. Arrow: may "
        "take longer than {horizon} weeks.",
        "Range of weeks to each of the {count} rungs still ahead of {who}, top rung first.",
    ),
    "marks": (
        "Other pass marks: {who}",
        "Bar: 8 in 10 clear in here. Diamond: half have by then. Arrow: may take longer than "
        "{horizon} weeks.",
        "Range of weeks of {who} at {count} pass marks, the lowest on top.",
    ),
    "predictive": (
        "Sessions that met the mark, logged and drawn",
        "Points: share of the sessions logged. Line and band: the same of records drawn from the "
        "growth engine, each session from what was known before it (8 in 10 lie in the band).",
        "Share of sessions that met the mark in {count} stretches of weeks on the rung, logged and "
        "drawn.",
    ),
    "clearing": (
        "Weeks to clear a rung",
        "Share cleared, with its {level} band, of those who keep logging. Bottom row: spells still "
        "watched.",
        "Share of spells cleared by weeks on the rung, for {names}.",
    ),
    "waits": (
        "Which rung holds people up",
        "Bar: weeks by which a quarter to three quarters had cleared. Diamond: half. Arrow: three "
        "quarters not reached.",
        "Weeks to clear for {count} rungs, top rung first.",
    ),
    "growth": (
        "Growth of many athletes on a rung",
        "One line an athlete: what a usual day would show. Point at one to see whose.",
        "Level against weeks on the rung for {count} athletes.",
    ),
    "difficulty": (
        "Difficulty of rungs",
        "Line: {level} interval. Pulled to the cohort on purpose where there is little to go by.",
        "Gain a week on each of {count} rungs, with {level} intervals.",
        "gain a week of an average athlete; low is hard",
    ),
    "pace": (
        "Pace of athletes",
        "Line: {level} interval. Pulled to the cohort on purpose where there is little to go by.",
        "Gain a week of {count} athletes beside an average one, with {level} intervals.",
        "gain a week beside an average athlete",
    ),
    "lapse": (
        "What becomes of a spell",
        "Cleared, still on the rung, or stopped logging, by weeks on the rung.",
        "Shares of spells cleared, still under way, and lapsed, by weeks.",
    ),
    "reliability": (
        "Said and came: cleared within {week} weeks",
        "On the dashed line, a chance of 30 % comes true 3 times in 10.",
        "Chance said against share that cleared within {week} weeks, in ten bins.",
    ),
    "pit": (
        "Where outcomes fell in the forecast",
        "Level bars: honest ranges. A hump: too wide. Two horns: too narrow.",
        "Where outcomes fell in the forecast: ten bins, one in ten expected in each.",
        "place of the outcome in its forecast (PIT)",
    ),
    "d_calibration": (
        "D-calibration",
        "Level bars: honest ranges. A hump: too wide. Two horns: too narrow.",
        "D-calibration: ten bins, one in ten expected in each.",
        "chance still on the rung when it ended",
    ),
}
_MANY = {
    "progress": ("One athlete on one rung", "Sets of {count} athletes and rungs."),
    "chance": ("Chance of clearing", "Chances of {count} athletes and rungs by week."),
}
AXES = {
    "seconds": "seconds in a set",
    "reps": "repetitions in a set",
    "kg": "kilograms in a set",
    "cm": "centimetres in a set",
    "mixed": "a set, in the rung's unit",
    "level": "usual day, in the rung's unit",
    "weeks": "weeks on the rung",
    "chance": "chance of having cleared",
    "met": "share that met the mark",
}
"""Titles of axes, with their units."""
KINDS = ("clean", "clean, stopped on purpose", "not clean", "with help")
"""Kinds of sets in a legend."""
ENDS = {
    "cleared": "cleared",
    "open": "still on it",
    "passed_over": "moved on without clearing",
    "lapsed": "stopped logging",
}
"""How a spell stands or ended, in the order in which they are stacked."""
MENU = {"SVG_ACTION": "Save what is seen as SVG", "PNG_ACTION": "Save what is seen as PNG"}
"""Entries of the menu at a chart's corner in a notebook."""
DRAWING = "Charts are drawn by this page itself; nothing is loaded from anywhere."
NOT_DRAWING = "Run the cell with in_notebook() first; it draws the charts."
_SCORES = {
    "crps_weeks": "CRPS in weeks; less is better",
    "log_score": "log score; less is better",
    **{f"brier_{week}": f"Brier score at {week} weeks; less is better" for week in MARKS},
    **{f"coverage_{level}": f"share inside the {level} % range" for level in (50, 80, 95)},
}


def caption(chart: str, **figures: object) -> Caption:
    """Return the words of a chart: its name, and the figures that they tell."""
    return Caption(*(text.format(**figures) for text in _CAPTIONS[chart]))


def of_rows(chart: str, rows: Sequence[Row]) -> Caption:
    """Return the words of the chart of sets (``progress``) or chances of some rows."""
    if len(rows) == 1:
        alt = of_sets(rows[0]) if chart == "progress" else of_chance(rows[0])
        return caption(chart, title=rows[0].who, text=alt)
    title, alt = _MANY[chart]
    return caption(chart, title=title, text=alt.format(count=len(rows)))


def of_score(score: str, count: int, level: float) -> Caption:
    """Return the words of a chart of one score of so many forecasters."""
    axis = _SCORES.get(score, score.replace("_", " "))
    how = say.sentence(axis)
    title = "How far off the forecasts were"
    if score.startswith("coverage_"):
        title, how = "How often the range held", f"{how} Dashed: what it should be."
    return Caption(
        title,
        f"{how} Grey: {say.percent(level)} interval, athletes resampled.",
        f"{title}: {axis}, for {count} forecasters, lowest first.",
        axis,
    )


def mark_label(mark: float, unit: str, *, as_now: bool, met: bool) -> str:
    """Return a pass mark in a list of marks: which is the present one, which is met already."""
    end = " (as now)" if as_now else ", cleared already" if met else ""
    return f"{mark:g} {unit}".strip() + end


def pass_mark(row: Row) -> str:
    """Return ``pass mark 10 s in 2 sessions in a row``."""
    criterion = row.rung.criterion
    mark = f"pass mark {say.value(criterion.target, criterion.measure)}"
    return mark + in_sessions(criterion.confirm_sessions)


def in_sessions(confirm: int) -> str:
    """Return the end of a sentence on a pass mark: empty, or in how many sessions in a row."""
    return "" if confirm == 1 else f" in {confirm} sessions in a row"


def of_sets(row: Row) -> str:
    """Return what the picture of a row's sets says to whoever can't see it."""
    coach = for_coach(row)
    return f"Sets of {row.who}: {pass_mark(row)}. {coach.usual_day} {coach.headline}"


def of_chance(row: Row) -> str:
    """Return what the curve of a row's chances says to whoever can't see it."""
    marked = "; ".join(text for _, _, text in points(row)) or for_coach(row).headline.rstrip(".")
    return f"Chance of clearing by week, {row.who}: {marked}."


def under_sets(row: Row) -> str:
    """Return the sentence under a picture of sets: by when half clear it, and what the line is."""
    wait, coach = row.wait, for_coach(row)
    if wait is None or not coach.dated or not row.seen.sessions:
        return ""
    when = (
        f"Fewer than half clear it within {wait.horizon} weeks"
        if np.isnan(wait.mid)
        else f"Half clear it by {coach.half_by}".replace("by about", "about")
    )
    if row.state == PAUSED:
        return f"{when}; no line is drawn ahead while nobody trains it."
    line = (
        f"the dotted line stays level ({coach.state})"
        if row.state == FLAT
        else "the dotted line is a usual day"
    )
    confirm = row.rung.criterion.confirm_sessions
    takes = "one good day" if confirm == 1 else f"{confirm} good days in a row"
    return f"{when}; {line}, and clearing takes {takes}."


def points(row: Row) -> tuple[tuple[float, float, str], ...]:
    """Return the points marked on a row's curve: chance, week (missing past the horizon), words."""
    wait = row.wait
    if wait is None or not for_coach(row).dated:
        return ()
    marks = ((0.1, "1 in 10", wait.low), (0.5, "half", wait.mid), (0.9, "9 in 10", wait.high))
    by = [say.half(day, wait.low, wait.high, wait.horizon, row.as_of) for day in wait.dates]
    return tuple(
        (
            share,
            week,
            f"{text} not within {wait.horizon} weeks"
            if np.isnan(week)
            else f"{text} by {date}".replace("by about", "about"),
        )
        for (share, text, week), date in zip(marks, by, strict=True)
    )
