"""The spreadsheet: a straight line through the best sets, drawn on until it meets the target."""

from __future__ import annotations

import numpy as np

from forecast.backtest.baselines.at_cut import AtCut, CutForecast, counting_sessions, long_curve
from forecast.types import Array


def straight_line(known: AtCut) -> CutForecast:
    """Forecast by least squares through the best counting set of each session of the spell.

    The line is drawn on to the target; from that week on the chance is 1, before it 0. A line
    that had crossed before the cut date says "next week". A line that does not rise, or fewer
    than two days with a counting set, says "not within the horizon"; the notes count these.
    """
    crossing = _crossing_weeks(known)
    flat = int(np.sum(~np.isfinite(crossing)))
    curve = (known.weeks[None, :] >= crossing[:, None]).astype(float)
    note = f"{flat} of {len(crossing)} open spells had no rising line: never within the horizon"
    return CutForecast(long_curve(known, curve), (note,) if flat else ())


def _crossing_weeks(known: AtCut) -> Array:
    """Weeks from the cut at which each line meets its target; infinite if never."""
    sessions = counting_sessions(known)
    sessions["weeks"] = (sessions["date"] - known.as_of).dt.days / 7.0
    centre = sessions.groupby("spell")[["weeks", "best"]].transform("mean")
    across, up = sessions["weeks"] - centre["weeks"], sessions["best"] - centre["best"]
    sums = sessions.assign(xx=across**2, xy=across * up).groupby("spell")
    line = sums.agg(
        weeks=("weeks", "mean"),
        best=("best", "mean"),
        target=("target", "first"),
        xx=("xx", "sum"),
        xy=("xy", "sum"),
    ).reindex(known.open_spells["spell"])
    rising = ((line["xx"] > 0) & (line["xy"] > 0)).to_numpy()
    slope = np.divide(line["xy"], line["xx"], out=np.ones(len(line)), where=rising)
    crossing = line["weeks"] + (line["target"] - line["best"]) / slope
    return np.where(rising, np.maximum(crossing, 0.0), np.inf)
