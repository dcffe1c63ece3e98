"""The common look: inks that survive a black-and-white printer, and the last touch of a chart."""

from __future__ import annotations

from typing import Any, TypeVar

import altair as alt
import pandas as pd

INK = "#1c1c1c"
SOFT = "#595959"
FAINT = "#c4c0b6"
BAND = "#c3d3da"
FAN = "#e4e0d4"
LINE = "#14506e"
ALERT = "#8a3b12"
"""Inks: all of the dark ones keep a contrast of 5 or more on white, colour seen or not."""

DAY = "%-d %b %Y"
"""How a date is written in tooltips and beside marks: 12 May 2026."""
APART = {"labelOverlap": "greedy", "labelSeparation": 6}
"""Labels that would touch are left out."""
NARROW = 520
"""Pixels below which a row has no room for words on its right."""
FONT = "Avenir Next, Segoe UI, Noto Sans, DejaVu Sans, Arial, sans-serif"

Layered = TypeVar("Layered", bound=alt.TopLevelMixin)

LOOK: dict[str, Any] = {
    "font": FONT,
    "locale": {
        "number": {
            "decimal": ".",
            "thousands": ",",
            "grouping": [3],
            "currency": ["", ""],
            "percent": "\u00a0%",
        }
    },  # percentages as in sentences
    "background": "white",
    "view": {"stroke": None},
    "axis": {
        "labelColor": SOFT,
        "titleColor": SOFT,
        "labelFontSize": 12,
        "titleFontSize": 12,
        "titleFontWeight": "normal",
        "gridColor": "#ecebe6",
        "domainColor": FAINT,
        "tickColor": FAINT,
    },
    "legend": {"labelColor": INK, "labelFontSize": 12, "labelLimit": 0, "title": None},
    "title": {
        "anchor": "start",
        "color": INK,
        "fontSize": 15,
        "fontWeight": 600,
        "subtitleColor": SOFT,
        "subtitleFontSize": 12,
        "offset": 10,
    },
    "text": {"fontSize": 12},
}


def dress(
    chart: Layered,
    *,
    title: str,
    subtitle: str,
    description: str,
    height: int,
    width: int | str = "container",
) -> Layered:
    """Return the chart with its title, alternative text, size and the common look.

    Parameters
    ----------
    chart
        A single or layered chart.
    title, subtitle
        What it shows, and how to read it.
    description
        Alternative text for whoever can't see it.
    height, width
        Pixels; ``container`` fills the cell or page it stands in.
    """
    words = alt.TitleParams(text=title, subtitle=subtitle)
    dressed = chart.properties(  # type: ignore[attr-defined]
        title=words,
        description=description,
        width=width,
        height=height,
        autosize=alt.AutoSizeParams(type="fit-x", contains="padding"),
    )
    return dressed.configure(**LOOK)  # type: ignore[no-any-return]


def weeks_axis(
    title: str, *, values: list[int] | None = None, as_of: pd.Timestamp | None = None
) -> alt.Axis:
    """Return an axis of weeks, with the date under each tick where ``as_of`` is given."""
    if as_of is None:
        return alt.Axis(title=title, values=values, tickCount=8)
    day = day_after(as_of, "datum.value")
    expr = f"[datum.value, timeFormat({day}, '%-d %b'), timeFormat({day}, '%Y')]"
    return alt.Axis(title=title, values=values, tickCount=8, labelExpr=expr, **APART)


def since(as_of: pd.Timestamp) -> str:
    """Return the title of an axis of weeks: from which day they are counted."""
    day = pd.Timestamp(as_of)
    return f"weeks from {day.day} {day:%b %Y}"


def day_after(as_of: pd.Timestamp, weeks: str) -> str:
    """Return a Vega expression for midnight so many weeks after a day, whatever the time zone.

    Counted in days of the calendar: in milliseconds it would be an hour off, and so a day, where
    the clocks change between the two.
    """
    day = pd.Timestamp(as_of)
    return f"datetime({day.year}, {day.month - 1}, {day.day} + 7 * {weeks})"


def one_or_pick(who: pd.Series, label: str) -> alt.Parameter | None:
    """Return a drop-down list of who is in the table, or nothing where it is one alone.

    Parameters
    ----------
    who
        The column by which rows belong together.
    label
        Word before the list.
    """
    names = list(dict.fromkeys(who))
    if len(names) < 2:
        return None
    return alt.param(
        name="pick", value=names[0], bind=alt.binding_select(options=names, name=f"{label} ")
    )


def picked(chart: Layered, pick: alt.Parameter | None, column: str = "who") -> Layered:
    """Return the chart showing only what was picked."""
    if pick is None:
        return chart
    return chart.transform_filter(f"datum['{column}'] == pick")  # type: ignore[attr-defined,no-any-return]
