"""A walk up the ladder: how long each path takes on a rung, and when the next one opens.

Open rungs read as forecast. A map of times keeps the order of the paths: the path with the q-th
quantile of the simulated time gets the q-th quantile of the recalibrated time, so what the paths
share stays shared. Rungs not begun take the simulated days times the factor that the log shows.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from forecast.ahead import rules
from forecast.ahead.standing import Climbing, Plan, Standing
from forecast.growth import Coming, SharedDraws, Walker, simulate_days
from forecast.histories import Histories, first_gap_table
from forecast.types import WEEK, Array, Ints


@dataclass(frozen=True, slots=True)
class Settings:
    """How to walk: paths shared over draws of the constants, and the days to look ahead."""

    paths: int
    draws: int
    seed: int
    most_days: int


@dataclass(frozen=True, slots=True)
class Rhythm:
    """Factors on ordinary gaps, ``scale`` (A, R or 1), and on gain, ``gain`` (A, R or 1, P)."""

    scale: Array
    gain: Array

    def on(self, rung: int, who: Ints) -> tuple[Array, Array]:
        """Return the factor on gaps (T,) and on gain (T, P) of athletes ``who`` on a rung."""
        scale, gain = self.scale, self.gain
        return scale[who, rung % scale.shape[1]], gain[who, rung % gain.shape[1]]


def scaled_gaps(table: Array, scale: Array) -> Array:
    """Return gap tables (T, G) with ordinary gaps times ``scale`` (T,), a day at least; (T, 8 G).

    Layoffs stay as long and come as often *a week*: with half the days between sessions each is
    followed by one half as often, or more sessions would bring more layoffs.
    """
    if (scale == 1.0).all():
        return table
    scale = scale[:, None]
    layoff = table > rules.LAYOFF_DAYS
    moved = np.where(layoff, table, np.maximum(table * scale, 1.0))
    share = np.cumsum(np.where(layoff, scale, 1.0), axis=1)
    share /= share[:, -1:]
    size = rules.FINER * table.shape[1]
    levels = (np.arange(size) + 0.5) / size
    place = np.array([np.searchsorted(row, levels) for row in share], dtype=np.int64)
    return np.take_along_axis(moved, place.reshape(len(table), size), axis=1)


def scaled_first_gaps(table: Array, wait: Array, scale: Array) -> Array:
    """Return days from the last session to the next at another rhythm, (T, G).

    The ``wait`` (T,) so far was at the usual rhythm, which alone says whether it is a layoff. Only
    what is left of an ordinary gap is scaled.
    """
    waited = wait[:, None]
    scaled = waited + (table - waited) * scale[:, None]
    return np.where(table <= rules.LAYOFF_DAYS, scaled, table)


@dataclass(frozen=True, slots=True)
class Ground:
    """Everything a walk starts from; ``cut`` is a day number.

    ``margin`` at clearing, less the usual one, and ``own_pace`` by row of ``histories.spells``.
    """

    histories: Histories
    climbing: Climbing
    standing: Standing
    plan: Plan
    walker: Walker
    cut: int
    margin: Array
    own_pace: Array


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
        stretch = np.clip(moved / max(last, 1.0), *rules.STRETCH_RANGE)
        return np.asarray(np.where(days > last, moved + (days - last) * stretch, inside))


def match_quantiles(days: Array, chance: Array, at: Array) -> TimeMap:
    """Return the map that gives simulated times ``days`` (P,) a recalibrated distribution.

    ``chance`` (W,) of having cleared by days ``at`` (W,), rising from 0. Where too few paths fall
    within them times are left as they are.
    """
    q = (np.arange(len(days)) + 0.5) / len(days)
    both = q <= chance[-1]
    if both.sum() < rules.LEAST_MASS * len(days):
        return TimeMap(np.empty(0), np.empty(0))
    # Times at which the chance reaches q, straight between the given times.
    place = np.clip(np.searchsorted(chance, q[both], side="left"), 1, len(at) - 1)
    low, high = chance[place - 1], chance[place]
    share = np.clip((q[both] - low) / np.maximum(high - low, 1e-12), 0.0, 1.0)
    after = at[place - 1] + share * (at[place] - at[place - 1])
    before = np.sort(days)[: both.sum() + 1]
    if len(before) > len(after):  # the first path beyond the forecast clears after its end
        after = np.append(after, at[-1] + 1.0)
    return TimeMap(before, after)


@dataclass(frozen=True, slots=True)
class Walk:
    """How A athletes went up R rungs on P paths, (A, R, P); NaN where a rung was not climbed.

    ``climbing`` days from the cut where under way, else from the first session; ``delay`` days to
    that from the rung being open, or from the cut where it was open before, 0 where under way;
    ``cleared`` days from the cut, 0 or less for rungs behind, past ``most_days`` only an order;
    ``start_level, start_gain`` latent level over the mark and gain a week at the last session known
    or the first to come, ``end_level`` at the last one simulated; ``margin, own_pace`` are carried
    to the next rung. (A, R): ``first`` chance that the next session meets, ``middle`` of the logs
    of simulated days. ``maps``, by (athlete place, rung): the recalibration of its times.
    """

    climbing: Array
    delay: Array
    cleared: Array
    start_level: Array
    start_gain: Array
    end_level: Array
    margin: Array
    own_pace: Array
    first: Array
    middle: Array
    maps: dict[tuple[int, int], TimeMap]


Pooled = dict[tuple[int, int], Array]


@dataclass(frozen=True, slots=True)
class _Going:
    """A walk under way, as asked for.

    ``open_at`` (A, R): places of rungs under way in ``shared`` (-1: none); ``slope`` (P, 2): what
    margin and own pace carry over.
    """

    ground: Ground
    settings: Settings
    shared: SharedDraws
    open_at: Ints
    slope: Array
    rhythm: Rhythm
    pooled: Pooled
    like: Walk | None
    walked: Walk


def walk(
    ground: Ground, settings: Settings, *, pooled: Pooled | None = None,
    rhythm: Rhythm | None = None, like: Walk | None = None, only: int | None = None,
) -> Walk:  # fmt: skip
    """Simulate all rungs still ahead of every athlete, or of those on one ``only`` that rung.

    ``pooled`` are chances by week 0, 1, ... of open rungs by (athlete place, rung), which their
    times are matched to. For another ``rhythm``, ``like`` is the walk whose recalibrations hold.
    """
    standing, paths = ground.standing, settings.paths
    who, rung = np.nonzero(standing.under_way)
    order = np.argsort(standing.spell[who, rung], kind="stable")
    open_at = np.full(standing.behind.shape, -1, dtype=np.int64)
    open_at[who[order], rung[order]] = np.arange(len(order))
    shared = ground.walker.draw(
        standing.spell[who, rung][order], paths=paths, draws=settings.draws, seed=settings.seed
    )
    normal = np.random.default_rng([settings.seed, 4]).standard_normal((paths, 2))
    climbing = ground.climbing
    slope = climbing.carry_mean + normal @ np.linalg.cholesky(climbing.carry_cov).T
    usual = Rhythm(np.ones((len(open_at), 1)), np.ones((len(open_at), 1, paths)))
    going = _Going(
        ground, settings, shared, open_at, slope, rhythm or usual, pooled or {}, like,
        _set_out(ground, paths),
    )  # fmt: skip
    for number in np.flatnonzero(standing.under_way.any(axis=0)) if only is None else [only]:
        _climb(going, int(number), np.flatnonzero(standing.under_way[:, number]), begun=True)
    later = standing.ahead & ~standing.under_way
    for number in np.flatnonzero(later.any(axis=0)) if only is None else []:
        _climb(going, int(number), np.flatnonzero(later[:, number]), begun=False)
    return going.walked


def _set_out(ground: Ground, paths: int) -> Walk:
    """What is behind each athlete, the same on every path, and nothing climbed yet."""
    standing = ground.standing
    cleared = np.where(standing.behind, standing.cleared_day, np.nan)
    # What no log shows was behind the athlete when the log began.
    cleared = np.where(standing.behind & np.isnan(cleared), standing.since[:, None], cleared)
    logged = standing.behind & (standing.spell >= 0)
    margin = np.where(logged, ground.margin[standing.spell], 0.0)
    own_pace = np.where(logged, ground.own_pace[standing.spell], 0.0)
    cleared, margin, own_pace = (
        np.repeat(a[:, :, None], paths, axis=2) for a in (cleared, margin, own_pace)
    )
    climbing, delay, start_level, start_gain, end_level = np.full((5, *cleared.shape), np.nan)
    first, middle = np.full((2, *cleared.shape[:2]), np.nan)
    return Walk(
        climbing, delay, cleared, start_level, start_gain, end_level, margin, own_pace, first,
        middle, {},
    )  # fmt: skip


def _climb(going: _Going, rung: int, who: Ints, *, begun: bool) -> None:
    """Climb one rung that athletes ``who`` are all on, or have all yet to begin."""
    ground, settings, walked = going.ground, going.settings, going.walked
    scale, faster = going.rhythm.on(rung, who)
    if begun:
        opening, delay = np.zeros((2, len(who), settings.paths))
        spell, confirm = (
            ground.standing.spell[who, rung],
            np.full(len(who), ground.plan.confirm[rung]),
        )
        run = ground.histories.spells["run"].to_numpy(dtype=np.int64)[spell]
        usual = ground.walker.under_way(spell, ground.cut, confirm, run)
        first = scaled_first_gaps(usual.first_gaps, usual.wait, scale)
        coming = replace(usual, gaps=scaled_gaps(usual.gaps, scale), first_gaps=first)
        state = going.shared.open_state[going.open_at[who, rung]]
    else:
        ready, last = _ready(ground.plan, ground.standing, walked.cleared, rung, who)
        opening, delay = np.maximum(ready, 0.0), _delays(going, rung, ready)
        coming, state = _not_begun(going, rung, who, last, opening + delay, scale)
    state = state.transpose(2, 0, 1).copy()
    state[1:] *= faster
    seed = [settings.seed, 5, rung]
    climb = simulate_days(coming, state, going.shared.laws, most_days=settings.most_days, seed=seed)
    days, climbing = climb.days, ground.climbing
    if not begun:  # the simulated days times the log's factor
        logs = np.log1p(days)
        middle = np.median(logs, axis=1) if going.like is None else going.like.middle[who, rung]
        walked.middle[who, rung] = middle
        z = np.random.default_rng([settings.seed, 11]).standard_normal(settings.paths)
        drawn = middle[:, None] + rules.NARROWER * (logs - middle[:, None])
        drawn += climbing.factor + climbing.factor_sd * z
        days = np.expm1(np.clip(drawn, 0.0, 12.0))
    delay, days = _as_pooled(going, rung, who, opening, delay, (climb.days, days))
    above = climb.level - coming.threshold[:, None]
    walked.climbing[who, rung], walked.delay[who, rung] = days, delay
    walked.cleared[who, rung] = opening + delay + days
    walked.start_level[who, rung] = state[0] - coming.threshold[:, None]
    walked.start_gain[who, rung] = state[1] + state[2]
    walked.end_level[who, rung], walked.first[who, rung] = above, climb.first
    really = climb.days <= settings.most_days
    walked.margin[who, rung] = np.where(really, above - climbing.margin, 0.0)
    effect = going.shared.rung[:, rung, 2] + going.shared.athlete[who, :, 2]
    walked.own_pace[who, rung] = state[2] / faster - effect


def _ready(
    plan: Plan, standing: Standing, cleared: Array, rung: int, who: Ints
) -> tuple[Array, Ints]:
    """(T, P) day the rung is open, ``min_weeks`` served, and the need cleared last (-1: none)."""
    needs = list(plan.needs[rung])
    if not needs:
        shape = (len(who), cleared.shape[2])
        return np.broadcast_to(standing.since[who][:, None], shape), np.full(shape, -1)
    done = cleared[who][:, needs]
    ready = (done + plan.min_days[needs][None, :, None]).max(axis=1)
    return ready, np.asarray(needs)[done.argmax(axis=1)]


def _delays(going: _Going, rung: int, ready: Array) -> Array:
    """(T, P) days until the first session, from the rung being open or from the cut."""
    ground, absences = going.ground, going.ground.walker.tracked.model.rhythm.absences
    table = np.tile(ground.climbing.delays, (len(ready), 1))
    elapsed = np.maximum(-ready[:, 0], 0.0)  # the same on every path where it is in the past
    table = first_gap_table(table, elapsed, absences, float(ground.cut)) - elapsed[:, None]
    rng = np.random.default_rng([going.settings.seed, 7, rung])
    return table[:, rng.integers(0, table.shape[1], ready.shape[1])]


def _not_begun(
    going: _Going, rung: int, who: Ints, last: Ints, begins: Array, scale: Array
) -> tuple[Coming, Array]:
    """Where athletes stand on a rung that begins then, ``last`` (T, P) cleared before."""
    ground, shared, walked = going.ground, going.shared, going.walked
    state = shared.rung[:, rung] + shared.athlete[who] + shared.own[rung]
    path = np.arange(last.shape[1])
    for entry, column, carried in ((0, 0, walked.margin), (2, 1, walked.own_pace)):
        before = carried[who[:, None], last, path]
        state[:, :, entry] += going.slope[:, column] * np.where(last >= 0, before, 0.0)
    gaps = scaled_gaps(ground.walker.gaps[who], scale)
    confirm = np.full(len(who), ground.plan.confirm[rung])
    return ground.walker.untried(who, rung, gaps, confirm, ground.cut + begins), state


def _as_pooled(
    going: _Going, rung: int, who: Ints, opening: Array, delay: Array, days: tuple[Array, Array]
) -> tuple[Array, Array]:
    """(T, P) delays and days, simulated and otherwise, matched to the forecast if there is one."""
    # Simulated days are whole: within a day the paths' order is drawn, or ties would be matched
    # to one point of the forecast.
    order = np.random.default_rng([going.settings.seed, 10, rung]).random(delay.shape[1])
    (simulated, climbing), delay, maps = days, delay.copy(), going.walked.maps
    climbing = climbing.copy()
    for row, athlete in enumerate(who):
        key = (int(athlete), rung)
        if key not in going.pooled:
            continue
        whole = opening[row] + delay[row] + simulated[row] - order
        if going.like is not None:
            maps[key] = going.like.maps[key]
        else:
            at = np.arange(0.0, WEEK * len(going.pooled[key]), WEEK)
            maps[key] = match_quantiles(whole, going.pooled[key], at)
        left = np.maximum(maps[key].apply(whole) - opening[row], 0.0)
        share = delay[row] / np.maximum(delay[row] + simulated[row], 1.0)
        delay[row], climbing[row] = left * share, left * (1.0 - share)
    return delay, climbing


def chain(plan: Plan, standing: Standing, walked: Walk, quicker: Array) -> Array:
    """Return clearing days (A, R, P) had every rung been climbed ``quicker`` (A,) times as fast."""
    cleared = walked.cleared.copy()
    for rung in range(plan.n_rungs):
        who = np.flatnonzero(standing.ahead[:, rung])
        ready, _ = _ready(plan, standing, cleared, rung, who)
        begun = standing.under_way[who, rung][:, None]
        opening = np.where(begun, 0.0, np.maximum(ready, 0.0))
        climbing = walked.climbing[who, rung] / quicker[who][:, None]
        cleared[who, rung] = opening + walked.delay[who, rung] + climbing
    return cleared
