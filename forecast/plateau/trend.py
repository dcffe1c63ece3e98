"""Local trend: what the latest sessions alone say about the gain.

Level moves with a gain that wanders freely; nothing pulls it back to the athlete's usual pace, as
the growth engine's gain is, so that a long stall is not taken for a passing dip. A Kalman filter
of the local linear trend model (Harvey 1989, Forecasting, Structural Time Series Models and the
Kalman Filter, sec. 2.3.2, in continuous time), vectorised over spells and over copies of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from forecast.errors import FitError
from forecast.plateau.traces import Traces, as_copies, steps

Array = NDArray[np.float64]

GAP_SD = 0.05
"""How unsure the level is after each week beyond the grace (judgement)."""

PRIOR_MEAN = np.log([0.01, 0.02])
PRIOR_SD = np.array([1.0, 1.0])
BOUNDS = [tuple(np.log(pair)) for pair in ([0.0005, 0.03], [0.002, 0.25])]


@dataclass(frozen=True, slots=True)
class Trend:
    """Constants: ``shift`` (sd of the gain's change after one week), ``wiggle`` (of the level)."""

    shift: float
    wiggle: float


@dataclass(frozen=True, slots=True)
class TrendState:
    """Opinion after each session.

    Attributes
    ----------
    level, gain
        (N, R) means.
    gain_var
        (N,) variance of the gain.
    miss, before_var
        (N, R) what was seen less what was expected, and (N,) the variance of the level expected;
        0 at the first session of a spell and where a session said nothing.
    log_density
        (R,) of all sessions but the first of each spell.
    """

    level: Array
    gain: Array
    gain_var: Array
    miss: Array
    before_var: Array
    log_density: Array


def follow_trend(traces: Traces, level: Array, trend: Trend) -> TrendState:
    """Filter the local trend over every spell and copy at once.

    Parameters
    ----------
    traces
        Timing, variances and starts.
    level
        (N,) or (N, R) observed levels; the first of a spell is not looked at (it is in ``first``).
    trend
        Constants of the motion.
    """
    seen = as_copies(level)
    shape = seen.shape
    out_level, out_gain, out_var = np.empty(shape), np.empty(shape), np.empty(shape[0])
    out_miss, out_before = np.zeros(shape), np.zeros(shape[0])
    density = np.zeros(shape[1])
    mean, gain = (np.repeat(traces.first[:, [k]], shape[1], axis=1) for k in (0, 1))
    a, b, c = traces.first[:, 2], traces.first[:, 3], traces.first[:, 4]
    for number, (n, at) in enumerate(steps(traces)):
        mean, gain, a, b, c = mean[:n], gain[:n], a[:n], b[:n], c[:n]
        if number:
            t, excess = traces.rest[at], traces.excess[at]
            mean = mean + t[:, None] * gain - (traces.detraining * excess)[:, None]
            a = a + 2 * t * b + t * t * c + trend.shift**2 * t**3 / 3
            a = a + trend.wiggle**2 * t + (GAP_SD * excess) ** 2
            b = b + t * c + trend.shift**2 * t * t / 2
            c = c + trend.shift**2 * t
            total = a + traces.var[at]
            heard = np.isfinite(total)
            spread = np.where(heard, total, 1.0)
            miss = np.where(heard[:, None], seen[at] - mean, 0.0)
            out_miss[at], out_before[at] = miss, np.where(heard, a, 0.0)
            log_density = np.log(2 * np.pi * spread)[:, None] + miss**2 / spread[:, None]
            density -= 0.5 * np.where(heard[:, None], log_density, 0.0).sum(axis=0)
            to_level, to_gain = a / total, b / total
            mean, gain = mean + to_level[:, None] * miss, gain + to_gain[:, None] * miss
            a, b, c = a * (1 - to_level), b * (1 - to_level), c - to_gain * b
        out_level[at], out_gain[at], out_var[at] = mean, gain, c
    return TrendState(out_level, out_gain, out_var, out_miss, out_before, density)


def fit_trend(traces: Traces) -> Trend:
    """Fit both constants by penalised marginal likelihood over all spells.

    Raises
    ------
    FitError
        The search did not end at finite values.
    """

    def cost(log_values: Array) -> float:
        trend = Trend(*np.exp(log_values))
        penalty = 0.5 * np.sum(((log_values - PRIOR_MEAN) / PRIOR_SD) ** 2)
        return float(penalty - follow_trend(traces, traces.level, trend).log_density[0])

    found = minimize(
        cost, PRIOR_MEAN, method="Nelder-Mead", bounds=BOUNDS,
        options={"xatol": 0.05, "fatol": 0.2, "maxfev": 80},
    )  # fmt: skip
    if not np.isfinite(found.fun):
        raise FitError(
            "The local trend of the plateau watch could not be fitted: its likelihood is not "
            "finite. Look for impossible values in the log (log.warnings)."
        )
    return Trend(*(float(x) for x in np.exp(found.x)))
