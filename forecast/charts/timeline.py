"""Who is flat or slipping, and since when."""

from __future__ import annotations

import altair as alt
import pandas as pd

from forecast.charts.dates import say_date
from forecast.charts.look import (
    ALERT,
    APART,
    DAY,
    FAINT,
    INK,
    LINE,
    NARROW,
    SOFT,
    dress,
)

STATES = ("slipping", "flat", "paused", "unclear", "climbing")
SHADES = (ALERT, INK, SOFT, FAINT, LINE)


def plateau_timeline(plateaus: pd.DataFrame, *, as_of: pd.Timestamp) -> alt.LayerChart:
    """Draw, for every open rung with a since-date, the stretch in its present state.

    Parameters
    ----------
    plateaus
        ``athlete, rung_name, state, since, since_low, since_high, weeks_flat, reason``; rows
        without ``since`` are left out.
    as_of
        Cut date, the right edge.
    """
    rows = plateaus[plateaus["since"].notna()].sort_values(["since", "athlete"], kind="stable")
    wide = (rows["since_high"] - rows["since_low"]).dt.days / 7.0
    said = [
        say_date(day, as_of, range_weeks=weeks)
        for day, weeks in zip(rows["since"], wide, strict=True)
    ]
    base = alt.Chart(rows.assign(as_of=as_of, said=said)).transform_calculate(
        label="datum.athlete + ' \u00b7 ' + datum.rung_name",
        words=f"datum.state + (width < {NARROW} ? '' : ' since ' + datum.said)",
    )
    y = alt.Y("label:N", sort=list(rows["athlete"] + " \u00b7 " + rows["rung_name"]), axis=None)
    axis = alt.Axis(
        title=None,
        tickCount=6,
        labelExpr="[timeFormat(datum.value, '%-d %b'), timeFormat(datum.value, '%Y')]",
        **APART,
    )
    state = alt.Color(
        "state:N", scale=alt.Scale(domain=list(STATES), range=list(SHADES)), legend=None
    )
    tip = [
        "label:N",
        "state:N",
        alt.Tooltip("since:T", format=DAY),
        alt.Tooltip("since_low:T", title="at the earliest", format=DAY),
        alt.Tooltip("since_high:T", title="at the latest", format=DAY),
        "reason:N",
    ]
    chart = alt.layer(
        base.mark_rule(color=FAINT, yOffset=8).encode(y=y),
        base.mark_rule(strokeWidth=3, color=SOFT, yOffset=8).encode(
            y=y, x=alt.X("since_low:T", axis=axis), x2="since_high:T", tooltip=tip
        ),
        base.mark_bar(height=9, yOffset=8).encode(
            y=y, x=alt.X("since:T", axis=axis), x2="as_of:T", color=state, tooltip=tip
        ),
        base.mark_text(align="left", dy=-9, color=INK).encode(y=y, x=alt.value(2), text="label:N"),
        base.mark_text(align="right", dy=-9, dx=-2, color=SOFT).encode(
            y=y, x=alt.value("width"), text="words:N"
        ),
    )
    return dress(
        chart,
        title="Flat or slipping, and since when",
        subtitle="Bar: since about then. Thin line: when it may have begun.",
        description=f"{len(rows)} open rungs with their present state and since when.",
        height=40 * len(rows),
    )
