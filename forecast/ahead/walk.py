"""How long each path takes on a rung: open rungs as forecast, others as the log's times say.

A map of times keeps the order of the paths: the path with the q-th quantile of the simulated time
gets the q-th quantile of the recalibrated time, so what the paths share stays shared.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from forecast.ahead.ground import Ground, Settings
from forecast.ahead.learning import (
    PATHS,
    Beginnings,
    athlete_effects,
    middle_days,
    new_grace,
    order_left,
    rung_days,
)
from forecast.ahead.standing import Plan, Rhythm, Standing, usual_rhythm
from forecast.growth import (
    Climb,
    Coming,
    Habits,
    SharedDraws,
    draw_shared,
    simulate_days,
    targets_at,
)
from forecast.histories import first_gap_table
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


def walk(
    ground: Ground,
    settings: Settings,
    *,
    pooled: dict[tuple[int, int], Array] | None = None,
    rhythm: Rhythm | None = None,
    like: Walk | None = None,
) -> Walk:
    """Simulate all rungs still ahead of every athlete.

    ``pooled`` are chances by week 0, 1, ... of open rungs by (athlete place, rung), which their
    simulated times are matched to. For another ``rhythm`` than the athletes' own, ``like`` is the
    walk at theirs: its recalibrations hold, and so does what it made of the athletes, for a rung
    in hand that goes sooner because of more sessions makes nobody a quicker learner.
    """
    going, standing = _set_out(ground, settings, pooled or {}, rhythm, like), ground.standing
    so_far, steps = _behind(ground, settings.paths), []
    for number in np.flatnonzero(standing.under_way.any(axis=0)):
        mine = np.flatnonzero(standing.under_way[:, number])
        steps.append(_one_rung(going, so_far, None, int(number), mine))
    so_far = so_far.after(*steps)
    tempo = athletes_tempo(going, so_far.cleared) if like is None else like.tempo
    timing = Timing(tempo, engines_middle(going))
    later = standing.ahead & ~standing.under_way
    for number in np.flatnonzero(later.any(axis=0)):
        mine = np.flatnonzero(later[:, number])
        steps.append(_one_rung(going, so_far, timing, int(number), mine))
        so_far = so_far.after(steps[-1])
    return _joined(so_far, timing, steps)


@dataclass(frozen=True, slots=True)
class SoFar:
    """What is carried from rung to rung, each (A, R, P): of rungs behind, then of those climbed.

    ``cleared`` as in ``Walk``; ``margin`` is the end level less the usual margin where cleared,
    ``own_pace`` the pace beyond rung and athlete.
    """

    cleared: Array
    margin: Array
    own_pace: Array

    def after(self, *steps: Step) -> SoFar:
        """Return the same after some steps."""
        parts = {part.name: getattr(self, part.name).copy() for part in fields(self)}
        for step in steps:
            for name, values in parts.items():
                values[step.who, step.rung] = getattr(step, name)
        return SoFar(**parts)


@dataclass(frozen=True, slots=True)
class Step(Climbed):
    """How T athletes ``who`` climbed one rung, with what ``SoFar`` carries of it, (T, P)."""

    rung: int
    who: Ints
    margin: Array
    own_pace: Array


def _joined(so_far: SoFar, timing: Timing, steps: list[Step]) -> Walk:
    """Lay the steps out by athlete and rung."""
    parts: dict[str, Any] = {"cleared": so_far.cleared, "maps": {}}
    laid_out = {part.name for part in fields(Climbed)} - parts.keys()
    for name in laid_out - {"first"}:
        parts[name] = np.full(so_far.cleared.shape, np.nan)
    parts["first"] = np.full(so_far.cleared.shape[:2], np.nan)
    for step in steps:
        parts["maps"] |= step.maps
        for name in laid_out:
            parts[name][step.who, step.rung] = getattr(step, name)
    return Walk(**parts, tempo=timing.tempo, middle=timing.middle)


def climb_one(
    ground: Ground,
    settings: Settings,
    rung: int,
    *,
    pooled: dict[tuple[int, int], Array],
    like: Walk | None = None,
) -> Walk:
    """Simulate one rung alone for those under way on it; arguments as for ``walk``."""
    going, so_far = _set_out(ground, settings, pooled, None, like), _behind(ground, settings.paths)
    mine = np.flatnonzero(ground.standing.under_way[:, rung])
    step = _one_rung(going, so_far, None, rung, mine)
    none_to_come = Timing(np.empty((0, 0)), np.empty((0, 0, 0)))
    return _joined(so_far.after(step), none_to_come, [step])


def _set_out(
    ground: Ground,
    settings: Settings,
    pooled: dict[tuple[int, int], Array],
    rhythm: Rhythm | None,
    like: Walk | None,
) -> Going:
    """A walk with no rung climbed yet."""
    standing = ground.standing
    who, rung = np.nonzero(standing.under_way)
    spells = standing.spell[who, rung]
    order = np.argsort(spells, kind="stable")
    open_at = np.full(standing.behind.shape, -1, dtype=np.int64)
    open_at[who[order], rung[order]] = np.arange(len(order))
    shared = draw_shared(
        ground.tracked, standing.athletes, spells[order],
        paths=settings.paths, draws=settings.draws, seed=settings.seed,
    )  # fmt: skip
    normal = np.random.default_rng([settings.seed, 4]).standard_normal((settings.paths, 2))
    climbing = ground.climbing
    slope = climbing.carry_mean + normal @ np.linalg.cholesky(climbing.carry_cov).T
    return Going(
        ground, settings, shared, open_at,
        rhythm or usual_rhythm(len(standing.athletes), settings.paths), pooled, like, slope,
    )  # fmt: skip


def _behind(ground: Ground, paths: int) -> SoFar:
    """What is behind each athlete, the same on every path."""
    standing = ground.standing
    known = np.where(standing.behind, standing.cleared_day, np.nan)
    # What no log shows was behind the athlete when the log began.
    known = np.where(standing.behind & np.isnan(known), standing.since[:, None], known)
    logged = standing.behind & (standing.spell >= 0)
    margin = np.where(logged, ground.margin[standing.spell], 0.0)
    own_pace = np.where(logged, ground.own_pace[standing.spell], 0.0)
    return SoFar(*(np.repeat(a[:, :, None], paths, axis=2) for a in (known, margin, own_pace)))


def _one_rung(going: Going, so_far: SoFar, timing: Timing | None, rung: int, who: Ints) -> Step:
    """Climb one rung that these athletes are all on, or, with ``timing``, have all yet to begin."""
    settings = going.settings
    ready, last = _ready(going.ground.plan, going.ground.standing, so_far.cleared, rung, who)
    if timing is None:
        delay, opening = np.zeros(ready.shape), np.zeros(ready.shape)
        starts, state = _under_way(going, rung, who)
    else:
        delay, opening = _delays(going, rung, ready), np.maximum(ready, 0.0)
        starts, state = _starts(going, so_far, rung, who, last, opening + delay)
    state = state.transpose(2, 0, 1).copy()
    state[1:] *= going.rhythm.gain[who]
    seed = [settings.seed, 5, rung]
    found = simulate_days(starts, state, going.shared.laws, most_days=settings.most_days, seed=seed)
    delay, days, maps = recalibrated(going, timing, rung, who, found, opening, delay)
    if settings.independent:
        days = days[:, np.random.default_rng([*seed, 6]).permutation(settings.paths)]
    margin = found.level - starts.threshold[:, None]
    really = found.days <= settings.most_days
    effect = going.shared.rung[:, rung, 2] + going.shared.athlete[who, :, 2]
    return Step(
        rung=rung,
        who=who,
        climbing=days,
        delay=delay,
        cleared=opening + delay + days,
        start_level=state[0] - starts.threshold[:, None],
        start_gain=state[1] + state[2],
        end_level=margin,
        first=found.first,
        margin=np.where(really, margin - going.ground.climbing.margin, 0.0),
        own_pace=state[2] / going.rhythm.gain[who] - effect,
        maps=maps,
    )


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


def _starts(
    going: Going, so_far: SoFar, rung: int, who: Ints, last: Ints, begins: Array
) -> tuple[Coming, Array]:
    """Where these athletes stand on a rung not begun, as drawn, and its sessions to come.

    ``begins`` (T, P): days from the cut to the first session.
    """
    ground, shared = going.ground, going.shared
    state = shared.rung[:, rung] + shared.athlete[who] + shared.own[rung]
    path = np.arange(last.shape[1])
    for part, column, carried in ((0, 0, so_far.margin), (2, 1, so_far.own_pace)):
        before = carried[who[:, None], last, path]
        state[:, :, part] += going.slope[:, column] * np.where(last >= 0, before, 0.0)
    none, habits = np.zeros(len(who)), ground.habits
    gaps = going.rhythm.gaps(ground.gaps[who], who)
    coming = Coming(
        threshold=np.full(len(who), ground.threshold[rung]),
        measure=np.full(len(who), ground.measure[rung]), grace=new_grace(gaps),
        confirm=np.full(len(who), ground.plan.confirm[rung]), run=none.astype(np.int64),
        wait=none, gaps=gaps, first_gaps=gaps, untried=True, origin=ground.cut + begins,
        scatter=ground.scatter[who],
        habits=Habits(
            habits.intercept[who], habits.slope, habits.sets[who], np.asarray(habits.spread)[who]
        ),
    )  # fmt: skip
    return coming, state


def _under_way(going: Going, rung: int, who: Ints) -> tuple[Coming, Array]:
    """Where these athletes stand on the rung in hand, as filtered, and its sessions to come."""
    ground, tracked, rhythm = going.ground, going.ground.tracked, going.rhythm
    spell = ground.standing.spell[who, rung]
    at = tracked.panel.last[spell]
    wait = (ground.cut - tracked.panel.day[at]).astype(float)
    run = ground.histories.spells["run"].to_numpy(dtype=np.int64)[spell]
    confirm = np.full(len(who), ground.plan.confirm[rung])
    usual = targets_at(tracked, at, wait, confirm, run)
    coming = replace(
        usual,
        gaps=rhythm.gaps(usual.gaps, who),
        first_gaps=rhythm.first_gaps(usual.first_gaps, wait, who),
    )
    return coming, going.shared.open_state[going.open_at[who, rung]]


def _delays(going: Going, rung: int, ready: Array) -> Array:
    """(T, P) days until the first session, from the rung being open or from the cut."""
    table = np.tile(going.ground.climbing.delays, (len(ready), 1))
    elapsed = np.maximum(-ready[:, 0], 0.0)  # the same on every path where it is in the past
    absences = going.ground.model.rhythm.absences
    table = first_gap_table(table, elapsed, absences, float(going.ground.cut)) - elapsed[:, None]
    rng = np.random.default_rng([going.settings.seed, 7, rung])
    return table[:, rng.integers(0, table.shape[1], ready.shape[1])]


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
