"""The common look: inks that survive a black-and-white printer, and the last touch of a chart."""

from __future__ import annotations

from typing import Any, TypeVar

import altair as alt
import pandas as pd

from forecast.inline import ALERT, FAINT, INK, LINE, SOFT
from forecast.inline import BAND as BAND
from forecast.inline import FAN as FAN
from forecast.words import captions

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
    chart: Layered, words: captions.Caption, *, height: int, width: int | str = "container"
) -> Layered:
    """Return the chart with its title, alternative text, size and the common look.

    ``height, width`` in pixels; ``container`` fills the cell or page it stands in.
    """
    dressed = chart.properties(  # type: ignore[attr-defined]
        title=alt.TitleParams(text=words.title, subtitle=words.subtitle),
        description=words.description,
        width=width,
        height=height,
        autosize=alt.AutoSizeParams(type="fit-x", contains="padding"),
    )
    return dressed.configure(**LOOK)  # type: ignore[no-any-return]


def weeks_axis(last: int, as_of: pd.Timestamp) -> alt.Axis:
    """Return an axis of weeks from a day, up to ``last``, with the date under each tick.

    Dates are counted in days of the calendar: in milliseconds they would be an hour off, and so a
    day, where the clocks change between the two.
    """
    day = f"datetime({as_of.year}, {as_of.month - 1}, {as_of.day} + 7 * datum.value)"
    return alt.Axis(
        title=f"weeks from {as_of.day} {as_of:%b %Y}",
        values=list(range(0, last + 1, 4 if last <= 60 else 26)),
        labelExpr=f"[datum.value, timeFormat({day}, '%-d %b'), timeFormat({day}, '%Y')]",
        **APART,
    )


def day_labels() -> alt.Axis:
    """Return an axis of days with the year below."""
    expr = "[timeFormat(datum.value, '%-d %b'), timeFormat(datum.value, '%Y')]"
    return alt.Axis(title=None, tickCount=6, labelExpr=expr, **APART)


def one_or_pick(who: pd.Series, label: str) -> alt.Parameter | None:
    """Return a drop-down list of who is in the table, or nothing where it is one alone."""
    names = list(dict.fromkeys(who))
    if len(names) < 2:
        return None
    return alt.param(
        name="pick", value=names[0], bind=alt.binding_select(options=names, name=f"{label} ")
    )


def with_pick(chart: Layered, *params: alt.Parameter | None) -> Layered:
    """Return the chart with the lists there are."""
    given = [param for param in params if param is not None]
    return chart.add_params(*given) if given else chart  # type: ignore[attr-defined,no-any-return]


def on_rung(column: str = "week", **scale: Any) -> alt.X:
    """Return the axis of weeks on a rung."""
    axis = alt.Axis(**APART)
    return alt.X(f"{column}:Q", title=captions.AXES["weeks"], scale=alt.Scale(**scale), axis=axis)


def shares_axis() -> alt.Axis:
    """Return an axis of shares in quarters."""
    return alt.Axis(format=".0%", values=[0, 0.25, 0.5, 0.75, 1])


def rows_of_ranges(
    base: alt.Chart,
    y: alt.Y,
    x: alt.X,
    ends: tuple[str, str],
    words: tuple[str, str],
    tip: list[Any],
) -> list[alt.Chart]:
    """Return layers of a list: a bar from ``x`` to an end, a diamond between, words above both.

    ``ends``: columns of the bar's end and of the diamond; ``words``: those of what stands on the
    left and on the right.
    """
    below, (left, right) = {"yOffset": 8}, words
    return [
        base.mark_rule(color=FAINT, **below).encode(y=y),
        base.mark_bar(height=9, color=LINE, opacity=0.75, **below).encode(
            y=y, x=x, x2=f"{ends[0]}:Q", tooltip=tip
        ),
        base.mark_point(
            shape="diamond", size=90, fill="white", stroke=ALERT, opacity=1, strokeWidth=2, **below
        ).encode(y=y, x=f"{ends[1]}:Q", tooltip=tip),
        base.mark_text(align="left", dy=-9, color=INK).encode(y=y, x=alt.value(2), text=left),
        base.mark_text(align="right", dy=-9, dx=-2, color=SOFT).encode(
            y=y, x=alt.value("width"), text=right
        ),
    ]


def picked(chart: Layered, pick: alt.Parameter | None, column: str = "who") -> Layered:
    """Return the chart showing only what was picked."""
    if pick is None:
        return chart
    return chart.transform_filter(f"datum['{column}'] == pick")  # type: ignore[attr-defined,no-any-return]
