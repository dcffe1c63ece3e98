"""The walk up the ladder: rung after rung on the same paths, branches side by side."""

from __future__ import annotations

import numpy as np

from forecast.ahead.draws import draw_shared
from forecast.ahead.duration import (
    Going,
    Settings,
    Walk,
    athletes_tempo,
    engines_middle,
    recalibrated,
)
from forecast.ahead.ground import Ground, Rhythm, rung_facts, usual_rhythm
from forecast.ahead.learning import new_grace
from forecast.ahead.sampler import Starts, climb
from forecast.ahead.standing import Plan, Standing
from forecast.histories.attendance import first_gap_table
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

    Parameters
    ----------
    ground, settings
        What is known, and how to walk.
    pooled
        By (athlete place, rung): (W,) pooled chances by week 0, 1, ... of open rungs; their
        simulated times are matched to these.
    rhythm
        Another rhythm of training than the athletes' own.
    like
        The walk at the athletes' own rhythm. Its recalibrations hold at another rhythm too, and so
        does what it made of the athletes: a rung in hand that goes sooner because of more sessions
        makes nobody a quicker learner.
    """
    standing = ground.standing
    who, rung = np.nonzero(standing.under_way)
    spells = ground.place[standing.spell[who, rung]]
    order = np.argsort(spells, kind="stable")
    open_at = np.full(standing.behind.shape, -1, dtype=np.int64)
    open_at[who[order], rung[order]] = np.arange(len(order))
    shared = draw_shared(
        ground.model, ground.tracked, standing.athletes, spells[order],
        paths=settings.paths, draws=settings.draws, seed=settings.seed,
    )  # fmt: skip
    going = Going(
        ground, settings, shared, open_at,
        rhythm or usual_rhythm(len(standing.athletes), settings.paths),
        pooled or {}, like, _carry_draws(ground, settings),
        _blank(ground, settings.paths),
    )  # fmt: skip
    rungs = range(ground.plan.n_rungs)
    for number in rungs:
        _one_rung(going, number, np.flatnonzero(standing.under_way[:, number]))
    going.tempo = athletes_tempo(going) if like is None else like.tempo
    going.middle = engines_middle(going)
    later = standing.ahead & ~standing.under_way
    for number in rungs:
        _one_rung(going, number, np.flatnonzero(later[:, number]))
    out = going.out
    return Walk(
        out["climbing"], out["delay"], out["cleared"], out["start_level"], out["start_gain"],
        out["end_level"], out["first"][:, :, 0], going.maps,
        going.tempo, going.middle,
    )  # fmt: skip


def _carry_draws(ground: Ground, settings: Settings) -> Array:
    """(P, 2) draws of what margin and own pace carry over."""
    rng = np.random.default_rng([settings.seed, 4])
    root = np.linalg.cholesky(ground.climbing.carry_cov)
    return np.asarray(
        ground.climbing.carry_mean + rng.standard_normal((settings.paths, 2)) @ root.T
    )


def _blank(ground: Ground, paths: int) -> dict[str, Array]:
    """Arrays to fill, with what is behind each athlete already in place."""
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
    names = ("climbing", "delay", "start_level", "start_gain", "end_level", "first")
    blank = np.full(known.shape, np.nan)
    start |= {name: blank for name in names}
    return {name: np.repeat(values[:, :, None], paths, axis=2) for name, values in start.items()}


def _one_rung(going: Going, rung: int, who: Ints) -> None:
    """Climb one rung for these athletes, and note how it went."""
    if not len(who):
        return
    out, settings = going.out, going.settings
    ready, last = _ready(going.ground.plan, going.ground.standing, out["cleared"], rung, who)
    begun = going.open_at[who, rung] >= 0
    delay = _delays(going, rung, who, ready, begun)
    opening = np.where(begun[:, None], 0.0, np.maximum(ready, 0.0))
    starts = _starts(going, rung, who, last, opening + delay)
    seed = [settings.seed, 5, rung]
    found = climb(starts, going.shared.constants, most_days=settings.most_days, seed=seed)
    delay, days = recalibrated(going, rung, who, found, opening, delay, begun)
    if settings.independent:
        days = days[:, np.random.default_rng([*seed, 6]).permutation(settings.paths)]
    cleared = opening + delay + days
    margin = found.level - starts.threshold[:, None]
    really = found.days <= settings.most_days
    effect = going.shared.rung[:, rung, 2] + going.shared.athlete[who, :, 2]
    for name, values in (
        ("climbing", days),
        ("delay", delay),
        ("cleared", cleared),
        ("start_level", starts.level - starts.threshold[:, None]),
        ("start_gain", starts.swing + starts.pace),
        ("end_level", margin),
        ("first", found.first[:, None]),
        ("margin", np.where(really, margin - going.ground.climbing.margin, 0.0)),
        ("own_pace", starts.pace / going.rhythm.gain[who] - effect),
    ):
        out[name][who, rung] = values


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
    for part, column, name in ((0, 0, "margin"), (2, 1, "own_pace")):
        before = going.out[name][who[:, None], last, path]
        state[:, :, part] += going.slope[:, column] * np.where(known, before, 0.0)
    state[begun] = shared.open_state[place[begun]]
    gain = going.rhythm.gain[who]
    rows = rung_facts(ground, rung, who, begun)
    gaps = going.rhythm.gaps(rows.gaps, who)
    first_gaps = first_gap_table(
        np.sort(rows.gaps, axis=1), rows.wait, ground.model.rhythm.absences, float(ground.cut)
    )
    return Starts(
        level=state[:, :, 0], swing=state[:, :, 1] * gain, pace=state[:, :, 2] * gain,
        threshold=rows.threshold, measure=np.full(len(who), ground.measure[rung]),
        grace=np.where(begun, rows.grace, new_grace(gaps)),
        confirm=np.full(len(who), ground.plan.confirm[rung]), run=rows.run, begun=begun,
        wait=rows.wait, lost=rows.lost, done=rows.done, origin=ground.cut + first_day,
        scatter=ground.scatter[who], gaps=gaps,
        first_gaps=going.rhythm.first_gaps(first_gaps, rows.wait, who), habits=rows.habits,
    )  # fmt: skip


def _delays(going: Going, rung: int, who: Ints, ready: Array, begun: Flags) -> Array:
    """(T, P) days until the first session, from the rung being open or from the cut."""
    table = np.tile(going.ground.climbing.delays, (len(who), 1))
    elapsed = np.maximum(-ready[:, 0], 0.0)  # the same on every path where it is in the past
    absences = going.ground.model.rhythm.absences
    table = first_gap_table(table, elapsed, absences, float(going.ground.cut)) - elapsed[:, None]
    rng = np.random.default_rng([going.settings.seed, 7, rung])
    drawn = table[:, rng.integers(0, table.shape[1], ready.shape[1])]
    return np.where(begun[:, None], 0.0, drawn)


def chain(plan: Plan, standing: Standing, gone: Walk, quicker: Array) -> Array:
    """Return clearing days (A, R, P) had every rung been climbed ``quicker`` (A,) times as fast.

    Delays and consolidation periods stay as they are.
    """
    cleared = gone.cleared.copy()
    for rung in range(plan.n_rungs):
        who = np.flatnonzero(standing.ahead[:, rung])
        ready, _ = _ready(plan, standing, cleared, rung, who)
        begun = standing.under_way[who, rung][:, None]
        opening = np.where(begun, 0.0, np.maximum(ready, 0.0))
        climbing = gone.climbing[who, rung] / quicker[who][:, None]
        cleared[who, rung] = opening + gone.delay[who, rung] + climbing
    return cleared
