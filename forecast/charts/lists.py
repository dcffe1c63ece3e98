"""One line each: who clears next, one athlete's ladder ahead, other pass marks."""

from __future__ import annotations

from collections.abc import Sequence

import altair as alt
import pandas as pd

from forecast.charts import look
from forecast.row import Row
from forecast.words import ON_HOLD, captions, for_coach, say

ROW = 40
"""Pixels a line is high."""
WEEKS = ["weeks_low", "weeks_mid", "weeks_high"]


def waiting_list(rows: Sequence[Row]) -> alt.LayerChart:
    """Draw the range of weeks of every row that has dates, soonest first; those away left out.

    Parameters
    ----------
    rows
        The rows, as ``view.rows`` gives them.
    """
    waits = [(row, row.wait, coach) for row in rows if row.wait and (coach := for_coach(row)).dated]
    lines = pd.DataFrame(
        [
            (row.who, wait.low, wait.mid, wait.high, coach.half_by, coach.state)
            for row, wait, coach in waits
        ],
        columns=["label", *WEEKS, "words", "state"],
    )
    lines = lines.sort_values(["weeks_mid", "weeks_low", "label"], kind="stable")
    horizon = waits[0][1].horizon if waits else 52
    as_of = waits[0][0].as_of if waits else pd.Timestamp(0)
    caption = captions.caption("waiting", count=len(lines), horizon=horizon)
    return _ranges(lines, as_of, horizon, caption)


def ladder_ahead(
    summary: pd.DataFrame, *, as_of: pd.Timestamp, horizon_weeks: int
) -> alt.LayerChart:
    """Draw the range of weeks to every rung still ahead of one athlete, the top rung on top.

    Parameters
    ----------
    summary
        Rows of ``LadderAhead.summary`` of one athlete, in the ladder's order; none of an athlete
        on hold has weeks.
    as_of, horizon_weeks
        Cut date, week 0, and weeks looked ahead: a range past them ends in an arrow.
    """
    lines = summary[["athlete", "rung_name", *WEEKS]].assign(
        label=summary["rung_name"], words=_half_by(summary, as_of, horizon_weeks)
    )
    who = ", ".join(dict.fromkeys(summary["athlete"]))
    caption = captions.caption("ahead", who=who, count=len(lines), horizon=horizon_weeks)
    return _ranges(lines.iloc[::-1], as_of, horizon_weeks, caption)


def by_mark(
    table: pd.DataFrame, *, as_of: pd.Timestamp, horizon_weeks: int, unit: str = ""
) -> alt.LayerChart:
    """Draw one rung's range of weeks at each of several pass marks, the lowest mark on top.

    Parameters
    ----------
    table
        That of ``ahead.what_if_mark``.
    as_of, horizon_weeks
        As for ``ladder_ahead``.
    unit
        Behind each mark.
    """
    rows = table.sort_values(["target", "as_now"], ascending=[True, False], kind="stable")
    rows = rows.drop_duplicates("target")
    day = rows["met_on"].fillna(rows["date_mid"])  # of a mark met already, when it was
    labels = [
        captions.mark_label(mark, unit, as_now=bool(now), met=pd.notna(met))
        for mark, now, met in zip(rows["target"], rows["as_now"], rows["met_on"], strict=True)
    ]
    half = _half_by(rows.assign(date_mid=day), as_of, horizon_weeks)
    who = f"{rows['athlete'].iloc[0]}, {rows['rung_name'].iloc[0]}"
    caption = captions.caption("marks", who=who, count=len(rows), horizon=horizon_weeks)
    return _ranges(rows[WEEKS].assign(label=labels, words=half), as_of, horizon_weeks, caption)


def _half_by(table: pd.DataFrame, as_of: pd.Timestamp, horizon: int) -> list[str]:
    """By when half have cleared, in words; on hold where nothing ahead is given."""
    held = table["p_never_in_horizon"].isna()
    return [
        ON_HOLD if hold else say.half(mid, low, high, horizon, as_of)
        for hold, mid, low, high in zip(
            held, table["date_mid"], table["weeks_low"], table["weeks_high"], strict=True
        )
    ]


def _ranges(
    lines: pd.DataFrame, as_of: pd.Timestamp, horizon: int, caption: captions.Caption
) -> alt.LayerChart:
    """Draw ``label``, the three ``WEEKS`` and ``words``, one line each, in their order."""
    shown = lines.assign(held=lines["words"] == ON_HOLD)
    base = alt.Chart(shown).transform_calculate(
        shown_low=f"datum.held ? 0 : isValid(datum.weeks_low) ? datum.weeks_low : {horizon}",
        shown_high=f"datum.held ? 0 : isValid(datum.weeks_high) ? datum.weeks_high : {horizon}",
        beyond="datum.held || isValid(datum.weeks_high) ? '' : '\u25b6'",
        right=f"width < {look.NARROW} && !datum.held ? '' : datum.words",
    )
    y = alt.Y("label:N", sort=list(shown["label"]), axis=None)
    scale = alt.Scale(domain=[0, 1.04 * horizon], nice=False)
    low = alt.X("shown_low:Q", scale=scale, axis=look.weeks_axis(horizon, as_of))
    tips = [
        alt.Tooltip("label:N", title="who"),
        alt.Tooltip("weeks_low:Q", title="1 in 10 within weeks", format=".0f"),
        alt.Tooltip("weeks_mid:Q", title="half within weeks", format=".0f"),
        alt.Tooltip("weeks_high:Q", title="9 in 10 within weeks", format=".0f"),
    ]
    if "state" in shown:
        tips.append(alt.Tooltip("state:N", title="state"))
    ends = "shown_high", "weeks_mid"
    arrow = {"y": y, "x": alt.value("width"), "text": "beyond:N"}
    chart = alt.layer(
        *look.rows_of_ranges(base, y, low, ends, ("label:N", "right:N"), tips),
        # A white edge keeps the line from running through the arrow.
        base.mark_text(align="right", dy=8, dx=-1, stroke="white", strokeWidth=6).encode(**arrow),
        base.mark_text(align="right", dy=8, dx=-1, color=look.INK).encode(**arrow),
    )
    return look.dress(chart, caption, height=ROW * len(shown))
