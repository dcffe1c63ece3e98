"""Can the forecasts be trusted: scores, reliability and calibration of a backtest."""

from __future__ import annotations

import altair as alt
import pandas as pd

from forecast.charts.look import ALERT, BAND, FAINT, INK, LINE, SOFT, dress, one_or_pick, picked

SCORE_WORDS = {
    "crps_weeks": "CRPS in weeks; less is better",
    "brier_4": "Brier score at 4 weeks; less is better",
    "brier_8": "Brier score at 8 weeks; less is better",
    "brier_12": "Brier score at 12 weeks; less is better",
    "brier_26": "Brier score at 26 weeks; less is better",
    "log_score": "log score; less is better",
    "coverage_50": "share inside the 50 % range",
    "coverage_80": "share inside the 80 % range",
    "coverage_95": "share inside the 95 % range",
}


def scores(table: pd.DataFrame, score: str = "crps_weeks") -> alt.LayerChart:
    """Draw one score of every forecaster with its range.

    Parameters
    ----------
    table
        ``BacktestResult.scores``: ``forecaster, score, value, low, high, n``.
    score
        The score to draw.
    """
    rows = table[table["score"] == score].sort_values("value", kind="stable")
    base = alt.Chart(rows)
    y = alt.Y(
        "forecaster:N", sort=list(rows["forecaster"]), title=None, axis=alt.Axis(labelLimit=220)
    )
    words = SCORE_WORDS.get(score, score.replace("_", " "))
    x = alt.X("low:Q", title=words, scale=alt.Scale(zero=False))
    tip = ["forecaster:N", *(alt.Tooltip(f"{c}:Q", format=".3g") for c in ("value", "low", "high"))]
    layers = [
        base.mark_rule(strokeWidth=3, color=SOFT).encode(y=y, x=x, x2="high:Q", tooltip=tip),
        base.mark_point(size=80, fill="white", stroke=LINE, opacity=1, strokeWidth=2).encode(
            y=y, x="value:Q", tooltip=tip
        ),
    ]
    title, how = "How far off the forecasts were", f"{words[0].upper()}{words[1:]}."
    if score.startswith("coverage_"):
        said = pd.DataFrame({"said": [int(score.removeprefix("coverage_")) / 100.0]})
        layers.append(alt.Chart(said).mark_rule(color=ALERT, strokeDash=[6, 3]).encode(x="said:Q"))
        title, how = "How often the range held", how + " Dashed: what it should be."
    return dress(
        alt.layer(*layers),
        title=title,
        subtitle=f"{how} Grey: its range, athletes drawn anew.",
        description=f"{title}: {words}, for {len(rows)} forecasters, lowest first.",
        height=28 * len(rows) + 20,
    )


def reliability(calibration: pd.DataFrame, week: int = 12) -> alt.LayerChart:
    """Draw what was said against what came: chance of clearing by a week, in ten bins.

    Parameters
    ----------
    calibration
        ``BacktestResult.calibration``: ``forecaster, check, expected, observed, n``.
    week
        4, 8, 12 or 26.
    """
    rows = calibration[calibration["check"] == f"reliability_{week}"]
    pick = one_or_pick(rows["forecaster"], "Forecaster")
    even = alt.Chart(pd.DataFrame({"expected": [0.0, 1.0], "observed": [0.0, 1.0]}))
    axis = alt.Axis(format=".0%", values=[0, 0.25, 0.5, 0.75, 1])
    x = alt.X("expected:Q", title="chance said", scale=alt.Scale(domain=[0, 1]), axis=axis)
    y = alt.Y("observed:Q", title="share that cleared", scale=alt.Scale(domain=[0, 1]), axis=axis)
    base = picked(alt.Chart(rows), pick, "forecaster")
    size = alt.Size("n:Q", title="forecasts", legend=alt.Legend(orient="top", title="forecasts"))
    tip = [
        alt.Tooltip("expected:Q", title="said", format=".0%"),
        alt.Tooltip("observed:Q", title="came", format=".0%"),
        alt.Tooltip("n:Q", title="forecasts"),
    ]
    chart = alt.layer(
        even.mark_line(color=FAINT, strokeDash=[4, 4]).encode(x=x, y=y),
        base.mark_line(color=LINE, strokeWidth=1.5).encode(x=x, y=y),
        base.mark_point(fill="white", stroke=LINE, opacity=1, strokeWidth=2).encode(
            x=x, y=y, size=size, tooltip=tip
        ),
    )
    if pick is not None:
        chart = chart.add_params(pick)
    return dress(
        chart,
        title=f"Said and came: cleared within {week} weeks",
        subtitle="On the dashed line, a chance of 30 % comes true 3 times in 10.",
        description=f"Chance said against share that cleared within {week} weeks, in ten bins.",
        height=300,
    )


CHECK_WORDS = {
    "pit": ("Where outcomes fell in the forecast", "place of the outcome in its forecast (PIT)"),
    "d_calibration": ("D-calibration", "chance still on the rung when it ended"),
}


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
    pick = one_or_pick(rows["forecaster"], "Forecaster")
    title, label = CHECK_WORDS[check]
    base = picked(alt.Chart(rows), pick, "forecaster")
    axis = alt.Axis(format=".1f", values=[0, 0.2, 0.4, 0.6, 0.8, 1])
    x = alt.X("low:Q", title=label, bin="binned", axis=axis)
    y = alt.Y("observed:Q", title="share of forecasts", axis=alt.Axis(format=".0%"))
    tip = [alt.Tooltip("observed:Q", title="share", format=".1%"), alt.Tooltip("low:Q")]
    chart = alt.layer(
        base.mark_bar(color=BAND, stroke=INK, strokeWidth=0.6).encode(
            x=x, x2="high:Q", y=y, tooltip=tip
        ),
        base.mark_rule(color=ALERT, strokeDash=[6, 3]).encode(y="expected:Q"),
    )
    if pick is not None:
        chart = chart.add_params(pick)
    return dress(
        chart,
        title=title,
        subtitle="Level bars: honest ranges. A hump: too wide. Two horns: too narrow.",
        description=f"{title}: ten bins, one in ten expected in each.",
        height=220,
    )
