"""Chance of having cleared a rung, week by week."""

from __future__ import annotations

import altair as alt
import pandas as pd

from forecast.charts.look import (
    ALERT,
    FAN,
    INK,
    LINE,
    SOFT,
    dress,
    one_or_pick,
    picked,
    since,
    weeks_axis,
)


def chance_by_week(
    curve: pd.DataFrame,
    marks: pd.DataFrame,
    *,
    as_of: pd.Timestamp,
    slider: bool = False,
) -> alt.LayerChart:
    """Draw the chance of having cleared within so many weeks, if training goes on as lately.

    Parameters
    ----------
    curve
        ``who, week, p_cleared``, from week 0.
    marks
        ``who, share, week, text, low, high``: the points (0.1, 0.5, 0.9) the curve reaches
        within the horizon with words beside each, and the 80 % range from ``low`` to ``high``.
    as_of
        Cut date, week 0.
    slider
        Add a slider that reads off the chance at a week of one's choice.

    Notes
    -----
    With more than one ``who`` a drop-down list picks one.
    """
    pick = one_or_pick(marks["who"], "Show")
    chart = alt.layer(*chance_layers(curve, marks, pick, as_of=as_of, slider=slider))
    if pick is not None:
        chart = chart.add_params(pick)
    one = marks["who"].iloc[0] if pick is None else "Chance of clearing"
    return dress(
        chart,
        title=one,
        subtitle="If training goes on as lately. Shaded: 8 in 10 clear it in here.",
        description=f"Chance of clearing by week for {one}: "
        + ("; ".join(marks["text"]) if pick is None else "one shown at a time by the list")
        + ".",
        height=260,
    )


def chance_layers(
    curve: pd.DataFrame,
    marks: pd.DataFrame,
    pick: alt.Parameter | None,
    *,
    as_of: pd.Timestamp,
    slider: bool,
) -> list[alt.Chart]:
    """Return the layers, filtered by a ``pick`` that the chart they go into must have."""
    curve = curve[["who", "week", "p_cleared"]]
    last = int(curve["week"].max())
    layers = [*_range_layers(marks, pick), _line(curve, pick, as_of, last)]
    layers += _point_layers(marks, pick, last)
    return layers + (_slider_layers(curve, pick, last) if slider else [])


def _chance(column: str) -> alt.Y:
    return alt.Y(
        f"{column}:Q",
        title="chance",
        scale=alt.Scale(domain=[0, 1]),
        axis=alt.Axis(format=".0%", values=[0, 0.25, 0.5, 0.75, 1]),
    )


def _weeks(last: int, axis: alt.Axis | None = None) -> alt.X:
    scale = alt.Scale(domain=[0, last], nice=False)
    return alt.X("week:Q", scale=scale, axis=axis) if axis else alt.X("week:Q", scale=scale)


def _line(
    curve: pd.DataFrame, pick: alt.Parameter | None, as_of: pd.Timestamp, last: int
) -> alt.Chart:
    step = 4 if last <= 60 else 26
    axis = weeks_axis(since(as_of), values=list(range(0, last + 1, step)), as_of=as_of)
    return (
        picked(alt.Chart(curve), pick)
        .mark_line(color=LINE, strokeWidth=2.5, point={"size": 12, "color": LINE})
        .encode(
            x=_weeks(last, axis),
            y=_chance("p_cleared"),
            tooltip=[
                alt.Tooltip("week:Q", title="within weeks"),
                alt.Tooltip("p_cleared:Q", title="chance", format=".0%"),
            ],
        )
    )


def _range_layers(marks: pd.DataFrame, pick: alt.Parameter | None) -> list[alt.Chart]:
    base = picked(alt.Chart(marks), pick).transform_filter("datum.share == 0.5")
    area = base.mark_rect(color=FAN).encode(x="low:Q", x2="high:Q")
    return [area]


def _point_layers(marks: pd.DataFrame, pick: alt.Parameter | None, last: int) -> list[alt.Chart]:
    base = picked(alt.Chart(marks), pick).transform_filter("isValid(datum.week)")
    at = {"x": _weeks(last), "y": _chance("share")}
    early = base.transform_filter(f"datum.week < {0.55 * last}")
    late = base.transform_filter(f"datum.week >= {0.55 * last}")
    text = alt.Text("text:N")
    return [
        base.mark_point(
            shape="diamond", size=110, fill="white", stroke=ALERT, opacity=1, strokeWidth=2
        ).encode(**at, tooltip=["text:N"]),
        early.mark_text(align="left", dx=12, dy=6, color=INK).encode(**at, text=text),
        late.mark_text(align="right", dx=-12, dy=-8, color=INK).encode(**at, text=text),
    ]


def _slider_layers(curve: pd.DataFrame, pick: alt.Parameter | None, last: int) -> list[alt.Chart]:
    weeks = alt.param(
        name="weeks",
        value=min(12, last),
        bind=alt.binding_range(min=1, max=last, step=1, name="Weeks ahead "),
    )
    base = picked(alt.Chart(curve), pick).transform_filter("datum.week == weeks")
    words = "'within ' + datum.week + ' weeks: ' + format(datum.p_cleared, '.0%')"
    rule = base.mark_rule(color=SOFT, strokeDash=[2, 2]).encode(x=_weeks(last)).add_params(weeks)
    text = (
        base.transform_calculate(words=words)
        .mark_text(align="right", fontWeight=600, color=INK)
        .encode(x=alt.value("width"), y=alt.value(150), text="words:N")
    )
    return [rule, text]
