"""Can the forecasts be trusted: scores, reliability and calibration of a backtest."""

from __future__ import annotations

import altair as alt
import pandas as pd

from forecast.charts import look
from forecast.words import captions


def scores(table: pd.DataFrame, score: str = "crps_weeks", *, level: float = 0.9) -> alt.LayerChart:
    """Draw one score of every forecaster with its range.

    Parameters
    ----------
    table
        ``BacktestResult.scores``: ``forecaster, score, value, low, high, n``.
    score
        The score to draw.
    level
        Of the intervals, for the caption.
    """
    rows = table[table["score"] == score].sort_values("value", kind="stable")
    base = alt.Chart(rows)
    y = alt.Y(
        "forecaster:N", sort=list(rows["forecaster"]), title=None, axis=alt.Axis(labelLimit=220)
    )
    caption = captions.of_score(score, len(rows), level)
    x = alt.X("low:Q", title=caption.axis, scale=alt.Scale(zero=False))
    tip = ["forecaster:N", *(alt.Tooltip(f"{c}:Q", format=".3g") for c in ("value", "low", "high"))]
    layers = [
        base.mark_rule(strokeWidth=3, color=look.SOFT).encode(y=y, x=x, x2="high:Q", tooltip=tip),
        base.mark_point(size=80, fill="white", stroke=look.LINE, opacity=1, strokeWidth=2).encode(
            y=y, x="value:Q", tooltip=tip
        ),
    ]
    if score.startswith("coverage_"):
        stated = pd.DataFrame({"stated": [int(score.removeprefix("coverage_")) / 100.0]})
        rule = alt.Chart(stated).mark_rule(color=look.ALERT, strokeDash=[6, 3])
        layers.append(rule.encode(x="stated:Q"))
    return look.dress(alt.layer(*layers), caption, height=28 * len(rows) + 20)


def reliability(calibration: pd.DataFrame, week: int = 12) -> alt.LayerChart:
    """Draw what was caption against what came: chance of clearing by a week, in ten bins.

    Parameters
    ----------
    calibration
        ``BacktestResult.calibration``: ``forecaster, check, expected, observed, n``.
    week
        4, 8, 12 or 26.
    """
    rows = calibration[calibration["check"] == f"reliability_{week}"]
    pick = look.one_or_pick(rows["forecaster"], "Forecaster")
    even = alt.Chart(pd.DataFrame({"expected": [0.0, 1.0], "observed": [0.0, 1.0]}))
    axis = look.shares_axis()
    x = alt.X("expected:Q", title="chance caption", scale=alt.Scale(domain=[0, 1]), axis=axis)
    y = alt.Y("observed:Q", title="share that cleared", scale=alt.Scale(domain=[0, 1]), axis=axis)
    base = look.picked(alt.Chart(rows), pick, "forecaster")
    size = alt.Size("n:Q", title="forecasts", legend=alt.Legend(orient="top", title="forecasts"))
    tip = [
        alt.Tooltip("expected:Q", title="caption", format=".0%"),
        alt.Tooltip("observed:Q", title="came", format=".0%"),
        alt.Tooltip("n:Q", title="forecasts"),
    ]
    chart = alt.layer(
        even.mark_line(color=look.FAINT, strokeDash=[4, 4]).encode(x=x, y=y),
        base.mark_line(color=look.LINE, strokeWidth=1.5).encode(x=x, y=y),
        base.mark_point(fill="white", stroke=look.LINE, opacity=1, strokeWidth=2).encode(
            x=x, y=y, size=size, tooltip=tip
        ),
    )
    return look.dress(
        look.with_pick(chart, pick), captions.caption("reliability", week=week), height=300
    )


def calibration(table: pd.DataFrame, check: str = "pit") -> alt.LayerChart:
    """Draw the histogram of PIT values or of D-calibration; an honest forecast makes it level.

    Parameters
    ----------
    table
        ``BacktestResult.calibration``: ``forecaster, check, low, high, expected, observed``.
    check
        ``pit`` or ``d_calibration``.
    """
    rows = table[table["check"] == check]
    pick = look.one_or_pick(rows["forecaster"], "Forecaster")
    caption = captions.caption(check)
    base = look.picked(alt.Chart(rows), pick, "forecaster")
    axis = alt.Axis(format=".1f", values=[0, 0.2, 0.4, 0.6, 0.8, 1])
    x = alt.X("low:Q", title=caption.axis, bin="binned", axis=axis)
    y = alt.Y("observed:Q", title="share of forecasts", axis=alt.Axis(format=".0%"))
    tip = [alt.Tooltip("observed:Q", title="share", format=".1%"), alt.Tooltip("low:Q")]
    chart = alt.layer(
        base.mark_bar(color=look.BAND, stroke=look.INK, strokeWidth=0.6).encode(
            x=x, x2="high:Q", y=y, tooltip=tip
        ),
        base.mark_rule(color=look.ALERT, strokeDash=[6, 3]).encode(y="expected:Q"),
    )
    return look.dress(look.with_pick(chart, pick), caption, height=220)
