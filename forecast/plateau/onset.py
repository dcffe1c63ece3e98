"""Since when: the start of the flat stretch that is on now, with a range."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forecast.plateau.progress import GRACE, smallest_gain_at
from forecast.plateau.switching import Switching, draw_paths
from forecast.plateau.traces import DAYS, Traces, take_traces
from forecast.types import Array, Flags

COPIES = 300
LEAST_SHARE = 0.1
"""Fewer paths than this share that end flat can't date the start."""
BRIDGE = 2.0
"""Weeks of progress inside a flat stretch that do not break it."""


@dataclass(frozen=True, slots=True)
class Onset:
    """Day number of the start: middle, 10 % and 90 % points; missing where it can't be dated."""

    middle: float
    low: float
    high: float


def date_onset(
    traces: Traces,
    model: Switching,
    spell: int,
    length: int,
    *,
    smallest_gain: float | None,
    seed: int,
) -> Onset:
    """Date the start of the flat stretch that a spell is in after its first ``length`` sessions.

    Every spell is drawn by itself with the same seed, so that the answer for one athlete does not
    depend on who else was asked about.
    """
    part = take_traces(traces, np.array([spell]), np.array([length]))
    paths = draw_paths(part, model, COPIES, np.random.default_rng(seed))
    flat = paths.stalled | (paths.gain <= smallest_gain_at(paths.level, smallest_gain))
    clock = part.clock
    starts = np.array([_start(column, clock) for column in flat.T])
    known = starts[starts >= 0]
    if len(known) < LEAST_SHARE * COPIES:
        return Onset(np.nan, np.nan, np.nan)
    # The stretch began after the last session that was still part of the progress before it.
    day = part.day.astype(float)
    begin = np.where(known > 0, 0.5 * (day[known] + day[np.maximum(known - 1, 0)]), day[0])
    low, middle, high = np.quantile(begin, [0.1, 0.5, 0.9])
    return Onset(float(middle), float(low), float(high))


def _start(flat: Flags, clock: Array) -> int:
    """First session of the latest flat stretch, bridging short breaks; -1 where none is recent."""
    at = np.flatnonzero(flat)
    if len(at) == 0 or clock[-1] - clock[at[-1]] > GRACE:
        return -1
    breaks = np.flatnonzero(np.diff(clock[at]) > BRIDGE)
    return int(at[breaks[-1] + 1] if len(breaks) else at[0])


def weeks_between(start: float, end: float) -> float:
    """Weeks from one day number to another; missing stays missing."""
    return (end - start) / DAYS
