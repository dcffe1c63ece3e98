"""The law of a coming session: its day's form, and the chance that it meets the criterion.

It stands here once (its inner loop in ``kernels``), for rungs under way, rungs to come and the
check of what was expected of past sessions.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from forecast.growth.kernels import chances_to_meet, flattened
from forecast.growth.panel import MAX_FATIGUE_STEPS

Array = NDArray[np.float64]


def draw_form(
    rng: np.random.Generator, size: tuple[int, ...], down: Array | float, up: Array | float
) -> Array:
    """Draw days' forms in units of ``day_sd``, mean 0.

    Parameters
    ----------
    rng
        Source of the draws.
    size
        Shape of the result.
    down, up
        Mean sizes of the exponential parts, broadcast against ``size``.
    """
    below, above = rng.standard_exponential((2, *size))
    return np.asarray(rng.standard_normal(size) + up * (above - 1.0) - down * (below - 1.0))


def meeting_chance(
    room: Array,
    set_sd: Array,
    short: Array | float,
    fatigue: Array | float,
    eligible: Array,
    sets: Array,
) -> Array:
    """Return the chance that a session meets, given its day's ability.

    Parameters
    ----------
    room
        By how far the day's ability stands above the pass mark, latent units; any shape.
    set_sd, short, fatigue
        As in ``observation.Noise``, broadcast against ``room``.
    eligible
        Chance that a set is clean, unassisted and not ended early by choice.
    sets
        Number of sets.
    """
    shape, (space, sd, ends, tired, able, many) = flattened(
        room, set_sd, short, fatigue, eligible, sets
    )
    out = np.empty(len(space))
    chances_to_meet(space, sd, ends, tired, able, many, int(MAX_FATIGUE_STEPS), out)
    return out.reshape(shape)
