"""How long each path takes on a rung: open rungs as forecast, others as the log's times say."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from forecast.ahead.middle import middle_days
from forecast.ahead.sampler import Climb
from forecast.ahead.state import Going
from forecast.ahead.times import OpenTimes, athlete_effects, order_left, rung_days
from forecast.ahead.timing import match_quantiles

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]


def athletes_tempo(going: Going) -> Array:
    """Return (A, P) the athletes' part in times, given their record and the rungs under way."""
    ground, paths = going.ground, going.settings.paths
    known = ground.open_times
    days = known.days + going.out["cleared"][known.athlete, known.rung]
    uniform = np.random.default_rng([going.settings.seed, 11]).random(paths)
    return athlete_effects(
        ground.climbing.times,
        ground.times,
        ground.standing.athletes,
        OpenTimes(known.athlete, known.rung, known.middle, days),
        np.tile(uniform, (len(ground.standing.athletes), 1)),
    )


def engines_middle(going: Going) -> Array:
    """Return (A, R) middle days that the growth engine says of rungs not begun; NaN elsewhere."""
    ground, standing = going.ground, going.ground.standing
    who, rung = np.nonzero(standing.ahead & ~standing.under_way)
    middle = np.full(standing.ahead.shape, np.nan)
    middle[who, rung] = middle_days(
        ground.model,
        ground.plan,
        rung,
        ground.threshold[rung],
        ground.measure[rung],
        going.rhythm.gaps(ground.gaps[who], who),
        np.full(len(who), float(ground.cut)),
        ground.scatter[who],
        np.median(going.rhythm.gain, axis=1)[who],
        seed=going.settings.seed,
    )
    return middle


def recalibrated(
    going: Going,
    rung: int,
    who: Ints,
    found: Climb,
    opening: Array,
    delay: Array,
    begun: Flags,
) -> tuple[Array, Array]:
    """Return (T, P) delays and climbing times."""
    # Simulated days are whole: within a day the paths' order is drawn, or ties would be matched
    # to one point of the forecast.
    order = np.random.default_rng([going.settings.seed, 10, rung]).random(delay.shape[1])
    delay, days = delay.copy(), found.days.copy()
    if going.settings.recalibrate:
        later = np.flatnonzero(~begun)
        if len(later):
            days[later] = _later_days(going, rung, who[later], found.days[later])
    for row, athlete in enumerate(who):
        key = (int(athlete), rung)
        if key not in going.pooled:
            continue
        simulated = opening[row] + delay[row] + found.days[row] - order
        if going.given is not None:
            time_map = going.given[key]
        else:
            at = np.arange(0.0, 7.0 * len(going.pooled[key]), 7.0)
            time_map = match_quantiles(simulated, going.pooled[key], at)
        going.maps[key] = time_map
        left = np.maximum(time_map.apply(simulated) - opening[row], 0.0)
        share = delay[row] / np.maximum(delay[row] + found.days[row], 1.0)
        delay[row], days[row] = left * share, left * (1.0 - share)
    return delay, days


def _later_days(going: Going, rung: int, who: Ints, simulated: Array) -> Array:
    """(T, P) climbing times of rungs not begun, as the log's times say."""
    gain = going.rhythm.gain[who]
    middle = going.middle[who, rung][:, None] * np.median(gain, axis=1, keepdims=True) / gain
    order = order_left(simulated, _shared_part(going, rung, who))
    return rung_days(going.ground.climbing.times, rung, middle, going.tempo[who], order)


def _shared_part(going: Going, rung: int, who: Ints) -> Array:
    """(T, P, K) draws that the rung's simulated days have in common with other rungs'."""
    shared = going.shared
    usual = shared.rung[:, rung] - shared.rung[:, rung].mean(axis=0)
    motion = np.log(shared.constants.motion + 1e-12)
    fixed = np.column_stack([np.ones(len(usual)), usual, motion - motion.mean(axis=0)])
    athlete = shared.athlete[who]
    return np.concatenate([np.tile(fixed, (len(who), 1, 1)), athlete], axis=2)
