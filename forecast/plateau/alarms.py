"""From chances to states over time: flat from a high chance, kept while it is even or better."""

from __future__ import annotations

import numpy as np

from forecast.plateau.traces import Traces, steps
from forecast.types import Array, Flags

MIN_WEEKS = 4.0
MIN_SESSIONS = 6
"""Before so much training on a rung there is no telling, and no alarm."""

WIDEST = 0.05
"""A gain with a wider standard error than this a week was not measured, and raises no flag."""

STAY = 0.5
"""A flag comes down when the chance of being flat falls below this."""

PERSIST = 0.5
"""Weeks of training for which the chance must have been ``STAY`` or more before a flag goes up: two
looks that agree, for one bad day is no plateau."""


def enough_record(traces: Traces) -> Flags:
    """Say at which sessions the spell has record enough to be judged, (N,)."""
    return np.asarray((traces.clock >= MIN_WEEKS) & (traces.number + 1 >= MIN_SESSIONS))


def raise_flags(traces: Traces, p_flat: Array, gain_sd: Array, enter: Array) -> tuple[Flags, Flags]:
    """Run the rule over every spell and copy.

    ``p_flat`` (N, R) is the chance of being flat, ``gain_sd`` (N,) the standard error of the gain
    that it rests on, ``enter`` (N,) the chance from which the flag goes up. Returns, (N, R),
    whether the flag is up after each session, and whether it went up there.
    """
    shape = p_flat.shape
    flagged, raised = np.zeros(shape, dtype=bool), np.zeros(shape, dtype=bool)
    up = np.zeros((traces.n_spells, shape[1]), dtype=bool)
    since = np.full(up.shape, np.inf)
    clock, enough = traces.clock, enough_record(traces) & (gain_sd <= WIDEST)
    for n, at in steps(traces):
        week = clock[at][:, None]
        likely = (p_flat[at] >= STAY) & enough[at][:, None]
        since = np.where(likely, np.minimum(since[:n], week), np.inf)
        lasted = likely & (week - since >= PERSIST - 1e-9)
        now = np.where(up[:n], likely, lasted & (p_flat[at] >= enter[at][:, None]))
        flagged[at], raised[at] = now, now & ~up[:n]
        up = now
    return flagged, raised


def training_rate(traces: Traces) -> Array:
    """Sessions a week of training so far, to two decimals, (N,); 0 in the first week."""
    clock = traces.clock
    return np.where(clock >= 1.0, traces.number / np.maximum(clock, 1.0), 0.0).round(2)
