"""A rung in a line of a table: the last weeks, the pass mark and what is to come, as plain SVG."""

from __future__ import annotations

import numpy as np
import pandas as pd

from forecast.charts.look import BAND, FAN, INK, LINE, SOFT

WIDTH, HEIGHT = 168, 30
BACK, AHEAD = 26, 26
"""Weeks before and after the cut."""


def small_line(level: pd.DataFrame, fan: pd.DataFrame, target: float, as_of: pd.Timestamp) -> str:
    """Return the drawing of one athlete on one rung, the same marks as ``progress`` in small.

    It has no words: the row of the table that it stands in says the same.

    Parameters
    ----------
    level, fan
        ``date, low, mid, high``, as for ``progress``, of one ``who``.
    target
        The pass mark, in the unit of the level.
    as_of
        Cut date, the thin upright line.
    """
    level = level[level["date"] >= as_of - pd.Timedelta(weeks=BACK)]
    top = max(1.25 * target, 1.05 * float(level["high"].max()) if len(level) else 0.0)

    def xs(days: pd.Series) -> np.ndarray:
        weeks = (days - as_of).dt.days.to_numpy() / 7.0
        return WIDTH * (weeks + BACK) / (BACK + AHEAD)

    def ys(values: pd.Series) -> np.ndarray:
        return HEIGHT * (1.0 - values.to_numpy(dtype=float) / top)

    def path(x: np.ndarray, y: np.ndarray) -> str:
        return "M" + "L".join(f"{a:.1f} {b:.1f}" for a, b in zip(x, y, strict=True))

    def band(part: pd.DataFrame, colour: str) -> str:
        x = xs(part["date"])
        edge = path(np.r_[x, x[::-1]], np.r_[ys(part["high"]), ys(part["low"])[::-1]])
        return f'<path d="{edge}Z" fill="{colour}"/>'

    def line(part: pd.DataFrame, dashes: str) -> str:
        drawn = path(xs(part["date"]), ys(part["mid"]))
        return f'<path d="{drawn}" fill="none" stroke="{LINE}" stroke-width="1.6"{dashes}/>'

    mark, now = HEIGHT * (1.0 - target / top), WIDTH * BACK / (BACK + AHEAD)
    parts = [band(part, ink) for part, ink in ((fan, FAN), (level, BAND)) if len(part)]
    parts.append(
        f'<path d="M0 {mark:.1f}H{WIDTH}" stroke="{INK}" stroke-dasharray="4 2"/>'
        f'<path d="M{now:.1f} 0V{HEIGHT}" stroke="{SOFT}" stroke-width=".6"/>'
    )
    parts += [line(level, "")] if len(level) else []
    parts += [line(fan, ' stroke-dasharray="1.5 2"')] if len(fan) else []
    return (
        f'<svg class="small" viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" height="{HEIGHT}" '
        f'aria-hidden="true">{"".join(parts)}</svg>'
    )
