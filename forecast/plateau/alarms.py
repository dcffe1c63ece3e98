"""The sequential rule: raise the flag past a limit, lower it well below, count what was false."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from forecast.plateau.progress import smallest_gain_at
from forecast.plateau.traces import Traces, steps
from forecast.plateau.trend import TrendState

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

MIN_WEEKS = 4.0
MIN_SESSIONS = 6
"""Before so much training on a rung there is no telling, and no alarm."""

RELEASE = 1.0
"""How far below its limit the score must fall before the flag comes down."""

SILENT = -9.0


def enough_record(traces: Traces) -> Bools:
    """Say at which sessions the spell has record enough to be judged, (N,)."""
    return np.asarray((traces.clock >= MIN_WEEKS) & (traces.number + 1 >= MIN_SESSIONS))


def flat_score(traces: Traces, state: TrendState, smallest_gain: float | None) -> Array:
    """Return how many standard errors the gain lies below the smallest that matters, (N, R)."""
    least = smallest_gain_at(state.level, smallest_gain)
    score = (least - state.gain) / np.sqrt(state.gain_var)[:, None]
    return np.where(enough_record(traces)[:, None], score, SILENT)


def raise_flags(traces: Traces, score: Array, limit: Array) -> tuple[Bools, Bools]:
    """Run the rule over every spell and copy.

    Parameters
    ----------
    traces
        Order of the sessions.
    score
        (N, R) scores.
    limit
        (N,) limit at each session.

    Returns
    -------
    flagged, raised
        (N, R) whether the flag is up after each session, and whether it went up there.
    """
    flagged, raised = np.zeros(score.shape, dtype=bool), np.zeros(score.shape, dtype=bool)
    up = np.zeros((traces.n_spells, score.shape[1]), dtype=bool)
    for n, at in steps(traces):
        line = limit[at][:, None]
        now = np.where(up[:n], score[at] > line - RELEASE, score[at] > line)
        flagged[at], raised[at] = now, now & ~up[:n]
        up = now
    return flagged, raised


def training_rate(traces: Traces) -> Array:
    """Sessions a week of training so far, to two decimals, (N,); 0 in the first week."""
    clock = traces.clock
    return np.where(clock >= 1.0, traces.number / np.maximum(clock, 1.0), 0.0).round(2)
