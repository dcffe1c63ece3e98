"""What going on means: the gain around a day, and the smallest gain that matters.

One definition serves drawn paths, when thresholds are set, and true levels, when false alarms are
counted against an invented cohort.
"""

from __future__ import annotations

import numpy as np

from forecast.plateau.traces import Traces
from forecast.types import Array, Flags

HALF_WIDTH = 3.0
"""The gain on a day is the change of level from this many weeks before it to as many after it."""

GRACE = 4.0
"""A stall that ended less than this many weeks ago may still be called: nobody can know yet."""

RISE, RISE_WEEKS = 0.03, 6.0
"""A level that rose by more than this a week, over so many weeks, was surely climbing (judgement);
an alarm then is false whatever stands still since."""

YEAR = 52.0
FLOOR = 0.005


def smallest_gain_at(level: Array, smallest_gain: float | None = None) -> Array:
    """Return the smallest gain that matters at some levels (0 is the target), per week.

    ``smallest_gain`` is one figure for all, or ``None`` for the gain that takes a year to the
    target, and half a per cent a week where that is more.
    """
    if smallest_gain is not None:
        return np.full(np.shape(level), float(smallest_gain))
    return np.maximum(FLOOR, -np.asarray(level) / YEAR)


def _keys(traces: Traces) -> tuple[Array, float]:
    """Training clocks of all spells end to end, so that one search serves them all."""
    clock = traces.clock
    apart = float(clock.max(initial=0.0)) + 100.0
    return clock + traces.spell * apart, apart


def _level_at(traces: Traces, key: Array, when: Array, level: Array) -> Array:
    """Interpolate the levels at some keys (inside each spell's span)."""
    left = np.clip(np.searchsorted(key, when, side="right") - 1, 0, len(key) - 1)
    last = traces.start + traces.length - 1
    right = np.minimum(left + 1, last[traces.spell])
    span = key[right] - key[left]
    share = np.where(span > 0, (when - key[left]) / np.where(span > 0, span, 1.0), 0.0)[:, None]
    return level[left] * (1.0 - share) + level[right] * share


def gain_around(traces: Traces, level: Array, half_width: float = HALF_WIDTH) -> Array:
    """Return the gain around each session, per week of training, (N, R).

    ``level`` (N, R) is drawn or true. Windows reach ``half_width`` weeks to each side and end where
    the spell does; those shorter than one side say nothing, and count as going on (infinite).
    """
    key, _ = _keys(traces)
    last = traces.start + traces.length - 1
    low = np.maximum(key - half_width, key[traces.start][traces.spell])
    high = np.minimum(key + half_width, key[last][traces.spell])
    width = high - low
    known = width >= half_width * 0.999
    rise = _level_at(traces, key, high, level) - _level_at(traces, key, low, level)
    gain = rise / np.where(known, width, 1.0)[:, None]
    return np.where(known[:, None], gain, np.inf)


def progress_goes_on(
    traces: Traces, level: Array, smallest_gain: float | None = None, weeks: float = GRACE
) -> Flags:
    """Say where progress goes on all around, (N, R): an alarm raised there is a false alarm.

    True where the gain around every session was above the smallest gain that matters, from
    ``weeks`` weeks of training before to ``HALF_WIDTH`` weeks after: no flat stretch ended lately,
    is on, or begins.
    """
    below = gain_around(traces, level) <= smallest_gain_at(level, smallest_gain)
    key, _ = _keys(traces)
    last = traces.start + traces.length - 1
    early = np.maximum(key - weeks, key[traces.start][traces.spell])
    late = np.minimum(key + HALF_WIDTH, key[last][traces.spell])
    first = np.searchsorted(key, early - 1e-9)
    past = np.searchsorted(key, late + 1e-9)
    total = np.concatenate([np.zeros((1, level.shape[1])), np.cumsum(below, axis=0)])
    return np.asarray(total[past] - total[first] == 0)


def rose_lately(traces: Traces, level: Array) -> Flags:
    """Say where the level was surely climbing, (N, R): up by ``RISE`` a week over six weeks.

    Spells younger than that say no.
    """
    key, _ = _keys(traces)
    then = key - RISE_WEEKS
    known = then >= key[traces.start][traces.spell] - 1e-9
    past = _level_at(traces, key, np.where(known, then, key), level)
    return np.asarray(known[:, None] & (level - past > RISE * RISE_WEEKS))
