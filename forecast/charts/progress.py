"""One athlete on one rung: sets, level with its band, what is to come, and the pass mark."""

from __future__ import annotations

from collections.abc import Callable

import altair as alt
import pandas as pd

from forecast.charts.look import (
    ALERT,
    APART,
    BAND,
    DAY,
    FAN,
    INK,
    LINE,
    SOFT,
    dress,
    one_or_pick,
    picked,
)

KINDS = ("clean", "clean, stopped on purpose", "not clean", "with help")
SHAPES = ("circle", "triangle-up", "cross", "square")
SETS = ["who", "date", "value", "kind", "note"]
LEVEL = ["who", "date", "low", "mid", "high"]
ROOM = 1.5
"""Times the pass mark that the axis reaches at least."""
FILLS = (INK, "white", ALERT, "white")


def progress(
    sets: pd.DataFrame, level: pd.DataFrame, fan: pd.DataFrame, marks: pd.DataFrame
) -> alt.LayerChart:
    """Draw every set, the level behind them, and where it is heading.

    Three things are told apart: points are sets as logged; the line with its band is the level
    (what a usual day would show) as known at each session; the bar on the pass mark is when it
    is cleared, which comes from draws of future sessions and not from the line.

    Parameters
    ----------
    sets
        ``who, date, value, kind, note``; ``kind`` is one of ``KINDS``.
    level
        ``who, date, low, mid, high``: level in the rung's unit, 80 % band.
    fan
        ``who, date, low, mid, high``: the same after the cut date, if training goes on.
    marks
        One row a ``who``: ``target, unit, as_of, cleared_on, date_low, date_mid, date_high,
        date_last, text_target, text_when``.

    Notes
    -----
    With more than one ``who`` a drop-down list picks one.
    """
    pick = one_or_pick(marks["who"], "Show")
    layers, tops = progress_layers(sets, level, fan, marks, pick)
    chart = alt.layer(*layers)
    if pick is not None:
        chart = chart.add_params(pick, tops)
    one = marks["who"].iloc[0] if len(marks) == 1 else "One athlete on one rung"
    return dress(
        chart,
        title=one,
        subtitle="Points: sets. Line: a usual day, with its 80 % band. Bar: when it is cleared.",
        description=_describe(marks),
        height=300,
    )


def progress_layers(
    sets: pd.DataFrame,
    level: pd.DataFrame,
    fan: pd.DataFrame,
    marks: pd.DataFrame,
    pick: alt.Parameter | None,
) -> tuple[list[alt.Chart], alt.Parameter]:
    """Return the layers, and the parameter ``tops`` that they need where there is a ``pick``."""
    sets, level, fan = sets[SETS], level[LEVEL], fan[LEVEL]
    units = set(marks["unit"])
    unit = f"value of a set, {units.pop()}" if len(units) == 1 else "value of a set"
    value, tops = _axis(unit, sets, level, marks, pick)
    layers = [
        *_level_layers(level, fan, pick, value),
        *_mark_layers(marks, pick, value),
        _sets_layer(sets, pick, value),
    ]
    return layers, tops


def _describe(marks: pd.DataFrame) -> str:
    if len(marks) == 1:
        row = marks.iloc[0]
        return f"Progress of {row['who']}: {row['text_target']}; {row['text_when']}."
    return f"Progress of {len(marks)} athletes and rungs, one shown at a time by the list."


Axis = Callable[[str], alt.Y]


def _axis(
    unit: str,
    sets: pd.DataFrame,
    level: pd.DataFrame,
    marks: pd.DataFrame,
    pick: alt.Parameter | None,
) -> tuple[Axis, alt.Parameter]:
    """Return the axis of values for a column, and its top by ``who``: room for every set.

    What may lie far above, the shade of what is to come, runs out of its top.
    """
    shown = pd.concat(
        [
            sets.groupby("who")["value"].max(),
            level.groupby("who")["high"].max(),
            ROOM * marks.groupby("who")["target"].max(),
        ]
    )
    highest = (1.05 * shown.groupby(level=0).max()).round(2)
    tops = alt.param(name="tops", value={str(who): top for who, top in highest.items()})
    top = float(highest.max()) if pick is None else alt.ExprRef("tops[pick]")
    scale = alt.Scale(domainMin=0, domainMax=top, nice=False)
    ticks = alt.Axis(tickMinStep=1)
    return lambda column: alt.Y(f"{column}:Q", title=unit, scale=scale, axis=ticks), tops


def _x(column: str = "date") -> alt.X:
    return alt.X(
        f"{column}:T",
        title=None,
        axis=alt.Axis(
            tickCount=6,
            labelExpr="[timeFormat(datum.value, '%-d %b'), timeFormat(datum.value, '%Y')]",
            **APART,
        ),
    )


def _level_layers(
    level: pd.DataFrame, fan: pd.DataFrame, pick: alt.Parameter | None, value: Axis
) -> list[alt.Chart]:
    tip = [
        alt.Tooltip("date:T", title="day", format=DAY),
        alt.Tooltip("mid:Q", title="usual day", format=".1f"),
        alt.Tooltip("low:Q", title="from", format=".1f"),
        alt.Tooltip("high:Q", title="to", format=".1f"),
    ]
    base, ahead = picked(alt.Chart(level), pick), picked(alt.Chart(fan), pick)
    shape = {"x": _x(), "tooltip": tip}
    return [
        ahead.mark_area(color=FAN, clip=True).encode(**shape, y=value("low"), y2="high:Q"),
        base.mark_area(color=BAND, opacity=0.9).encode(**shape, y=value("low"), y2="high:Q"),
        base.mark_line(color=LINE, strokeWidth=2).encode(**shape, y=value("mid")),
        ahead.mark_line(color=LINE, strokeWidth=1.5, strokeDash=[2, 3], clip=True).encode(
            **shape, y=value("mid")
        ),
    ]


def _mark_layers(marks: pd.DataFrame, pick: alt.Parameter | None, value: Axis) -> list[alt.Chart]:
    base = picked(alt.Chart(marks), pick)
    target = value("target")
    left = {"x": alt.value(4), "y": target, "text": "text_target:N"}
    when = {"x": alt.X("as_of:T"), "y": alt.value(10), "text": alt.Text("as_of:T", format=DAY)}
    layers = [
        base.mark_rule(color=INK, strokeDash=[6, 3]).encode(y=target),
        base.mark_text(align="left", dy=-8, color=INK, fontWeight=600).encode(**left),
        base.mark_rule(color=SOFT, strokeDash=[1, 3]).encode(x="as_of:T"),
        base.mark_text(align="right", dx=-4, color=SOFT).encode(**when),
    ]
    # A layer without a single date would stretch the axis to nowhere.
    if marks["date_low"].notna().any():
        layers.append(_range_layer(base, target))
    if marks["date_mid"].notna().any():
        layers.append(_half_layer(base, target))
    if marks["cleared_on"].notna().any():
        layers += _cleared_layers(base)
    return layers


def _range_layer(base: alt.Chart, target: alt.Y) -> alt.Chart:
    known = base.transform_filter("isValid(datum.date_low)")
    return known.mark_rule(color=ALERT, strokeWidth=5, opacity=0.8).encode(
        y=target, x=_x("date_low"), x2="date_last:T", tooltip=["text_when:N"]
    )


def _half_layer(base: alt.Chart, target: alt.Y) -> alt.Chart:
    known = base.transform_filter("isValid(datum.date_mid)")
    return known.mark_point(
        shape="diamond", size=130, stroke=ALERT, fill="white", opacity=1, strokeWidth=2
    ).encode(x=_x("date_mid"), y=target, tooltip=["text_when:N"])


def _cleared_layers(base: alt.Chart) -> list[alt.Chart]:
    known = base.transform_filter("isValid(datum.cleared_on)")
    return [
        known.mark_rule(color=INK, strokeWidth=2).encode(x="cleared_on:T"),
        known.mark_text(align="left", dx=4, color=INK).encode(
            x="cleared_on:T", y=alt.value(24), text=alt.value("cleared")
        ),
    ]


def _sets_layer(sets: pd.DataFrame, pick: alt.Parameter | None, value: Axis) -> alt.Chart:
    kinds = [kind for kind in KINDS if kind in set(sets["kind"])]
    place = [KINDS.index(kind) for kind in kinds]
    legend = alt.Legend(orient="bottom", direction="horizontal", columns=2, symbolSize=70)
    shape = alt.Scale(domain=kinds, range=[SHAPES[i] for i in place])
    fill = alt.Scale(domain=kinds, range=[FILLS[i] for i in place])
    return (
        picked(alt.Chart(sets), pick)
        .mark_point(size=42, stroke=INK, strokeWidth=1, opacity=0.8, filled=True)
        .encode(
            x=_x(),
            y=value("value"),
            shape=alt.Shape("kind:N", scale=shape, legend=legend),
            fill=alt.Fill("kind:N", scale=fill, legend=legend),
            tooltip=[
                alt.Tooltip("date:T", title="day", format=DAY),
                alt.Tooltip("value:Q", title="value"),
                alt.Tooltip("kind:N", title="set"),
                alt.Tooltip("note:N", title="note"),
            ],
        )
    )
