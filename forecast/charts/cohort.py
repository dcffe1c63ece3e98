"""The cohort: how long rungs take, who is quick, who stops; and whether forecasts hold."""

from __future__ import annotations

import altair as alt
import pandas as pd

from forecast.charts import look
from forecast.words import captions, say

ROOM = 1.04
"""Times the last week that an axis of weeks reaches."""


def time_to_clear(
    curves: pd.DataFrame, at_risk: pd.DataFrame, level: float = 0.9
) -> alt.LayerChart:
    """Draw the share that has cleared against weeks on the rung, with numbers still watched.

    Parameters
    ----------
    curves
        ``name`` (of the rung or group), ``week, p_cleared, p_low, p_high``: step curves with
        their bands, from week 0.
    at_risk
        ``name, week, n_at_risk``: spells still watched at a few weeks.
    level
        Of the bands, for the caption.

    Notes
    -----
    With several names, all are drawn faintly and a drop-down list picks the one to read.
    """
    pick = look.one_or_pick(curves["name"], "Rung")
    mine, risk = (look.picked(alt.Chart(t), pick, "name") for t in (curves, at_risk))
    # The last step would lie on the edge.
    x = look.on_rung(domain=[0, round(ROOM * float(curves["week"].max()), 1)], nice=False)
    tip = [
        alt.Tooltip("name:N", title="rung"),
        alt.Tooltip("week:Q", title="weeks", format=".0f"),
        alt.Tooltip("p_cleared:Q", title="cleared", format=".0%"),
    ]
    steps = {"interpolate": "step-after"}
    layers = [
        mine.mark_area(color=look.BAND, **steps).encode(x=x, y=_share("p_low"), y2="p_high:Q"),
        alt.Chart(curves)
        .mark_line(color=look.FAINT, strokeWidth=1, **steps)
        .encode(x=x, y=_share("p_cleared"), detail="name:N", tooltip=tip),
        mine.mark_line(color=look.LINE, strokeWidth=2.5, **steps).encode(
            x=x, y=_share("p_cleared"), tooltip=tip
        ),
        risk.mark_text(color=look.SOFT, baseline="bottom", align="left", dx=1).encode(
            x=x, y=alt.value("height"), text="n_at_risk:Q"
        ),
    ]
    names = ", ".join(dict.fromkeys(curves["name"]))
    caption = captions.caption("clearing", names=names, level=say.percent(level))
    return look.dress(look.with_pick(alt.layer(*layers), pick), caption, height=320)


def _share(column: str) -> alt.Y:
    """Leave room under 0 for the row of numbers, and over 1 for the line."""
    return alt.Y(
        f"{column}:Q",
        title="share cleared",
        scale=alt.Scale(domain=[-0.12, 1.02], nice=False),
        axis=look.shares_axis(),
    )


def predictive_check(table: pd.DataFrame) -> alt.LayerChart:
    """Draw the share of sessions that met the mark, as logged and as drawn from the forecast.

    Parameters
    ----------
    table
        ``week, sessions, observed, low, mid, high``, as ``cohort.predictive_check`` returns it.
    """
    base, x = alt.Chart(table), look.on_rung()
    y = {name: alt.Y(f"{name}:Q", title=captions.AXES["met"], axis=look.shares_axis())
         for name in ("low", "mid", "observed")}  # fmt: skip
    layers = [
        base.mark_area(color=look.BAND).encode(x=x, y=y["low"], y2="high:Q"),
        base.mark_line(color=look.LINE).encode(x=x, y=y["mid"]),
        base.mark_point(color=look.INK, filled=True, size=50).encode(
            x=x, y=y["observed"], tooltip=["week:Q", "sessions:Q", "observed:Q", "mid:Q"]
        ),
    ]
    caption = captions.caption("predictive", count=len(table))
    return look.dress(alt.layer(*layers), caption, height=280)


def waits_by_rung(waits: pd.DataFrame) -> alt.LayerChart:
    """Draw how long each rung holds people up: the middle half of the weeks it takes.

    Parameters
    ----------
    waits
        One row a rung in the ladder's order: ``rung_name, quarter, half, three_quarters`` (weeks
        by which that share had cleared; missing where not reached), ``spells, cleared``.
    """
    order = list(waits["rung_name"])[::-1]
    last = float(waits[["quarter", "half", "three_quarters"]].max().max())
    base = alt.Chart(waits).transform_calculate(
        until=f"isValid(datum.three_quarters) ? datum.three_quarters : {last}",
        words=f"datum.cleared + ' of ' + datum.spells + (width < {look.NARROW} ? '' : ' cleared')"
        " + (isValid(datum.three_quarters) ? '' : ' \u25b6')",
    )
    tip = ["rung_name:N", "quarter:Q", "half:Q", "three_quarters:Q", "spells:Q", "cleared:Q"]
    layers = look.rows_of_ranges(
        base,
        alt.Y("rung_name:N", sort=order, axis=None),
        look.on_rung("quarter", domainMin=0),
        ("until", "half"),
        ("rung_name:N", "words:N"),
        tip,
    )
    return look.dress(
        alt.layer(*layers), captions.caption("waits", count=len(waits)), height=40 * len(waits)
    )


def growth_fits(fits: pd.DataFrame, targets: pd.DataFrame) -> alt.LayerChart:
    """Draw the level of every athlete on a rung against weeks on it.

    Parameters
    ----------
    fits
        ``athlete, rung_name, weeks, mid``: level in the rung's unit after each session.
    targets
        ``rung_name, target``.

    Notes
    -----
    With several rungs a drop-down list picks one. Point at a line to see whose it is.
    """
    pick = look.one_or_pick(fits["rung_name"], "Rung")
    point = alt.selection_point(
        name="whose", fields=["athlete"], on="pointerover", nearest=True, empty=False
    )
    base, mark = (look.picked(alt.Chart(t), pick, "rung_name") for t in (fits, targets))
    x = look.on_rung("weeks")
    y = alt.Y("mid:Q", title=captions.AXES["level"], scale=alt.Scale(zero=True))
    lines = base.encode(x=x, y=y, detail="athlete:N")
    hit = base.mark_point(size=60, opacity=0).encode(
        x=x, y=y, tooltip=["athlete:N", alt.Tooltip("mid:Q", title="usual day", format=".1f")]
    )
    chart = alt.layer(
        lines.mark_line().encode(
            strokeWidth=alt.condition(point, alt.value(3), alt.value(1)),
            color=alt.condition(point, alt.value(look.LINE), alt.value(look.SOFT)),
            opacity=alt.condition(point, alt.value(1), alt.value(0.6)),
        ),
        hit.add_params(point),
        mark.mark_rule(color=look.INK, strokeDash=[6, 3]).encode(y="target:Q"),
        mark.mark_text(align="left", dy=-8, color=look.INK, fontWeight=600).encode(
            x=alt.value(4), y="target:Q", text=alt.value("pass mark")
        ),
    )
    return look.dress(
        look.with_pick(chart, pick),
        captions.caption("growth", count=fits["athlete"].nunique()),
        height=320,
    )


def pace_and_difficulty(
    effects: pd.DataFrame, kind: str, *, rows: slice = slice(None), level: float = 0.9
) -> alt.LayerChart:
    """Draw the gain a week of each rung, or of each athlete against the cohort.

    Parameters
    ----------
    effects
        ``PaceAndDifficulty.frame()`` with readable names: ``kind, name, gain, gain_low,
        gain_high``.
    kind
        ``rung`` or ``athlete``.
    rows
        Part of the list to draw, on the axis of the whole: a long list fills several pages.
    level
        Of the intervals, for the caption.
    """
    every = effects[effects["kind"] == kind]
    if kind == "athlete":
        every = every.sort_values(["gain", "name"], ascending=[False, True], kind="stable")
    ends = [min(every["gain_low"].min(), 0.0), max(every["gain_high"].max(), 0.0)]
    shown = every[["name", "gain", "gain_low", "gain_high"]].iloc[rows]
    name = "difficulty" if kind == "rung" else "pace"
    caption = captions.caption(name, count=len(shown), level=say.percent(level))
    base = alt.Chart(shown)
    y = alt.Y("name:N", sort=list(shown["name"]), axis=None)
    scale = alt.Scale(domain=ends)
    signed = "format(datum.value, datum.value == 0 ? '.0%' : '+.0%')"
    axis = alt.Axis(labelExpr=signed, tickCount=6)
    x = alt.X("gain_low:Q", title=caption.axis, axis=axis, scale=scale)
    tip = [
        "name:N",
        alt.Tooltip("gain:Q", format="+.1%"),
        alt.Tooltip("gain_low:Q", title="from", format="+.1%"),
        alt.Tooltip("gain_high:Q", title="to", format="+.1%"),
    ]
    middle = pd.DataFrame({"zero": [0.0]})
    chart = alt.layer(
        alt.Chart(middle).mark_rule(color=look.SOFT, strokeDash=[4, 3]).encode(x="zero:Q"),
        base.mark_rule(strokeWidth=3, color=look.SOFT, yOffset=6).encode(
            y=y, x=x, x2="gain_high:Q", tooltip=tip
        ),
        base.mark_point(
            size=70, fill="white", opacity=1, strokeWidth=2, stroke=look.LINE, yOffset=6
        ).encode(y=y, x="gain:Q", tooltip=tip),
        base.mark_text(align="left", dy=-7, color=look.INK).encode(
            y=y, x=alt.value(2), text="name:N"
        ),
    )
    return look.dress(chart, caption, height=30 * len(shown))


STACK = tuple(captions.ENDS.values())


def lapse(incidence: pd.DataFrame) -> alt.LayerChart:
    """Draw what becomes of a spell: cleared, still on it, or stopped logging for good.

    Parameters
    ----------
    incidence
        ``name`` (of the rung or group), ``week, what, share``: for each week, shares of
        ``STACK`` that add up to 1.

    Notes
    -----
    With several names a drop-down list picks one.
    """
    pick = look.one_or_pick(incidence["name"], "Rung")
    shades = alt.Scale(domain=list(STACK), range=[look.LINE, look.FAN, look.BAND, look.SOFT])
    base = look.picked(alt.Chart(incidence), pick, "name").transform_calculate(
        place=f"indexof({list(STACK)}, datum.what)"
    )
    legend = alt.Legend(orient="top", columns=alt.ExprRef(f"width < {look.NARROW} ? 1 : 2"))
    y = alt.Y("share:Q", stack="zero", title="share of spells", axis=alt.Axis(format=".0%"))
    chart = alt.layer(
        base.mark_area(interpolate="step-after", stroke="white").encode(
            x=look.on_rung(nice=False),
            y=y,
            color=alt.Color("what:N", scale=shades, legend=legend),
            order="place:O",
            tooltip=[
                alt.Tooltip("what:N"),
                alt.Tooltip("week:Q", format=".0f"),
                alt.Tooltip("share:Q", format=".0%"),
            ],
        ),
    )
    return look.dress(look.with_pick(chart, pick), captions.caption("lapse"), height=260)


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
