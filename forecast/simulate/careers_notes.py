"""What a coach notes of invented careers: who comes when, and which sets are written down how."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forecast.simulate.careers_paths import DAYS, STILL, Crew, Drawer
from forecast.types import Array, Flags, Ints

MOST_SETS = 5
UNKNOWN, FAILED, AT_TARGET, BY_CHOICE = 0, 1, 2, 3
"""Why a set stopped."""


@dataclass(frozen=True, slots=True)
class Habits:
    """How spells are attended, (S,); rates a week, lengths in weeks."""

    rate: Array
    regularity: Array
    wander: Array
    layoff: Array
    layoff_weeks: Array
    injury: Array
    injury_weeks: Array
    absence: Array  # long absences, from which people come back
    absence_weeks: Array
    term_every: Array  # short breaks between terms: how often, how long, and who keeps them
    term_weeks: Array
    keeps_terms: Flags
    off_every: Array  # off-seasons: how often, how long, from which day, and who keeps them
    off_weeks: Array
    off_phase: Array
    keeps_off: Flags
    when_still: Array


def draw_habits(draw: Drawer) -> Habits:
    """Draw how each spell is attended."""
    n = len(draw.crew.club)
    every = np.where(draw.some(0.5, 1.0), 52.18, draw.by_club(10.0, 30.0))
    return Habits(
        rate=np.clip(draw.scale(0.18, 4.5, 0.4, 0.2), 0.08, 7.0),
        regularity=draw.scale(0.8, 15.0),
        wander=np.where(draw.some(0.5), draw.scale(0.1, 0.7), 0.0),
        layoff=np.where(draw.some(0.8, 0.5), 1.0 / draw.scale(8.0, 80.0), 0.0),
        layoff_weeks=draw.scale(1.0, 5.0),
        injury=np.where(draw.some(0.35, 0.3), 1.0 / draw.scale(15.0, 120.0), 0.0),
        injury_weeks=draw.scale(0.5, 6.0),
        absence=np.where(draw.some(0.3, 0.3), 1.0 / draw.scale(15.0, 100.0), 0.0),
        absence_weeks=draw.scale(5.0, 25.0),
        term_every=draw.by_club(6.0, 14.0),
        term_weeks=draw.by_club(0.7, 3.0),
        keeps_terms=draw.some(0.2, 0.5, 1.0),
        off_every=every,
        off_weeks=np.minimum(draw.by_club(1.0, 14.0), 0.4 * every),
        off_phase=draw.by_club(0.0, 52.0),
        keeps_off=draw.some(0.4, 0.4, 1.0),
        when_still=np.where(draw.some(0.4), np.exp(0.5 * draw.rng.standard_normal(n)), 1.0),
    )


def next_gap(
    rng: np.random.Generator, habits: Habits, day: Array, mode: Ints, mood: Array
) -> tuple[Array, Flags]:
    """Days until each spell's next session (S,), and whether an injury came between."""
    n = len(day)
    rate = habits.rate * np.exp(mood) * np.where(mode == STILL, habits.when_still, 1.0)
    gap = rng.gamma(habits.regularity, 1.0, n) * DAYS / (rate * habits.regularity)
    gap = np.maximum(np.round(np.minimum(gap, 200.0)), 1.0)
    rates = np.stack([habits.layoff, habits.injury, habits.absence])
    happens = rng.random((3, n)) < -np.expm1(-rates * gap / DAYS)
    weeks = np.stack([habits.layoff_weeks, habits.injury_weeks, habits.absence_weeks])
    long = happens * weeks * np.exp(0.6 * rng.standard_normal((3, n)))
    gap = gap + np.round(DAYS * long.sum(axis=0))
    for keeps, every, lasts in (
        (habits.keeps_off, habits.off_every, habits.off_weeks),
        (habits.keeps_terms, habits.term_every, habits.term_weeks),
    ):
        into = np.mod((day + gap) / DAYS - habits.off_phase, every)
        away = keeps & (into < lasts) & (rng.random(n) < 0.95)
        gap = gap + np.where(away, np.ceil(DAYS * (lasts - into)), 0.0)
    return gap, happens[1]


@dataclass(frozen=True, slots=True)
class Notes:
    """What is written down, flat over M sets in the order of sessions.

    ``session`` (M,) number of the session; ``value`` in the rung's unit; ``clean``, ``assisted``,
    ``counts`` (clean, without help, loaded enough); ``load`` as a share of the load asked, 0 where
    none was noted; ``stopped`` one of the codes above.
    """

    session: Ints
    value: Array
    clean: Flags
    assisted: Flags
    counts: Flags
    load: Array
    stopped: Ints


@dataclass(frozen=True, slots=True)
class Manner:
    """How sessions of a spell turn into notes, constants (S,)."""

    form: Array  # scatter of days, its tails, how many days it lasts, how it grows below the mark
    tails: Array
    lasting: Array
    additive: Array
    sets: Array  # sets a session, scatter of sets, loss from set to set
    set_sd: Array
    fatigue: Array
    slip: Array  # share of sets that fail outright, of sessions that go wrong
    bad_day: Array
    unclean: Array  # log odds of a set without form at the mark, slope in level, at first, bonus
    unclean_slope: Array
    unclean_first: Array
    unclean_weeks: Array
    bonus: Array
    helped: Flags  # help, or a lighter load, below some level: where, and how much of the lack
    lighter: Flags
    comfort: Array
    step: Array  # help and loads change by so much, of which the level makes such a part
    worth: Array
    load_noted: Flags
    reserve: Array  # share of sets stopped in reserve, how deep, and of athletes' own habit
    depth: Array
    noted: Flags
    stops: Array  # share of sets stopped at the mark, and the mark used before it was changed
    old_mark: Array
    changed: Array
    cycle: Array  # periodised weeks: how long, how light, and tests every so many sessions
    light: Array
    tests: Array
    planned: Flags
    even: Flags  # all sessions between tests as light as each other
    eye: Array  # a second coach: share of sessions, and how much more he sees
    second: Array
    lenient: Array
    event: Array  # competitions: share of sessions, and what they add
    lift: Array
    best_only: Flags
    success_only: Flags
    clean_only: Flags
    unit: Array


def draw_manner(draw: Drawer) -> Manner:
    """Draw how each spell is noted; clubs differ more than athletes do."""
    rng, n = draw.rng, len(draw.crew.club)
    never = np.zeros(n)
    target = draw.crew.target
    unit = np.array([0.1, 0.5, 1.0, 5.0])[draw.kind([0.8, 0.5, 2.0, 0.5], 0.2)]
    unit = np.where(draw.crew.whole, 1.0, np.minimum(unit, np.where(target >= 20, 5.0, 1.0)))
    return Manner(
        form=draw.scale(0.006, 0.25, 0.3, 0.1),
        tails=np.array([2.2, 4.0, 1e3])[draw.kind([1.0, 1.0, 2.0], 0.3)],
        lasting=np.where(draw.some(0.4), draw.scale(2.0, 25.0), 0.0),
        additive=np.where(draw.some(0.35, 1.0), draw.by_club(0.3, 1.2), 0.0),
        sets=draw.scale(1.0, 4.5, 0.3, 0.1),
        set_sd=draw.scale(0.004, 0.12),
        fatigue=draw.scale(0.005, 0.10),
        slip=np.where(draw.some(0.5), draw.scale(0.003, 0.15), 0.0),
        bad_day=np.where(draw.some(0.4), draw.scale(0.005, 0.08), 0.0),
        unclean=draw.by_club(-4.5, -0.5) + 0.7 * rng.standard_normal(n),
        unclean_slope=draw.by_club(-3.0, 0.5),
        unclean_first=np.where(draw.some(0.35), draw.by_club(0.5, 4.0), 0.0),
        unclean_weeks=draw.scale(3.0, 40.0),
        bonus=draw.by_club(0.0, 0.2),
        helped=draw.some(0.35, 0.2, 1.0),
        lighter=draw.some(0.25, 0.3, 1.0),
        comfort=0.1 - draw.scale(0.02, 1.0),
        step=draw.by_club(0.04, 0.35),
        worth=draw.by_club(0.6, 1.3),
        load_noted=draw.some(0.8, 1.0),
        reserve=np.where(draw.some(0.45, 0.2, 1.0), rng.beta(1.0, 1.0, n), never),
        depth=draw.scale(0.05, 0.6),
        noted=draw.some(0.7, 0.3, 1.0),
        stops=np.where(
            draw.some(0.45, 0.2, 1.0), np.minimum(1.3 * rng.beta(2.0, 1.0, n), 1.0), never
        ),
        old_mark=np.where(draw.some(0.2, 1.0), np.exp(draw.by_club(-1.0, 0.3)), 1.0),
        changed=draw.by_club(0.0, 1.5) * draw.crew.weeks[draw.crew.club] * DAYS,
        cycle=np.round(draw.by_club(2.5, 9.5)),
        light=draw.by_club(0.05, 0.7),
        tests=np.round(draw.scale(2.0, 24.0, 0.2, 0.0)),
        planned=draw.some(0.35, 0.5, 1.0),
        even=draw.some(0.5, 1.0),
        eye=np.where(draw.some(0.2, 1.0), draw.by_club(0.2, 0.8), 0.0),
        second=0.08 * draw.rng.standard_normal(len(draw.crew.weeks))[draw.crew.club],
        lenient=1.2 * draw.rng.standard_normal(len(draw.crew.weeks))[draw.crew.club],
        event=np.where(draw.some(0.15), draw.by_club(0.02, 0.2), 0.0),
        lift=draw.by_club(0.0, 0.15),
        best_only=draw.some(0.12, 0.6, 1.0),
        success_only=draw.some(0.05, 0.6, 1.0),
        clean_only=draw.some(0.1, 0.6, 1.0),
        unit=unit,
    )


def form_of_days(rng: np.random.Generator, manner: Manner, level: Array, gap: Array) -> Array:
    """Form of each day beside the level, (K, S): heavy-tailed, lasting, wider below the mark."""
    shape = level.shape
    normal, half = rng.standard_normal((2, *shape))
    wide = np.sqrt(manner.tails / rng.chisquare(np.broadcast_to(manner.tails, shape)))
    single = np.clip(normal * wide, -8.0, 8.0)
    keep = np.exp(-gap / np.maximum(manner.lasting, 0.05))
    lasting = np.empty(shape)
    lasting[0] = half[0]
    for k in range(1, len(level)):
        lasting[k] = keep[k] * lasting[k - 1] + np.sqrt(1.0 - keep[k] ** 2) * half[k]
    share = np.where(manner.lasting > 0, 0.6, 0.0)
    form = manner.form * (np.sqrt(1.0 - share) * single + np.sqrt(share) * lasting)
    form = form * np.exp(np.clip(-manner.additive * level, -1.0, 1.5))
    event = rng.random(shape) < manner.event
    bad = rng.random(shape) < manner.bad_day
    return form + event * manner.lift - bad * rng.exponential(0.4, shape)


EASY = 0.1
"""Sets of a session held back by more are stopped by choice."""


def held_back(rng: np.random.Generator, manner: Manner, day: Array, number: Ints) -> Array:
    """How far below capacity a planned session stays, (N,): light weeks, and tests now and then."""
    week = np.floor(day / DAYS)
    part = 1.0 - np.mod(week, manner.cycle) / np.maximum(manner.cycle - 1.0, 1.0)
    light = manner.light * np.where(manner.even, 0.7, part)
    test = np.mod(number, manner.tests) == 0
    light = light + 0.05 * np.abs(rng.standard_normal(len(day)))
    return np.where(manner.planned & ~test, light, 0.0)


def write_down(
    rng: np.random.Generator, crew: Crew, manner: Manner, session: tuple[Ints, Ints, Array, Array]
) -> tuple[Notes, Flags]:
    """Return what is noted of N sessions, and which of them were noted at all, (N,).

    ``session``: spell, number in the spell, day, and capacity that day, all (N,).
    """
    spell, number, day, capacity = session
    m = Manner(*(getattr(manner, name)[spell] for name in Manner.__slots__))
    target, n = crew.target[spell], len(spell)
    held = held_back(rng, m, day, number)
    capacity = capacity - held
    other = rng.random(n) < m.eye
    capacity = capacity + other * m.second
    shape = (n, MOST_SETS)
    place = np.arange(MOST_SETS)
    done = place < np.clip(np.round(m.sets + 0.7 * rng.standard_normal(n)), 1, MOST_SETS)[:, None]
    odds = m.unclean + m.unclean_slope * capacity + other * m.lenient
    odds = odds + m.unclean_first * np.exp(-np.maximum(number, 0) / (2.0 * m.unclean_weeks))
    clean = rng.random(shape) >= 1.0 / (1.0 + np.exp(-odds))[:, None]
    lack = np.ceil(np.maximum(m.comfort - capacity, 0.0) / m.step) * m.step
    aided = rng.random(shape) < np.where(lack > 0, 0.85, 0.02)[:, None]
    band, light = aided & m.helped[:, None], aided & (m.lighter & ~m.helped)[:, None]
    drive = capacity[:, None] + m.set_sd[:, None] * rng.standard_normal(shape)
    drive = drive - m.fatigue[:, None] * place + m.bonus[:, None] * ~clean
    drive = drive + np.where(band | light, (m.worth * lack)[:, None], 0.0)
    load = np.where(light, np.exp(-lack)[:, None], 1.0) * (m.lighter & m.load_noted)[:, None]
    chose = rng.random(shape) < m.reserve[:, None]
    drive = drive - np.where(chose, m.depth[:, None] * rng.random(shape), 0.0)
    chose = chose | (held > EASY)[:, None]
    value, stopped = _read_off(rng, crew, m, spell, day, drive, chose)
    slipped = rng.random(shape) < m.slip[:, None]
    value = np.where(slipped, 0.0, value)
    stopped = np.where(m.noted[:, None], np.where(slipped, FAILED, stopped), UNKNOWN)
    counts = clean & ~band & ~light
    done = _kept(m, done, value, counts, clean, target)
    at, _ = np.nonzero(done)
    noted = np.asarray(done.any(axis=1))
    renumber = np.cumsum(noted) - 1
    return Notes(
        session=renumber[at], value=value[done], clean=clean[done], assisted=band[done],
        counts=counts[done], load=load[done], stopped=stopped[done].astype(np.int64),
    ), noted  # fmt: skip


def _read_off(
    rng: np.random.Generator, crew: Crew, m: Manner, spell: Ints, day: Array, drive: Array,
    chose: Flags,
) -> tuple[Array, Ints]:  # fmt: skip
    """Values rounded as the coach rounds, cut off at the mark by those who stop there."""
    unit, target = m.unit[:, None], crew.target[spell][:, None]
    shown = target * np.exp(np.clip(drive, -6.0, 3.0))
    value = np.where(
        crew.whole[spell][:, None], np.floor(shown + 1e-9), np.floor(shown / unit + 0.5) * unit
    )
    mark = np.where(day < m.changed, m.old_mark, 1.0)[:, None] * target
    mark = np.ceil(mark / unit - 1e-9) * unit
    stops = ~chose & (value >= mark) & (rng.random(value.shape) < m.stops[:, None])
    extra = np.where(rng.random(value.shape) < 0.25, unit, 0.0)
    value = np.where(stops, np.minimum(value, mark + extra), value)
    return value, np.where(stops, AT_TARGET, np.where(chose, BY_CHOICE, FAILED))


def _kept(
    m: Manner, done: Flags, value: Array, counts: Flags, clean: Flags, target: Array
) -> Flags:
    """Which sets are written down: all, the clean ones, the best one, or successes alone."""
    done = done & ~(m.clean_only[:, None] & ~clean)
    worth = np.where(done, value + 1e6 * counts, -1.0)
    best = np.arange(MOST_SETS) == np.argmax(worth, axis=1)[:, None]
    done = done & ~(m.best_only[:, None] & ~best)
    return done & ~(m.success_only[:, None] & (value < 0.6 * target[:, None]))
