"""The watch over a log: chance of being flat, flag and gain at every session, past ones too."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forecast.growth import Motion, measure_gain
from forecast.plateau.alarms import raise_flags
from forecast.plateau.chances import chance_flat
from forecast.plateau.progress import smallest_gain_at
from forecast.plateau.traces import Traces
from forecast.types import Array, Flags


@dataclass(frozen=True, slots=True)
class Watched:
    """What the watch said after each session, from that session and those before alone; (N,).

    ``flagged`` and ``raised``; ``p_flat``; ``level`` and ``gain`` with its ``gain_sd`` as measured
    over the last six weeks, the gain per week; ``least`` the smallest gain that matters there.
    """

    flagged: Flags
    raised: Flags
    p_flat: Array
    level: Array
    gain: Array
    gain_sd: Array
    least: Array


def watch(
    traces: Traces,
    motion: Motion,
    enter: Array,
    smallest_gain: float | None = None,
) -> Watched:
    """Watch every spell, session by session, as if each were the latest.

    ``enter`` (N,) is the chance of being flat from which a flag goes up, ``smallest_gain`` the one
    it was made for.
    """
    measure = measure_gain(traces, motion, np.arange(traces.n_sessions))
    level, gain = measure.level(traces.level), measure.gain(traces.level)
    least = smallest_gain_at(level, smallest_gain)
    p_flat = chance_flat(gain, measure.sd, least)
    flagged, raised = raise_flags(traces, p_flat[:, None], measure.sd, enter)
    return Watched(flagged[:, 0], raised[:, 0], p_flat, level, gain, measure.sd, least)
