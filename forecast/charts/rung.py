"""One athlete on one rung: its sets and pass mark, the chance by week, both at once, in small."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import altair as alt
import numpy as np
import pandas as pd

from forecast.charts import look
from forecast.errors import ForecastError
from forecast.row import KEYS, Row
from forecast.words import captions, for_coach, pages

SHAPES = ("circle", "triangle-up", "cross", "square")
FILLS = (look.INK, "white", look.ALERT, "white")
ROOM = 1.5
"""Times the pass mark that the axis of values reaches at least."""
DATES = ["as_of", "date_low", "date_mid", "date_last"]
"""What of the marks has a place on the axis of days."""
LEAST_WEEKS, MOST_WEEKS = 4, 26
"""Weeks after the cut that a chart of sets goes on: to where 9 in 10 have cleared, within these."""
WIDTH, LETTERS, LINE_HEIGHT = 700, 105, 17
"""Of the words under the list: pixels of a line, letters that fit it, and its height."""


@dataclass(frozen=True, slots=True)
class OpenTables:
    """Tables of open rungs, by ``who``; see ``report.open_tables``.

    ``sets`` (``who, date, value, kind, note``), ``level`` at each session and ``fan`` after the cut
    (both ``who, date, low, mid, high``: 80 % band, in the rung's unit).
    """

    sets: pd.DataFrame
    level: pd.DataFrame
    fan: pd.DataFrame

    def only(self, who: Collection[str]) -> OpenTables:
        """Return the lines of some rows."""
        return OpenTables(*(t[t["who"].isin(who)] for t in (self.sets, self.level, self.fan)))

    def without_notes(self) -> OpenTables:
        """Return the same without what was written beside sets."""
        return replace(self, sets=self.sets.assign(note=""))


def progress(drawn: OpenTables, rows: Sequence[Row]) -> alt.LayerChart:
    """Draw every set, the level behind them, and where it is heading.

    Points are sets as logged; the line with its band is the level (what a usual day shows) as known
    at each session; the bar on the pass mark is when it is cleared, which comes from draws of
    sessions to come and not from the line.

    Parameters
    ----------
    drawn
        Tables as ``report.open_tables`` makes them.
    rows
        The rows to draw; with more than one a drop-down list picks.
    """
    marks = _marks(rows)
    pick = look.one_or_pick(marks["who"], "Show")
    layers, ends = _progress_layers(drawn, marks, pick)
    chart = look.with_pick(alt.layer(*layers), pick, ends if pick else None)
    return look.dress(chart, captions.of_rows("progress", rows), height=300)


def edge_weeks(row: Row) -> int:
    """Return up to which week after the cut a row's chart of sets goes on."""
    high = row.wait.high if row.wait else np.nan
    return MOST_WEEKS if np.isnan(high) else int(np.clip(np.ceil(high), LEAST_WEEKS, MOST_WEEKS))


def _marks(rows: Sequence[Row]) -> pd.DataFrame:
    """The pass mark, the cut and the dates that lie on the chart, one line a row."""
    lines = []
    for row in rows:
        edge = row.as_of + pd.Timedelta(weeks=edge_weeks(row))
        coach = for_coach(row)
        low, mid, high = row.wait.dates if row.wait and coach.dated else (pd.NaT,) * 3
        shown = low <= edge  # false where there is none
        last = edge if pd.isna(high) else min(high, edge)
        lines.append(
            (row.who, row.rung.criterion.target, row.rung.criterion.measure,
             row.as_of, low if shown else pd.NaT, mid if mid <= edge else pd.NaT,
             last if shown else pd.NaT, captions.pass_mark(row), coach.headline)
        )  # fmt: skip
    names = ["who", "target", "measure", *DATES, "mark", "when"]
    days = dict.fromkeys(DATES, "datetime64[ns]")
    return pd.DataFrame(lines, columns=names).astype(days)


@dataclass(frozen=True, slots=True)
class _Axes:
    """The axes of days and of values, which all layers share, and where they end."""

    days: alt.Scale
    values: alt.Scale
    title: str

    def day(self, column: str = "date") -> alt.X:
        return alt.X(f"{column}:T", title=None, axis=look.day_labels())

    def value(self, column: str) -> alt.Y:
        return alt.Y(f"{column}:Q", title=self.title, axis=alt.Axis(tickMinStep=1))


def _progress_layers(
    drawn: OpenTables, marks: pd.DataFrame, pick: alt.Parameter | None
) -> tuple[list[alt.Chart], alt.Parameter]:
    """Return the layers, and the parameter ``ends`` that they need where there is a ``pick``."""
    sets, level, fan = (
        table.loc[table["who"].isin(marks["who"]), columns]
        for table, columns in (
            (drawn.sets, ["who", "date", "value", "kind", "note"]),
            (drawn.level, ["who", "date", "low", "mid", "high"]),
            (drawn.fan, ["who", "date", "low", "mid", "high"]),
        )
    )
    axes, ends = _axes(sets, level, fan, marks, pick)
    layers = [*_level_layers(level, fan, pick, axes), *_mark_layers(marks, pick, axes)]
    return [*layers, _sets_layer(sets, pick, axes)], ends


def _axes(
    sets: pd.DataFrame,
    level: pd.DataFrame,
    fan: pd.DataFrame,
    marks: pd.DataFrame,
    pick: alt.Parameter | None,
) -> tuple[_Axes, alt.Parameter]:
    """Return the axes, and where they end by ``who``: ``first`` and ``last`` day, ``top``.

    They are not left to the rows drawn: a layer without rows would stretch them without end.
    What may lie far above, the band of what is to come, runs out of the top.
    """
    values = [
        sets.groupby("who")["value"].max(),
        level.groupby("who")["high"].max(),
        ROOM * marks.groupby("who")["target"].max(),
    ]
    rows = [table[["who", "date"]] for table in (sets, level, fan)]
    rows += [marks[["who", day]].rename(columns={day: "date"}) for day in DATES]
    by_who = pd.concat(rows).dropna().groupby("who")["date"]
    top = (1.05 * pd.concat(values).groupby(level=0).max()).round(2)
    first, last = (day.dt.strftime("%Y-%m-%dT%H:%M:%S") for day in (by_who.min(), by_who.max()))
    table = pd.DataFrame({"first": first, "last": last, "top": top})
    ends = {str(who): ends for who, ends in table.to_dict("index").items()}
    at = "ends[pick]" if pick is not None else f"({json.dumps(next(iter(ends.values())))})"
    days = [alt.ExprRef(f"toDate({at}.{end})") for end in ("first", "last")]
    measures = set(marks["measure"])
    axes = _Axes(
        days=alt.Scale(domain=days, nice=True),
        values=alt.Scale(domain=[0, alt.ExprRef(f"{at}.top")], nice=False),
        title=captions.AXES[measures.pop() if len(measures) == 1 else "mixed"],
    )
    return axes, alt.param(name="ends", value=ends)


def _level_layers(
    level: pd.DataFrame, fan: pd.DataFrame, pick: alt.Parameter | None, axes: _Axes
) -> list[alt.Chart]:
    tip = [
        alt.Tooltip("date:T", title="day", format=look.DAY),
        alt.Tooltip("mid:Q", title="usual day", format=".1f"),
        alt.Tooltip("low:Q", title="from", format=".1f"),
        alt.Tooltip("high:Q", title="to", format=".1f"),
    ]
    base, ahead = look.picked(alt.Chart(level), pick), look.picked(alt.Chart(fan), pick)
    shape = {"x": axes.day(), "tooltip": tip}
    band = {"y": axes.value("low"), "y2": "high:Q"}
    return [
        ahead.mark_area(color=look.FAN, clip=True).encode(**shape, **band),
        base.mark_area(color=look.BAND, opacity=0.9).encode(**shape, **band),
        base.mark_line(color=look.LINE, strokeWidth=2).encode(**shape, y=axes.value("mid")),
        ahead.mark_line(color=look.LINE, strokeWidth=1.5, strokeDash=[2, 3], clip=True).encode(
            **shape, y=axes.value("mid")
        ),
    ]


def _mark_layers(marks: pd.DataFrame, pick: alt.Parameter | None, axes: _Axes) -> list[alt.Chart]:
    base, target = look.picked(alt.Chart(marks), pick), axes.value("target")
    left = {"x": alt.value(4), "y": target, "text": "mark:N"}
    when = {
        "x": axes.day("as_of"),
        "y": alt.value(10),
        "text": alt.Text("as_of:T", format=look.DAY),
    }
    # One layer alone gives the ends of an axis: two that give them are a conflict.
    ends = {"x": axes.day("as_of").scale(axes.days), "y": axes.value("target").scale(axes.values)}
    layers = [
        base.mark_rule(color=look.INK, strokeDash=[6, 3]).encode(y=ends["y"]),
        base.mark_text(align="left", dy=-8, color=look.INK, fontWeight=600).encode(**left),
        base.mark_rule(color=look.SOFT, strokeDash=[1, 3]).encode(x=ends["x"]),
        base.mark_text(align="right", dx=-4, color=look.SOFT).encode(**when),
    ]
    if marks["date_low"].notna().any():
        layers.append(
            base.transform_filter("isValid(datum.date_low)")
            .mark_rule(color=look.ALERT, strokeWidth=5, opacity=0.8)
            .encode(y=target, x=axes.day("date_low"), x2="date_last:T", tooltip=["when:N"])
        )
    if marks["date_mid"].notna().any():
        layers.append(
            base.transform_filter("isValid(datum.date_mid)")
            .mark_point(
                shape="diamond", size=130, stroke=look.ALERT, fill="white", opacity=1, strokeWidth=2
            )
            .encode(x=axes.day("date_mid"), y=target, tooltip=["when:N"])
        )
    return layers


def _sets_layer(sets: pd.DataFrame, pick: alt.Parameter | None, axes: _Axes) -> alt.Chart:
    kinds = [kind for kind in captions.KINDS if kind in set(sets["kind"])]
    place = [captions.KINDS.index(kind) for kind in kinds]
    legend = alt.Legend(orient="bottom", direction="horizontal", columns=2, symbolSize=70)
    shape = alt.Scale(domain=kinds, range=[SHAPES[i] for i in place])
    fill = alt.Scale(domain=kinds, range=[FILLS[i] for i in place])
    return (
        look.picked(alt.Chart(sets), pick)
        .mark_point(size=42, stroke=look.INK, strokeWidth=1, opacity=0.8, filled=True)
        .encode(
            x=axes.day(),
            y=axes.value("value"),
            shape=alt.Shape("kind:N", scale=shape, legend=legend),
            fill=alt.Fill("kind:N", scale=fill, legend=legend),
            tooltip=[
                alt.Tooltip("date:T", title="day", format=look.DAY),
                alt.Tooltip("value:Q", title="value"),
                alt.Tooltip("kind:N", title="set"),
                alt.Tooltip("note:N", title="note"),
            ],
        )
    )


def chance_by_week(
    curve: pd.DataFrame, rows: Sequence[Row], *, slider: bool = False
) -> alt.LayerChart:
    """Draw the chance of having cleared within so many weeks, if training goes on as lately.

    Parameters
    ----------
    curve
        ``athlete, rung, week, p_cleared``, as ``view.curve`` gives it.
    rows
        The rows to draw, those on hold left out; with more than one a drop-down list picks.
    slider
        Add a slider that reads off the chance at a week of one's choice.

    Raises
    ------
    ForecastError
        Every row is on hold.
    """
    free = [row for row in rows if row.wait]
    if not free:
        raise ForecastError("Nothing ahead is drawn: every rung asked for is on hold for pain.")
    pick = look.one_or_pick(pd.Series([row.who for row in free]), "Show")
    chart = look.with_pick(alt.layer(*_chance_layers(curve, free, pick, slider=slider)), pick)
    return look.dress(chart, captions.of_rows("chance", free), height=260)


def _chance_layers(
    curve: pd.DataFrame, rows: Sequence[Row], pick: alt.Parameter | None, *, slider: bool
) -> list[alt.Chart]:
    """Return the layers, filtered by a ``pick`` that the chart they go into must have."""
    who = pd.DataFrame([(*row.key, row.who) for row in rows], columns=[*KEYS, "who"])
    whole = pd.concat([who.assign(week=0, p_cleared=0.0), curve.merge(who, on=KEYS)])
    whole = whole.sort_values(["who", "week"], kind="stable")[["who", "week", "p_cleared"]]
    last, as_of = int(whole["week"].max()), rows[0].as_of
    scale = alt.Scale(domain=[0, last], nice=False)
    x = alt.X("week:Q", scale=scale, axis=look.weeks_axis(last, as_of))
    base = look.picked(alt.Chart(whole), pick)
    line = base.mark_line(
        color=look.LINE, strokeWidth=2.5, point={"size": 12, "color": look.LINE}
    ).encode(
        x=x,
        y=_chance("p_cleared"),
        tooltip=[
            alt.Tooltip("week:Q", title="within weeks"),
            alt.Tooltip("p_cleared:Q", title="chance", format=".0%"),
        ],
    )
    layers = _point_layers(rows, pick, x, last, line)
    return [*layers, *(_slider_layers(base, x, last) if slider else [])]


def _chance(column: str) -> alt.Y:
    return alt.Y(
        f"{column}:Q",
        title=captions.AXES["chance"],
        scale=alt.Scale(domain=[0, 1]),
        axis=look.shares_axis(),
    )


def _point_layers(
    rows: Sequence[Row], pick: alt.Parameter | None, x: alt.X, last: int, line: alt.Chart
) -> list[alt.Chart]:
    """The range below the line, and the points that are named above it."""
    lines = [
        (
            row.who,
            share,
            week,
            text,
            row.wait.low,
            min(np.nan_to_num(row.wait.high, nan=last), last),
        )
        for row in rows
        for share, week, text in captions.points(row)
        if row.wait and week <= last
    ]
    if not lines:
        return [line]
    points = pd.DataFrame(lines, columns=["who", "share", "week", "text", "low", "high"])
    base, at = look.picked(alt.Chart(points), pick), {"x": x, "y": _chance("share")}
    # In two lines, each point's words fit beside it on half a page too.
    words = {"text": "lines:N", **at}
    named = base.transform_calculate(lines="split(replace(datum.text, ' by ', '|by '), '|')")
    early = named.transform_filter(f"datum.week < {0.55 * last}")
    late = named.transform_filter(f"datum.week >= {0.55 * last}")
    return [
        base.transform_filter("datum.share == 0.1").mark_rect(color=look.FAN).encode(
            x="low:Q", x2="high:Q"
        ),
        line,
        base.mark_point(
            shape="diamond", size=110, fill="white", stroke=look.ALERT, opacity=1, strokeWidth=2
        ).encode(**at, tooltip=["text:N"]),
        early.mark_text(align="left", dx=12, dy=6, color=look.INK).encode(**words),
        late.mark_text(align="right", dx=-12, dy=-14, color=look.INK).encode(**words),
    ]  # fmt: skip


def _slider_layers(base: alt.Chart, x: alt.X, last: int) -> list[alt.Chart]:
    weeks = alt.param(
        name="weeks",
        value=min(12, last),
        bind=alt.binding_range(min=1, max=last, step=1, name="Weeks ahead "),
    )
    base = base.transform_filter("datum.week == weeks")
    text = "'within ' + datum.week + ' weeks: ' + format(datum.p_cleared, '.0%')"
    rule = base.mark_rule(color=look.SOFT, strokeDash=[2, 2]).encode(x=x).add_params(weeks)
    return [
        rule,
        base.transform_calculate(words=text)
        .mark_text(align="right", fontWeight=600, color=look.INK)
        .encode(x=alt.value("width"), y=alt.value(150), text="words:N"),
    ]


def pick_a_rung(
    drawn: OpenTables, curve: pd.DataFrame, rows: Sequence[Row], *, in_words: bool = True
) -> alt.VConcatChart:
    """Draw one athlete on one rung at a time, look.picked in one list, with what there is to say.

    Parameters
    ----------
    drawn, curve
        As for ``progress`` and ``chance_by_week``.
    rows
        The rows to pick from, in the order of the list.
    in_words
        Whether to write a coach's words on the row below.
    """
    marks = _marks(rows)
    pick = look.one_or_pick(marks["who"], "Athlete and rung")
    layers, ends = _progress_layers(drawn, marks, pick)
    charts = [alt.layer(*layers).properties(width=WIDTH, height=280)]
    if free := [row for row in rows if row.wait]:
        chances = _chance_layers(curve, free, pick, slider=True)
        charts.append(alt.layer(*chances).properties(width=WIDTH, height=220))
    if in_words:
        charts.append(_written(rows, pick))
    charts[0] = look.with_pick(charts[0], pick, ends if pick else None)
    chart = alt.vconcat(*charts).resolve_scale(x="independent", y="independent")
    caption = captions.caption("pick", count=len(rows))
    return chart.properties(
        title=alt.TitleParams(text=caption.title, subtitle=caption.subtitle),
        description=caption.description,
    ).configure(**look.LOOK)


def _written(rows: Sequence[Row], pick: alt.Parameter | None) -> alt.Chart:
    """A row's words broken into lines: a chart wraps nothing itself."""
    lines = [
        (row.who, place, text)
        for row in rows
        for place, text in enumerate(
            line
            for paragraph in pages.paragraphs(row)
            for line in textwrap.wrap(paragraph, LETTERS)
        )
    ]
    table = pd.DataFrame(lines, columns=["who", "line", "text"])
    most = int(table["line"].max()) + 1
    scale = alt.Scale(domain=[0, most], range=[0, LINE_HEIGHT * most], nice=False)
    return (
        look.picked(alt.Chart(table), pick)
        .mark_text(align="left", baseline="top", color=look.INK)
        .encode(x=alt.value(0), y=alt.Y("line:Q", axis=None, scale=scale), text="text:N")
        .properties(width=WIDTH, height=LINE_HEIGHT * most)
    )
