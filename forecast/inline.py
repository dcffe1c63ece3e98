"""What a notebook shows without any drawing code: tables for people, a small drawing in each line.

The drawings are plain SVG, so that the first of them waits for no library of charts to load.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from html import escape

import numpy as np
import pandas as pd

from forecast.log import counted
from forecast.row import Row, most_urgent_first
from forecast.words import HEADINGS, for_coach, pages

INK = "#1c1c1c"
SOFT = "#595959"
FAINT = "#c4c0b6"
BAND = "#c3d3da"
FAN = "#e4e0d4"
LINE = "#14506e"
ALERT = "#8a3b12"
"""Inks: all of the dark ones keep a contrast of 5 or more on white, colour seen or not."""
WIDE, HIGH = 160, 14
"""Pixels of a small drawing."""
FIRST_ROWS = 10
"""Rows of a result's table that a notebook shows."""


def table(headings: Iterable[str], lines: Iterable[Iterable[str]]) -> str:
    """Return a table, of headings as text and cells as HTML."""
    head = "".join(f"<th style='text-align:left'>{escape(one)}</th>" for one in headings)
    body = "".join(
        "<tr>" + "".join(f"<td style='text-align:left'>{cell}</td>" for cell in line) + "</tr>"
        for line in lines
    )
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def rows_html(rows: Sequence[Row]) -> str:
    """Return rows, most urgent first, each with its range of weeks drawn; away in one line."""
    lines = []
    for row in most_urgent_first(rows):
        if not row.is_away:
            coach = for_coach(row)
            texts = (coach.half_by, coach.state, coach.next_step)
            weeks = f"{small_range(row)}<br>{escape(coach.weeks)}"
            start = map(escape, (row.athlete, row.rung.name, coach.stands))
            lines.append((*start, weeks, *map(escape, texts)))
    away = pages.away_line(rows)
    note = f"<p>{escape(away)}, not listed.</p>" if away else ""
    return table(HEADINGS.values(), lines) + note


def small_range(row: Row) -> str:
    """Return the weeks of a row on a line from the cut to the horizon: 8 in 10, and half of them.

    An arrow stands at the end of a range that goes past the horizon; nothing but the line is drawn
    where there is no date.
    """
    middle = HIGH / 2
    shapes = [f'<path d="M0 {middle}H{WIDE}" stroke="{FAINT}"/>']
    if row.wait and for_coach(row).weeks != "-" and not np.isnan(row.wait.low):
        per_week = (WIDE - 8) / row.wait.horizon
        low, high = row.wait.low * per_week, np.fmin(row.wait.high, row.wait.horizon) * per_week
        shapes.append(
            f'<rect x="{low:.1f}" y="{middle - 3}" width="{max(high - low, 2):.1f}" height="6" '
            f'fill="{LINE}" opacity=".75"/>'
        )
        if np.isnan(row.wait.high):
            shapes.append(f'<path d="M{WIDE - 8} {middle - 5}l8 5l-8 5z" fill="{INK}"/>')
        if not np.isnan(row.wait.mid):
            shapes.append(
                f'<path d="M{row.wait.mid * per_week:.1f} {middle - 5}l5 5l-5 5l-5 -5z" '
                f'fill="white" stroke="{ALERT}" stroke-width="2"/>'
            )
    return (
        f'<svg viewBox="-6 0 {WIDE + 8} {HIGH}" width="{WIDE + 8}" height="{HIGH}" '
        f'aria-hidden="true">{"".join(shapes)}</svg>'
    )


def counts_html(counts: Mapping[str, int], heading: str) -> str:
    """Return counts by rung, each with its bar."""
    wide = WIDE / max([1, *counts.values()])
    bar = f'<svg width="{{:.0f}}" height="{HIGH - 4}" style="background:{LINE}"/>'
    lines = [(escape(key), f"{bar.format(wide * count)} {count}") for key, count in counts.items()]
    return table((HEADINGS["rung"], heading), lines)


def frame_html(frame: pd.DataFrame, *columns: str) -> str:
    """Return the first rows of a result's table under headings that people read."""
    shown = frame[list(columns or frame)].head(FIRST_ROWS)
    usual = {"f": "number", "M": "day"}
    kinds = [
        pages.COLUMNS.get(name, (name.replace("_", " "), usual.get(dtype.kind, "text")))
        for name, dtype in shown.dtypes.items()
    ]
    lines = [
        [escape(pages.cell(value, kind)) for value, (_, kind) in zip(line, kinds, strict=True)]
        for line in shown.itertuples(index=False)
    ]
    note = f"<p>and {counted(more, 'row')} more</p>" if (more := len(frame) - len(shown)) else ""
    return table((title.format(interval="") for title, _ in kinds), lines) + note
