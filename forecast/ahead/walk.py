"""The walk up the ladder: rung after rung on the same paths, branches side by side."""

from __future__ import annotations

from typing import Any

import numpy as np

from forecast.ahead.duration import (
    Going,
    Walk,
    athletes_tempo,
    engines_middle,
    recalibrated,
)
from forecast.ahead.ground import Ground, Settings, draw_shared
from forecast.ahead.sampler import Starts, climb
from forecast.ahead.standing import Plan, Rhythm, Standing, usual_rhythm
from forecast.ahead.times import new_grace
from forecast.growth import Habits, athlete_habits, lost_levels, meeting_shift, recent_gaps
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
    going = _set_out(ground, settings, pooled or {}, rhythm, like)
    standing, walked = ground.standing, going.walked
    rungs = range(ground.plan.n_rungs)
    for number in rungs:
        _one_rung(going, number, np.flatnonzero(standing.under_way[:, number]))
    walked.tempo = athletes_tempo(going) if like is None else like.tempo
    walked.middle = engines_middle(going)
    later = standing.ahead & ~standing.under_way
    for number in rungs:
        _one_rung(going, number, np.flatnonzero(later[:, number]))
    return walked


def climb_one(
    ground: Ground,
    settings: Settings,
    rung: int,
    *,
    pooled: dict[tuple[int, int], Array],
    like: Walk | None = None,
) -> Walk:
    """Simulate one rung alone for those under way on it; arguments as for ``walk``."""
    going = _set_out(ground, settings, pooled, None, like)
    _one_rung(going, rung, np.flatnonzero(ground.standing.under_way[:, rung]))
    return going.walked


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
    spells = ground.place[standing.spell[who, rung]]
    order = np.argsort(spells, kind="stable")
    open_at = np.full(standing.behind.shape, -1, dtype=np.int64)
    open_at[who[order], rung[order]] = np.arange(len(order))
    return Going(
        ground, settings, draw_shared(ground, settings, spells[order]), open_at,
        rhythm or usual_rhythm(len(standing.athletes), settings.paths),
        pooled, like, _carry_draws(ground, settings), _blank(ground, settings.paths),
    )  # fmt: skip


def _carry_draws(ground: Ground, settings: Settings) -> Array:
    """(P, 2) draws of what margin and own pace carry over."""
    rng = np.random.default_rng([settings.seed, 4])
    root = np.linalg.cholesky(ground.climbing.carry_cov)
    return np.asarray(
        ground.climbing.carry_mean + rng.standard_normal((settings.paths, 2)) @ root.T
    )


def _blank(ground: Ground, paths: int) -> Walk:
    """A walk to fill in, with what is behind each athlete already in place."""
    standing = ground.standing
    known = np.where(standing.behind, standing.cleared_day, np.nan)
    # What no log shows was behind the athlete when the log began.
    known = np.where(standing.behind & np.isnan(known), standing.since[:, None], known)
    logged = standing.behind & (standing.spell >= 0)
    start = {
        "cleared": known,
        "margin": np.where(logged, ground.margin[standing.spell], 0.0),
        "own_pace": np.where(logged, ground.own_pace[standing.spell], 0.0),
    }
    none = np.full(known.shape, np.nan)
    for name in ("climbing", "delay", "start_level", "start_gain", "end_level"):
        start[name] = none
    parts: dict[str, Any] = {
        name: np.repeat(a[:, :, None], paths, axis=2) for name, a in start.items()
    }
    return Walk(**parts, first=none)


def _one_rung(going: Going, rung: int, who: Ints) -> None:
    """Climb one rung for these athletes, and note how it went."""
    if not len(who):
        return
    walked, settings = going.walked, going.settings
    ready, last = _ready(going.ground.plan, going.ground.standing, walked.cleared, rung, who)
    begun = going.open_at[who, rung] >= 0
    delay = _delays(going, rung, who, ready, begun)
    opening = np.where(begun[:, None], 0.0, np.maximum(ready, 0.0))
    starts = _starts(going, rung, who, last, opening + delay)
    seed = [settings.seed, 5, rung]
    found = climb(starts, going.shared.constants, most_days=settings.most_days, seed=seed)
    delay, days = recalibrated(going, rung, who, found, opening, delay)
    if settings.independent:
        days = days[:, np.random.default_rng([*seed, 6]).permutation(settings.paths)]
    walked.climbing[who, rung], walked.delay[who, rung] = days, delay
    walked.cleared[who, rung] = opening + delay + days
    walked.start_level[who, rung] = starts.level - starts.threshold[:, None]
    walked.start_gain[who, rung] = starts.swing + starts.pace
    margin = found.level - starts.threshold[:, None]
    walked.end_level[who, rung], walked.first[who, rung] = margin, found.first
    really = found.days <= settings.most_days
    walked.margin[who, rung] = np.where(really, margin - going.ground.climbing.margin, 0.0)
    effect = going.shared.rung[:, rung, 2] + going.shared.athlete[who, :, 2]
    walked.own_pace[who, rung] = starts.pace / going.rhythm.gain[who] - effect


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


def _starts(going: Going, rung: int, who: Ints, last: Ints, first_day: Array) -> Starts:
    """Where everybody stands on the rung: under way as filtered, else as drawn.

    ``first_day`` (T, P): days from the cut to the first session; 0 where under way.
    """
    ground, shared = going.ground, going.shared
    place = going.open_at[who, rung]
    begun = place >= 0
    state = shared.rung[:, rung] + shared.athlete[who] + shared.own[rung]
    path = np.arange(last.shape[1])
    known = last >= 0
    for part, column, carried in ((0, 0, going.walked.margin), (2, 1, going.walked.own_pace)):
        before = carried[who[:, None], last, path]
        state[:, :, part] += going.slope[:, column] * np.where(known, before, 0.0)
    state[begun] = shared.open_state[place[begun]]
    gain = going.rhythm.gain[who]
    facts, habits = _rung_facts(ground, rung, who, begun)
    wait, usual = facts["wait"], facts.pop("gaps")
    gaps = going.rhythm.gaps(usual, who)
    absences = ground.model.rhythm.absences
    first_gaps = first_gap_table(np.sort(usual, axis=1), wait, absences, float(ground.cut))
    return Starts(
        level=state[:, :, 0], swing=state[:, :, 1] * gain, pace=state[:, :, 2] * gain,
        measure=np.full(len(who), ground.measure[rung]),
        grace=np.where(begun, facts.pop("grace"), new_grace(gaps)),
        confirm=np.full(len(who), ground.plan.confirm[rung]), begun=begun,
        origin=ground.cut + first_day, scatter=ground.scatter[who], gaps=gaps,
        first_gaps=going.rhythm.first_gaps(first_gaps, wait, who), habits=habits, **facts,
    )  # fmt: skip


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
    spell = ground.place[rows]
    last = panel.last[spell]
    own = athlete_habits(panel, panel.eligible, level, last, ground.model.habits)
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
