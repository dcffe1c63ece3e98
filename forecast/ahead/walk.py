"""A walk up the ladder: how long each path takes on a rung, and when the next one opens.

Open rungs read as forecast. A map of times keeps the order of the paths: the path with the q-th
quantile of the simulated time gets the q-th quantile of the recalibrated time, so what the paths
share stays shared. Rungs not begun take the simulated days times the factor that the log shows.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from forecast.ahead.learning import Climbing, carry_regressors
from forecast.ahead.standing import (
    Plan,
    Rhythm,
    Standing,
    ladder_plan,
    scaled_first_gaps,
    scaled_gaps,
)
from forecast.growth import Coming, SharedDraws, Tracked, Walker, simulate_days, walker_of
from forecast.histories import Histories, day_number, first_gap_table
from forecast.types import Array, Ints

LEAST_MASS = 0.05
"""Share of paths within the forecast below which there is nothing to match times to."""
STRETCH_RANGE = (0.5, 2.0)
"""Beyond what was recalibrated, times go on being stretched, by no more than this."""
NARROWER = 0.9
"""Times of rungs not begun are drawn toward their middle, as a log: a few paths of little pace
make the simulated ones too wide (measured: docs/method/ladder-ahead.md)."""


@dataclass(frozen=True, slots=True)
class Settings:
    """How to walk: paths shared over draws of the constants, and the days to look ahead.

    With ``independent`` each rung takes its times from another path: for comparison only.
    """

    paths: int
    draws: int
    seed: int
    most_days: int
    independent: bool = False


@dataclass(frozen=True, slots=True)
class Ground:
    """Everything a walk starts from; ``cut`` is the day number of the cut.

    ``margin``, ``own_pace``: by row of ``histories.spells``, margin at clearing less the usual one,
    and own pace.
    """

    histories: Histories
    climbing: Climbing
    standing: Standing
    plan: Plan
    walker: Walker
    cut: int
    margin: Array
    own_pace: Array


def survey(
    tracked: Tracked, histories: Histories, climbing: Climbing, standing: Standing
) -> Ground:
    """Gather what is known of the athletes in ``standing``."""
    margin, own_pace = carry_regressors(tracked, histories)
    return Ground(
        histories=histories,
        climbing=climbing,
        standing=standing,
        plan=ladder_plan(histories.ladder),
        walker=walker_of(tracked, standing.athletes, histories.ladder),
        cut=int(day_number(pd.Series([histories.as_of]))[0]),
        margin=np.nan_to_num(margin - climbing.margin),
        own_pace=own_pace,
    )


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
        stretch = np.clip(moved / max(last, 1.0), *STRETCH_RANGE)
        return np.asarray(np.where(days > last, moved + (days - last) * stretch, inside))


def match_quantiles(days: Array, chance: Array, at: Array) -> TimeMap:
    """Return the map that gives simulated times ``days`` (P,) a recalibrated distribution.

    ``chance`` (W,) is the chance of having cleared by each of the days ``at`` (W,), which rise from
    0. Where too few paths fall within them times are left as they are.
    """
    q = (np.arange(len(days)) + 0.5) / len(days)
    both = q <= chance[-1]
    if both.sum() < LEAST_MASS * len(days):
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
    """How A athletes went up R rungs on P paths; NaN where a rung was not climbed.

    Attributes
    ----------
    climbing
        (A, R, P) days on the rung: from the cut where under way, else from the first session.
    delay
        (A, R, P) days to the first session from the rung being open, or from the cut where it was
        open before; 0 where under way.
    cleared
        (A, R, P) days from the cut to clearing, 0 or less for rungs behind; past ``most_days`` only
        an order.
    start_level, start_gain, end_level
        (A, R, P) latent level over the pass mark and gain a week, at the last session known or the
        first to come; level over the mark at the last session simulated.
    margin, own_pace
        (A, R, P) what is carried to the next rung: end level less the usual margin where cleared,
        and the pace beyond rung and athlete.
    first
        (A, R) chance that the next session meets the criterion.
    middle
        (A, R) middle of the logs of simulated days, of rungs not begun.
    maps
        By (athlete place, rung): the recalibration of its times.
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
class Going:
    """A walk under way.

    ``open_at`` (A, R) is the place of each rung under way among those of ``shared``, -1 for none;
    ``slope`` (P, 2) what margin and own pace carry over; the others as given to ``walk``.
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

    @property
    def size(self) -> int:
        """Number of paths P."""
        return self.settings.paths


def walk(
    ground: Ground,
    settings: Settings,
    *,
    pooled: Pooled | None = None,
    rhythm: Rhythm | None = None,
    like: Walk | None = None,
    only: int | None = None,
) -> Walk:
    """Simulate all rungs still ahead of every athlete.

    ``pooled`` are chances by week 0, 1, ... of open rungs by (athlete place, rung), which their
    simulated times are matched to. For another ``rhythm`` than the athletes' own, ``like`` is the
    walk at theirs: its recalibrations hold. ``only``: this rung alone, of those under way on it.
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
    going = Going(
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
    first, middle = np.full((2, *standing.behind.shape), np.nan)
    return Walk(
        climbing, delay, cleared, start_level, start_gain, end_level, margin, own_pace, first,
        middle, {},
    )  # fmt: skip


def _climb(going: Going, rung: int, who: Ints, *, begun: bool) -> None:
    """Climb one rung that athletes ``who`` are all on, or have all yet to begin."""
    settings, walked, climbing = going.settings, going.walked, going.ground.climbing
    scale, faster = going.rhythm.on(rung, who)
    if begun:
        opening, delay = np.zeros((2, len(who), going.size))
        coming, state = _under_way(going, rung, who, scale)
    else:
        ready, last = _ready(going.ground.plan, going.ground.standing, walked.cleared, rung, who)
        opening, delay = np.maximum(ready, 0.0), _delays(going, rung, ready)
        coming, state = _not_begun(going, rung, who, last, opening + delay, scale)
    state = state.transpose(2, 0, 1).copy()
    state[1:] *= faster
    seed = [settings.seed, 5, rung]
    climb = simulate_days(coming, state, going.shared.laws, most_days=settings.most_days, seed=seed)
    days = climb.days if begun else _by_the_log(going, rung, who, climb.days)
    delay, days = _as_pooled(going, rung, who, opening, delay, (climb.days, days))
    if settings.independent:
        days = days[:, np.random.default_rng([*seed, 6]).permutation(going.size)]
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


def _delays(going: Going, rung: int, ready: Array) -> Array:
    """(T, P) days until the first session, from the rung being open or from the cut."""
    ground = going.ground
    table = np.tile(ground.climbing.delays, (len(ready), 1))
    elapsed = np.maximum(-ready[:, 0], 0.0)  # the same on every path where it is in the past
    absences = ground.walker.tracked.model.rhythm.absences
    table = first_gap_table(table, elapsed, absences, float(ground.cut)) - elapsed[:, None]
    rng = np.random.default_rng([going.settings.seed, 7, rung])
    return table[:, rng.integers(0, table.shape[1], ready.shape[1])]


def _not_begun(
    going: Going, rung: int, who: Ints, last: Ints, begins: Array, scale: Array
) -> tuple[Coming, Array]:
    """Where these athletes stand on a rung not begun, as drawn, and its sessions to come.

    ``last`` (T, P) the need cleared last; ``begins`` days from the cut to the first session.
    """
    ground, shared, walked = going.ground, going.shared, going.walked
    state = shared.rung[:, rung] + shared.athlete[who] + shared.own[rung]
    path = np.arange(last.shape[1])
    for entry, column, carried in ((0, 0, walked.margin), (2, 1, walked.own_pace)):
        before = carried[who[:, None], last, path]
        state[:, :, entry] += going.slope[:, column] * np.where(last >= 0, before, 0.0)
    gaps = scaled_gaps(ground.walker.gaps[who], scale)
    confirm = np.full(len(who), ground.plan.confirm[rung])
    return ground.walker.untried(who, rung, gaps, confirm, ground.cut + begins), state


def _under_way(going: Going, rung: int, who: Ints, scale: Array) -> tuple[Coming, Array]:
    """Where these athletes stand on the rung in hand, as filtered, and its sessions to come."""
    ground = going.ground
    spell = ground.standing.spell[who, rung]
    run = ground.histories.spells["run"].to_numpy(dtype=np.int64)[spell]
    confirm = np.full(len(who), ground.plan.confirm[rung])
    usual = ground.walker.under_way(spell, ground.cut, confirm, run)
    coming = replace(
        usual,
        gaps=scaled_gaps(usual.gaps, scale),
        first_gaps=scaled_first_gaps(usual.first_gaps, usual.wait, scale),
    )
    return coming, going.shared.open_state[going.open_at[who, rung]]


def _by_the_log(going: Going, rung: int, who: Ints, simulated: Array) -> Array:
    """(T, P) climbing times of a rung not begun: the simulated ones times the log's factor."""
    logs, climbing = np.log1p(simulated), going.ground.climbing
    middle = np.median(logs, axis=1) if going.like is None else going.like.middle[who, rung]
    going.walked.middle[who, rung] = middle
    z = np.random.default_rng([going.settings.seed, 11]).standard_normal(going.size)
    drawn = middle[:, None] + NARROWER * (logs - middle[:, None])
    drawn += climbing.factor + climbing.factor_sd * z
    return np.asarray(np.expm1(np.clip(drawn, 0.0, 12.0)))


def _as_pooled(
    going: Going, rung: int, who: Ints, opening: Array, delay: Array, days: tuple[Array, Array]
) -> tuple[Array, Array]:
    """(T, P) delays and climbing times, those of rungs forecast already matched to the forecast.

    ``days``: as simulated, and as they stand where nothing was forecast.
    """
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
            at = np.arange(0.0, 7.0 * len(going.pooled[key]), 7.0)
            maps[key] = match_quantiles(whole, going.pooled[key], at)
        left = np.maximum(maps[key].apply(whole) - opening[row], 0.0)
        share = delay[row] / np.maximum(delay[row] + simulated[row], 1.0)
        delay[row], climbing[row] = left * share, left * (1.0 - share)
    return delay, climbing


def chain(plan: Plan, standing: Standing, walked: Walk, quicker: Array) -> Array:
    """Return clearing days (A, R, P) had every rung been climbed ``quicker`` (A,) times as fast.

    Delays and consolidation periods stay as they are.
    """
    cleared = walked.cleared.copy()
    for rung in range(plan.n_rungs):
        who = np.flatnonzero(standing.ahead[:, rung])
        ready, _ = _ready(plan, standing, cleared, rung, who)
        begun = standing.under_way[who, rung][:, None]
        opening = np.where(begun, 0.0, np.maximum(ready, 0.0))
        climbing = walked.climbing[who, rung] / quicker[who][:, None]
        cleared[who, rung] = opening + walked.delay[who, rung] + climbing
    return cleared
