"""How long each path takes on a rung: open rungs as forecast, others as the log's times say."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from forecast.ahead.middle import PATHS, middle_days
from forecast.ahead.rhythm import Rhythm, usual_rhythm
from forecast.ahead.sampler import Climb
from forecast.ahead.state import Going
from forecast.ahead.times import OpenTimes, athlete_effects, order_left, rung_days
from forecast.ahead.timing import match_quantiles
from forecast.log.days import YEAR_DAYS

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

COMPARED_PATHS = 512
"""Paths and time of the year, for the middle at one rhythm against that at another."""

USUAL = slice(1, 4)
"""Columns of the shared draws that are the rung's usual start, swing and pace."""

SEASONS = 4
"""Times of the year at which the middle days of a rung are simulated."""


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
    """Return (A, R, F) middle days that the growth engine says of rungs not begun; NaN elsewhere.

    One for each of F times of the year at which the rung may begin, the cut's being the first.
    At another rhythm: those at the usual one, times a ratio simulated on many more paths, for
    the chance of a simulation must not stand where the effect of a session more belongs.
    """
    if going.like is None:
        return _middle(going, going.rhythm, PATHS)
    people, paths = going.rhythm.gain.shape
    usual = _middle(going, usual_rhythm(people, paths), COMPARED_PATHS)
    ratio = _middle(going, going.rhythm, COMPARED_PATHS) / np.maximum(usual, 1.0)
    return np.asarray(going.like.middle * ratio.mean(axis=2, keepdims=True))


def _middle(going: Going, rhythm: Rhythm, paths: int) -> Array:
    ground, standing = going.ground, going.ground.standing
    who, rung = np.nonzero(standing.ahead & ~standing.under_way)
    middle = np.full((*standing.ahead.shape, SEASONS), np.nan)
    gaps, gain = rhythm.gaps(ground.gaps[who], who), np.median(rhythm.gain, axis=1)[who]
    for season in range(SEASONS):
        middle[who, rung, season] = middle_days(
            ground.model,
            ground.plan,
            rung,
            ground.threshold[rung],
            ground.measure[rung],
            gaps,
            np.full(len(who), ground.cut + season * YEAR_DAYS / SEASONS),
            ground.scatter[who],
            gain,
            seed=going.settings.seed,
            paths=paths,
        )
    return middle


def at_season(by_season: Array, days: Array) -> Array:
    """Return (T, P) middle days of rungs begun ``days`` (T, P) after the cut.

    Straight between the logs of ``by_season`` (T, F), which go round the year.
    """
    turns = np.mod(days / YEAR_DAYS, 1.0) * by_season.shape[1]
    before = np.minimum(turns.astype(np.int64), by_season.shape[1] - 1)
    after = (before + 1) % by_season.shape[1]
    logs = np.log(np.maximum(by_season, 0.5))
    low, high = (np.take_along_axis(logs, place, axis=1) for place in (before, after))
    return np.asarray(np.exp(low + (turns - before) * (high - low)))


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
            begins = opening[later] + delay[later]
            days[later] = _later_days(going, rung, who[later], found.days[later], begins)
    for row, athlete in enumerate(who):
        key = (int(athlete), rung)
        if key not in going.pooled:
            continue
        simulated = opening[row] + delay[row] + found.days[row] - order
        if going.like is not None:
            time_map = going.like.maps[key]
        else:
            at = np.arange(0.0, 7.0 * len(going.pooled[key]), 7.0)
            time_map = match_quantiles(simulated, going.pooled[key], at)
        going.maps[key] = time_map
        left = np.maximum(time_map.apply(simulated) - opening[row], 0.0)
        share = delay[row] / np.maximum(delay[row] + found.days[row], 1.0)
        delay[row], days[row] = left * share, left * (1.0 - share)
    return delay, days


def _later_days(going: Going, rung: int, who: Ints, simulated: Array, begins: Array) -> Array:
    """(T, P) climbing times of rungs not begun, as the log's times say."""
    gain = going.rhythm.gain[who]
    middle = at_season(going.middle[who, rung], begins)
    middle = middle * np.median(gain, axis=1, keepdims=True) / gain
    shared = _shared_part(going, rung, who)
    middle = middle * np.exp(_unclimbed(going, rung, simulated, shared))
    order = order_left(simulated, shared)
    return rung_days(going.ground.climbing.times, rung, middle, going.tempo[who], order)


def _shared_part(going: Going, rung: int, who: Ints) -> Array:
    """(T, P, K) draws that the rung's simulated days have in common with other rungs'.

    First a constant, then the rung's usual start, swing and pace (``USUAL``), then the motion and
    the athlete.
    """
    shared = going.shared
    usual = shared.rung[:, rung] - shared.rung[:, rung].mean(axis=0)
    motion = np.log(shared.constants.motion + 1e-12)
    fixed = np.column_stack([np.ones(len(usual)), usual, motion - motion.mean(axis=0)])
    athlete = shared.athlete[who]
    return np.concatenate([np.tile(fixed, (len(who), 1, 1)), athlete], axis=2)


def _unclimbed(going: Going, rung: int, simulated: Array, shared: Array) -> Array:
    """(T, P) log of how far the rung's difficulty on each path lies from the expected one.

    Where nobody has climbed the rung yet, no times tell how hard it is: the middle is that of a
    rung as expected, and what the engine leaves open of its usual start and pace (how far rungs
    differ, and where the cohort's centre lies) comes back through the simulated days, whose log is
    linear enough in them. Each time known of the rung tells as much as the engine's draw.
    """
    share = 1.0 / (1.0 + going.ground.climbing.cleared[rung])
    parts = []
    for x, days in zip(shared, simulated, strict=True):
        slope = np.linalg.lstsq(x, np.log1p(days), rcond=None)[0]
        parts.append(x[:, USUAL] @ slope[USUAL])
    return share * np.reshape(parts, simulated.shape)
