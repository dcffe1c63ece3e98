"""How long each path takes on a rung: open rungs as forecast, others as the log's times say.

A map of times keeps the order of the paths: the path with the q-th quantile of the simulated time
gets the q-th quantile of the recalibrated time, so what the paths share stays shared.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from forecast.ahead.ground import Ground, Settings, SharedDraws
from forecast.ahead.standing import Rhythm, usual_rhythm
from forecast.ahead.times import (
    PATHS,
    Beginnings,
    athlete_effects,
    middle_days,
    order_left,
    rung_days,
)
from forecast.growth import Climb
from forecast.log import YEAR_DAYS
from forecast.types import Array, Ints

LEAST_MASS = 0.05
STRETCH_RANGE = (0.5, 2.0)
"""Beyond what was recalibrated, times go on being stretched, by no more than this."""


@dataclass(frozen=True, slots=True)
class TimeMap:
    """Times (K,) before and after, both rising; beyond the last, times are stretched alike."""

    before: Array
    after: Array

    def apply(self, days: Array) -> Array:
        """Map times in days (any shape)."""
        if not len(self.before):
            return days.copy()
        inside = np.interp(days, self.before, self.after)
        last, moved = self.before[-1], self.after[-1]
        beyond = days > last
        stretch = np.clip(moved / max(last, 1.0), *STRETCH_RANGE)
        return np.asarray(np.where(beyond, moved + (days - last) * stretch, inside))


IDENTITY = TimeMap(np.empty(0), np.empty(0))


def match_quantiles(days: Array, chance: Array, at: Array) -> TimeMap:
    """Return the map that gives simulated times a recalibrated distribution.

    ``days`` (P,) are simulated clearing times, ``chance`` (W,) is the recalibrated chance of having
    cleared by each of the days ``at`` (W,), which rise from 0.

    Where fewer than one path in twenty falls within ``at``, times are left as they are: there is
    nothing to go by.
    """
    q = (np.arange(len(days)) + 0.5) / len(days)
    both = q <= chance[-1]
    if both.sum() < LEAST_MASS * len(days):
        return IDENTITY
    before, after = np.sort(days)[: both.sum() + 1], _inverse(q[both], chance, at)
    if len(before) > len(after):  # the first path beyond the forecast clears after its end
        after = np.append(after, at[-1] + 1.0)
    return TimeMap(before, after)


def _inverse(q: Array, chance: Array, at: Array) -> Array:
    """Times at which the chance reaches q, straight between the given times."""
    place = np.clip(np.searchsorted(chance, q, side="left"), 1, len(at) - 1)
    low, high = chance[place - 1], chance[place]
    share = np.clip((q - low) / np.maximum(high - low, 1e-12), 0.0, 1.0)
    return np.asarray(at[place - 1] + share * (at[place] - at[place - 1]))


Maps = dict[tuple[int, int], TimeMap]


@dataclass(frozen=True, slots=True)
class Climbed:
    """How rungs were climbed on P paths; NaN where they were not.

    Of A athletes and R rungs (A, R, P) in a ``Walk``; (T, P) in a step on one rung, its ``first``
    (T,).

    Attributes
    ----------
    climbing
        Days on the rung: from the cut where under way, else from the first session.
    delay
        Days to the first session from the rung being open, or from the cut where it was open
        before; 0 where under way.
    cleared
        Days from the cut to clearing; past ``most_days`` only an order.
    start_level, start_gain, end_level
        Latent level over the pass mark and gain a week, at the last session known or the first to
        come; level over the mark at the last session simulated.
    first
        (A, R) chance that the next session meets the criterion.
    maps
        By (athlete place, rung): the recalibration of its times.
    """

    climbing: Array
    delay: Array
    cleared: Array
    start_level: Array
    start_gain: Array
    end_level: Array
    first: Array
    maps: Maps


@dataclass(frozen=True, slots=True)
class Walk(Climbed):
    """How A athletes went up R rungs.

    Attributes
    ----------
    tempo
        (A, P) the athletes' part in the times of rungs not begun.
    middle
        (A, R, F) middle days that the growth engine says of rungs not begun, by the time of the
        year they begin: at the cut and every F-th part of a year after it.
    """

    tempo: Array
    middle: Array


@dataclass(frozen=True, slots=True)
class Going:
    """What a walk starts from.

    ``open_at`` (A, R) is the place of each rung under way among those of ``shared``, -1 for none;
    ``slope`` (P, 2) what margin and own pace carry over; the others as given to ``walk``.
    """

    ground: Ground
    settings: Settings
    shared: SharedDraws
    open_at: Ints
    rhythm: Rhythm
    pooled: dict[tuple[int, int], Array]
    like: Walk | None
    slope: Array


@dataclass(frozen=True, slots=True)
class Timing:
    """What times rungs not begun beside the rung itself: ``tempo`` and ``middle`` of a walk."""

    tempo: Array
    middle: Array


COMPARED_PATHS = 512
"""Paths and time of the year, for the middle at one rhythm against that at another."""

USUAL = slice(1, 4)
"""Columns of the shared draws that are the rung's usual start, swing and pace."""

SEASONS = 4
"""Times of the year at which the middle days of a rung are simulated."""


def athletes_tempo(going: Going, cleared: Array) -> Array:
    """Return (A, P) the athletes' part in times, given their record and the rungs under way.

    ``cleared`` (A, R, P) are days from the cut to clearing those.
    """
    ground, known = going.ground, going.ground.open_times
    athletes = ground.standing.athletes
    place = np.searchsorted(athletes, known.athlete)
    days = known.days[:, None] + cleared[place, known.rung]
    uniform = np.random.default_rng([going.settings.seed, 11]).random(going.settings.paths)
    return athlete_effects(
        ground.climbing.times, ground.times, athletes, replace(known, days=days),
        np.tile(uniform, (len(athletes), 1)),
    )  # fmt: skip


def engines_middle(going: Going) -> Array:
    """Return (A, R, F) middle days that the growth engine says of rungs not begun; NaN elsewhere.

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
        new = Beginnings(
            rung=rung,
            threshold=ground.threshold[rung],
            measure=ground.measure[rung],
            gaps=gaps,
            day=np.full(len(who), ground.cut + season * YEAR_DAYS / SEASONS),
            scatter=ground.scatter[who],
            gain=gain,
        )
        middle[who, rung, season] = middle_days(
            ground.model, ground.plan, new, seed=going.settings.seed, paths=paths
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
    timing: Timing | None,
    rung: int,
    who: Ints,
    found: Climb,
    opening: Array,
    delay: Array,
) -> tuple[Array, Array, Maps]:
    """Return (T, P) delays and climbing times of athletes ``who`` on a rung that opens then.

    ``timing`` is needed where a rung is not begun; the maps are those of rungs forecast already.
    """
    # Simulated days are whole: within a day the paths' order is drawn, or ties would be matched
    # to one point of the forecast.
    order = np.random.default_rng([going.settings.seed, 10, rung]).random(delay.shape[1])
    delay, days = delay.copy(), found.days.copy()
    maps: Maps = {}
    if going.settings.recalibrate and timing is not None:
        days = _later_days(going, timing, rung, who, found.days, opening + delay)
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
        maps[key] = time_map
        left = np.maximum(time_map.apply(simulated) - opening[row], 0.0)
        share = delay[row] / np.maximum(delay[row] + found.days[row], 1.0)
        delay[row], days[row] = left * share, left * (1.0 - share)
    return delay, days, maps


def _later_days(
    going: Going, timing: Timing, rung: int, who: Ints, simulated: Array, begins: Array
) -> Array:
    """(T, P) climbing times of rungs not begun, as the log's times say."""
    gain = going.rhythm.gain[who]
    middle = at_season(timing.middle[who, rung], begins)
    middle = middle * np.median(gain, axis=1, keepdims=True) / gain
    shared = _shared_part(going, rung, who)
    middle = middle * np.exp(_unclimbed(going, rung, simulated, shared))
    order = order_left(simulated, shared)
    return rung_days(going.ground.climbing.times, rung, middle, timing.tempo[who], order)


def _shared_part(going: Going, rung: int, who: Ints) -> Array:
    """(T, P, K) draws that the rung's simulated days have in common with other rungs'.

    First a constant, then the rung's usual start, swing and pace (``USUAL``), then the motion and
    the athlete.
    """
    shared = going.shared
    usual = shared.rung[:, rung] - shared.rung[:, rung].mean(axis=0)
    motion = np.log(np.column_stack(shared.laws[:5]) + 1e-12)
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
