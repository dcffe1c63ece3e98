"""The watch over a log: flag, gain and chance of being flat at every session, past ones too."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from forecast.plateau.alarms import flat_score, raise_flags
from forecast.plateau.progress import smallest_gain_at
from forecast.plateau.rules import PlateauRules, classes_of
from forecast.plateau.switching import MOVING, STALLED, follow_switching
from forecast.plateau.traces import Traces
from forecast.plateau.trend import follow_trend

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Watched:
    """What the watch said after each session, from that session and those before alone; (N,).

    ``flagged`` and ``raised``; ``score`` and its ``limit``; ``level``, ``gain`` and ``gain_sd``
    of the local trend, per week; ``least`` the smallest gain that matters there; ``p_flat`` the
    chance that the gain is no more than that.
    """

    flagged: Bools
    raised: Bools
    score: Array
    limit: Array
    level: Array
    gain: Array
    gain_sd: Array
    least: Array
    p_flat: Array


def watch(
    rules: PlateauRules, traces: Traces, limits: Array, smallest_gain: float | None = None
) -> Watched:
    """Watch every spell, session by session, as if each were the latest.

    Parameters
    ----------
    rules
        From ``learn_plateaus``.
    traces
        Spells to watch.
    limits
        (G,) from ``limits_for``.
    smallest_gain
        As in ``smallest_gain_at``; the one the limits were made for.
    """
    state = follow_trend(traces, traces.level, rules.trend)
    score = flat_score(traces, state, smallest_gain)
    limit = limits[classes_of(rules, traces)]
    flagged, raised = raise_flags(traces, score, limit)
    least = smallest_gain_at(state.level[:, 0], smallest_gain)
    return Watched(
        flagged=flagged[:, 0],
        raised=raised[:, 0],
        score=score[:, 0],
        limit=limit,
        level=state.level[:, 0],
        gain=state.gain[:, 0],
        gain_sd=np.sqrt(state.gain_var),
        least=least,
        p_flat=_chance_flat(rules, traces, least),
    )


def _chance_flat(rules: PlateauRules, traces: Traces, least: Array) -> Array:
    """Chance of the stalled state, or of moving no quicker than the least that matters."""
    state = follow_switching(traces, traces.level, rules.switching)
    gain, var = state.values[MOVING, 1, :, 0], state.values[MOVING, 4, :, 0]
    slow = ndtr((least - gain) / np.sqrt(np.maximum(var, 1e-14)))
    return np.asarray(state.chance[STALLED, :, 0] + state.chance[MOVING, :, 0] * slow)
