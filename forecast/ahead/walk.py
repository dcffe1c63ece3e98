"""The walk up the ladder: rung after rung on the same paths, branches side by side."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from forecast.ahead.duration import (
    Climbed,
    Going,
    Timing,
    Walk,
    athletes_tempo,
    engines_middle,
    recalibrated,
)
from forecast.ahead.ground import Ground, Settings, draw_shared
from forecast.ahead.standing import Plan, Rhythm, Standing, usual_rhythm
from forecast.ahead.times import new_grace
from forecast.growth import (
    Coming,
    Habits,
    athlete_habits,
    lost_levels,
    meeting_shift,
    recent_gaps,
    simulate_days,
)
from forecast.histories import first_gap_table, gap_table
from forecast.types import Array, Flags, Ints


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
    return Going(
        ground, settings, draw_shared(ground, settings, spells[order]), open_at,
        rhythm or usual_rhythm(len(standing.athletes), settings.paths),
        pooled, like, _carry_draws(ground, settings),
    )  # fmt: skip


def _carry_draws(ground: Ground, settings: Settings) -> Array:
    """(P, 2) draws of what margin and own pace carry over."""
    rng = np.random.default_rng([settings.seed, 4])
    root = np.linalg.cholesky(ground.climbing.carry_cov)
    return np.asarray(
        ground.climbing.carry_mean + rng.standard_normal((settings.paths, 2)) @ root.T
    )


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
    begun = going.open_at[who, rung] >= 0
    delay = _delays(going, rung, who, ready, begun)
    opening = np.where(begun[:, None], 0.0, np.maximum(ready, 0.0))
    starts, state = _starts(going, so_far, rung, who, last, opening + delay)
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
    going: Going, so_far: SoFar, rung: int, who: Ints, last: Ints, first_day: Array
) -> tuple[Coming, Array]:
    """Where everybody stands on the rung: under way as filtered, else as drawn.

    ``first_day`` (T, P): days from the cut to the first session; 0 where under way.
    """
    ground, shared = going.ground, going.shared
    place = going.open_at[who, rung]
    begun = place >= 0
    state = shared.rung[:, rung] + shared.athlete[who] + shared.own[rung]
    path = np.arange(last.shape[1])
    known = last >= 0
    for part, column, carried in ((0, 0, so_far.margin), (2, 1, so_far.own_pace)):
        before = carried[who[:, None], last, path]
        state[:, :, part] += going.slope[:, column] * np.where(known, before, 0.0)
    state[begun] = shared.open_state[place[begun]]
    gain = going.rhythm.gain[who]
    facts, habits = _rung_facts(ground, rung, who, begun)
    wait, usual = facts["wait"], facts.pop("gaps")
    gaps = going.rhythm.gaps(usual, who)
    absences = ground.model.rhythm.absences
    first_gaps = first_gap_table(np.sort(usual, axis=1), wait, absences, float(ground.cut))
    state = state.transpose(2, 0, 1).copy()
    state[1:] *= gain
    coming = Coming(
        measure=np.full(len(who), ground.measure[rung]),
        grace=np.where(begun, facts.pop("grace"), new_grace(gaps)),
        confirm=np.full(len(who), ground.plan.confirm[rung]), untried=~begun,
        origin=ground.cut + first_day, scatter=ground.scatter[who], gaps=gaps,
        first_gaps=going.rhythm.first_gaps(first_gaps, wait, who), habits=habits, **facts,
    )  # fmt: skip
    return coming, state


def _rung_facts(
    ground: Ground, rung: int, who: Ints, begun: Flags
) -> tuple[dict[str, Any], Habits]:
    """Parts of ``Starts``: of the spell under way, else of the athlete lately."""
    people = len(who)
    facts: dict[str, Any] = {
        name: np.zeros(people) for name in ("grace", "wait", "lost", "done", "shift")
    }
    facts["run"] = np.zeros(people, dtype=np.int64)
    facts["threshold"] = np.full(people, ground.threshold[rung])
    facts["gaps"] = ground.gaps[who].copy()
    lately = (ground.habits.intercept, ground.habits.sets, ground.habits.spread)
    intercept, sets, spread = (np.asarray(part)[who].copy() for part in lately)
    habits = Habits(intercept, ground.habits.slope, sets, spread)
    if not begun.any():
        return facts, habits
    panel, level = ground.tracked.panel, ground.tracked.filtered.mean[:, 0]
    rows = ground.standing.spell[who[begun], rung]
    spell = rows
    last = panel.last[spell]
    own = athlete_habits(panel, level, last, ground.model.habits)
    intercept[begun], sets[begun], spread[begun] = own.intercept, own.sets, own.spread
    constants, filtered = ground.model.fit.constants, ground.tracked.filtered
    for name, values in (
        ("shift", meeting_shift(panel, constants.noise, filtered, last)),
        ("grace", panel.grace[spell]),
        ("wait", ground.cut - panel.day[last]),
        ("lost", lost_levels(panel, constants.dynamics)[last]),
        ("done", panel.number[last] + 1.0),
        ("run", ground.histories.spells["run"].to_numpy()[rows]),
        ("threshold", panel.threshold[spell]),
        ("gaps", gap_table(recent_gaps(panel, last), ground.model.rhythm)),
    ):
        facts[name][begun] = values
    return facts, habits


def _delays(going: Going, rung: int, who: Ints, ready: Array, begun: Flags) -> Array:
    """(T, P) days until the first session, from the rung being open or from the cut."""
    table = np.tile(going.ground.climbing.delays, (len(who), 1))
    elapsed = np.maximum(-ready[:, 0], 0.0)  # the same on every path where it is in the past
    absences = going.ground.model.rhythm.absences
    table = first_gap_table(table, elapsed, absences, float(going.ground.cut)) - elapsed[:, None]
    rng = np.random.default_rng([going.settings.seed, 7, rung])
    drawn = table[:, rng.integers(0, table.shape[1], ready.shape[1])]
    return np.where(begun[:, None], 0.0, drawn)


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
