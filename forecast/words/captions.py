"""What stands beside charts: titles, how to read them, alternative texts, and words from rows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from forecast.row import FLAT, PAUSED, Row
from forecast.words import say
from forecast.words.rows import for_coach, given


@dataclass(frozen=True, slots=True)
class Caption:
    """Title of a chart, how to read it, what it says to whoever can't see it, and of its axis."""

    title: str
    subtitle: str
    description: str
    axis: str = ""


AXES: Mapping[str, str] = say.TEXTS["axes"]
"""Titles of axes, with their units."""
KINDS = ("clean", "clean, stopped on purpose", "not clean", "with help")
"""Kinds of sets in a legend."""
ENDS: Mapping[str, str] = say.TEXTS["ends"]
"""How a spell stands or ended, in the order in which they are stacked."""
MENU = {"SVG_ACTION": "Save what is seen as SVG", "PNG_ACTION": "Save what is seen as PNG"}
"""Entries of the menu at a chart's corner in a notebook."""


def caption(chart: str, **figures: object) -> Caption:
    """Return the words of a chart: its name, and the figures that they tell."""
    texts = say.TEXTS["captions"][chart]
    return Caption(**{name: text.format(**figures) for name, text in texts.items()})


def of_rows(chart: str, rows: Sequence[Row]) -> Caption:
    """Return the words of the chart of sets (``progress``) or chances of some rows."""
    if len(rows) == 1:
        alt = of_sets(rows[0]) if chart == "progress" else of_chance(rows[0])
        return caption(chart, title=rows[0].who, text=alt, given=say.sentence(given(rows[0])))
    return caption(f"many_{chart}", count=len(rows))


def of_score(score: str, count: int, level: float) -> Caption:
    """Return the words of a chart of one score of so many forecasters."""
    axis = say.TEXTS["scores"].get(score, score.replace("_", " "))
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
