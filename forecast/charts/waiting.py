"""Ranges of weeks in a list: the whole club's open rungs, or one athlete's ladder ahead."""

from __future__ import annotations

import altair as alt
import pandas as pd

from forecast.charts.dates import say_date
from forecast.charts.look import (
    ALERT,
    FAINT,
    INK,
    LINE,
    NARROW,
    SOFT,
    dress,
    since,
    weeks_axis,
)
from forecast.readiness import ON_HOLD, PAIN

ROW = 40
"""Pixels a row is high."""
WEEKS = ["weeks_low", "weeks_mid", "weeks_high"]
DRAWN = ("athlete", "rung_name", *WEEKS, "state", "confidence", "warnings")


def waiting_list(
    summary: pd.DataFrame, *, as_of: pd.Timestamp, horizon_weeks: int
) -> alt.LayerChart:
    """Draw every open rung's range of weeks, soonest first.

    Parameters
    ----------
    summary
        ``ReadinessForecast.summary``; ``athlete, rung_name, weeks_low, weeks_mid, weeks_high,
        state, confidence`` are read.
    as_of
        Cut date, week 0.
    horizon_weeks
        Weeks looked ahead; a range past it ends in an arrow.
    """
    label = "datum.athlete + ' \u00b7 ' + datum.rung_name"
    chart = _rows(summary, label, as_of, horizon_weeks, sort=_soonest(summary))
    return dress(
        chart,
        title="Who clears next",
        subtitle=_key(horizon_weeks),
        description=f"Waiting list of {len(summary)} open rungs, soonest first, each with the "
        "middle and the 80 % range in weeks; the table beside it says the same in numbers.",
        height=ROW * len(summary),
    )


def ladder_ahead(
    summary: pd.DataFrame, *, as_of: pd.Timestamp, horizon_weeks: int
) -> alt.LayerChart:
    """Draw the range of weeks to every rung still ahead of one athlete, the top rung on top.

    Parameters
    ----------
    summary
        Rows of the ladder-ahead summary of one athlete, in the ladder's order; the same columns
        as for ``waiting_list``. With ``mark`` (``readiness.marked``), rungs beside pain get no
        range.
    as_of, horizon_weeks
        As for ``waiting_list``.
    """
    order = list(dict.fromkeys(summary["rung_name"]))[::-1]
    chart = _rows(summary, "datum.rung_name", as_of, horizon_weeks, sort=order)
    who = ", ".join(dict.fromkeys(summary["athlete"]))
    return dress(
        chart,
        title=f"The ladder ahead of {who}",
        subtitle=_key(horizon_weeks),
        description=f"Range of weeks to each of the {len(summary)} rungs still ahead of {who}, "
        "top rung first.",
        height=ROW * len(summary),
    )


def by_mark(
    table: pd.DataFrame, *, as_of: pd.Timestamp, horizon_weeks: int, unit: str = ""
) -> alt.LayerChart:
    """Draw one rung's range of weeks at each of several pass marks, the lowest mark on top.

    Parameters
    ----------
    table
        ``target, as_now, met_on`` and the columns of ``ladder_ahead``; see
        ``ahead.what_if_mark``.
    as_of, horizon_weeks
        As for ``waiting_list``.
    unit
        Behind each mark.
    """
    rows = table.sort_values(["target", "as_now"], ascending=[True, False], kind="stable")
    ends = rows["met_on"].notna().map({True: ", cleared already", False: ""})
    ends = ends.where(~rows["as_now"].astype(bool), " (as now)")
    labels = [f"{mark:g} {unit}".strip() for mark in rows["target"]] + ends
    day = rows["met_on"].fillna(rows["date_mid"])  # of a mark met already, when it was
    shown = rows.assign(rung_name=labels, date_mid=day).drop_duplicates("target")
    who = f"{shown['athlete'].iloc[0]}, {table['rung_name'].iloc[0]}"
    chart = _rows(shown, "datum.rung_name", as_of, horizon_weeks, sort=list(shown["rung_name"]))
    return dress(
        chart,
        title=f"Other pass marks: {who}",
        subtitle=_key(horizon_weeks),
        description=f"Range of weeks of {who} at {len(shown)} pass marks, the lowest on top.",
        height=ROW * len(shown),
    )


def _soonest(summary: pd.DataFrame) -> list[str]:
    by = ["weeks_mid", "weeks_low", "athlete", "rung_name"]
    ordered = summary.sort_values(by, na_position="last", kind="stable")
    return list(ordered["athlete"] + " \u00b7 " + ordered["rung_name"])


def _rows(
    summary: pd.DataFrame, label: str, as_of: pd.Timestamp, horizon: int, *, sort: list[str]
) -> alt.LayerChart:
    shown = summary[[name for name in DRAWN if name in summary]].assign(when=_when(summary, as_of))
    held = (summary["mark"] == PAIN) if "mark" in summary else pd.Series(False, summary.index)
    shown = shown.assign(held=held, when=shown["when"].mask(held, ON_HOLD))
    shown[WEEKS] = shown[WEEKS].mask(held)
    base = alt.Chart(shown).transform_calculate(
        label=label,
        shown_low=f"datum.held ? 0 : isValid(datum.weeks_low) ? datum.weeks_low : {horizon}",
        shown_high=f"datum.held ? 0 : isValid(datum.weeks_high) ? datum.weeks_high : {horizon}",
        beyond="datum.held || isValid(datum.weeks_high) ? '' : "
        f"isValid(datum.weeks_low) ? '\u25b6' : '> {horizon} weeks'",
        words=f"width < {NARROW} && !datum.held ? '' : datum.when",
    )
    rows = alt.Y("label:N", sort=sort, axis=None)
    step = 4 if horizon <= 60 else 26
    axis = weeks_axis(since(as_of), values=list(range(0, horizon + 1, step)), as_of=as_of)
    scale = alt.Scale(domain=[0, 1.04 * horizon], nice=False)
    low = alt.X("shown_low:Q", scale=scale, axis=axis)
    return alt.layer(
        base.mark_rule(color=FAINT, yOffset=8).encode(y=rows),
        base.mark_bar(height=9, color=LINE, opacity=0.75, yOffset=8).encode(
            y=rows, x=low, x2="shown_high:Q", tooltip=_tips(summary)
        ),
        base.mark_point(
            shape="diamond", size=90, fill="white", stroke=ALERT, opacity=1, strokeWidth=2,
            yOffset=8,
        ).encode(y=rows, x=alt.X("weeks_mid:Q", scale=scale), tooltip=_tips(summary)),
        base.mark_text(align="left", dy=-9, color=INK).encode(
            y=rows, x=alt.value(2), text="label:N"
        ),
        base.mark_text(align="right", dy=-9, dx=-2, color=SOFT).encode(
            y=rows, x=alt.value("width"), text="words:N"
        ),
        # A white edge under the words keeps the row's line from running through them.
        base.mark_text(align="right", dy=8, dx=-1, stroke="white", strokeWidth=6).encode(
            y=rows, x=alt.value("width"), text="beyond:N"
        ),
        base.mark_text(align="right", dy=8, dx=-1, color=INK).encode(
            y=rows, x=alt.value("width"), text="beyond:N"
        ),
    )  # fmt: skip


def _when(summary: pd.DataFrame, as_of: pd.Timestamp) -> list[str]:
    """The day by which half have cleared, as the words around the chart say it."""
    wide = summary["weeks_high"] - summary["weeks_low"]
    return [
        "" if pd.isna(day) else say_date(day, as_of, range_weeks=weeks)
        for day, weeks in zip(summary["date_mid"], wide, strict=True)
    ]


def _tips(summary: pd.DataFrame) -> list[alt.Tooltip]:
    tips = [
        alt.Tooltip("label:N", title="who"),
        alt.Tooltip("weeks_low:Q", title="1 in 10 within weeks", format=".0f"),
        alt.Tooltip("weeks_mid:Q", title="half within weeks", format=".0f"),
        alt.Tooltip("weeks_high:Q", title="9 in 10 within weeks", format=".0f"),
    ]
    for column in ("state", "confidence", "warnings"):
        if column in summary:
            tips.append(alt.Tooltip(f"{column}:N", title=column))
    return tips


def _key(horizon_weeks: int) -> str:
    """What the marks mean."""
    return (
        "Bar: 8 in 10 clear in here. Diamond: half have by then. Arrow: may take longer "
        f"than {horizon_weeks} weeks."
    )
