"""Invented careers of very many kinds, with the true level beside: what a verdict is learnt from.

A batch is some clubs, each with a manner of its own. Every spell is walked session by session, all
spells of the batch at once; then sets are drawn, and noted as the coach notes them, and a rung that
was cleared ends there.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from types import SimpleNamespace

import numpy as np

from forecast.errors import SimulationError
from forecast.simulate.careers_paths import (
    DAYS,
    STILL,
    Crew,
    Drawer,
    Strides,
    core_level,
    draw_bends,
    draw_course,
    narrowed,
    taken,
)
from forecast.types import YEAR as YEAR_DAYS
from forecast.types import Array, Flags, Ints

MOST_SESSIONS = 200
MOST_ATHLETES = 150
BEFORE = 30.0
"""Weeks that athletes may have trained before the log begins."""
MOST_SETS = 5
UNKNOWN, FAILED, AT_TARGET, BY_CHOICE = 0, 1, 2, 3
"""Why a set stopped."""
EASY = 0.1
"""Sets of a session held back by more are stopped by choice."""


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
class Careers:
    """Spells of invented clubs: what was noted, and what was true.

    ``crew`` of S spells, whose clubs' logs begin on day 0; ``start, length, cleared`` (S,): place
    of the first session noted, their number, day of clearing (inf: never); ``day, level`` (N,) of
    each session noted, spell after spell; ``notes``: the sets.
    """

    crew: Crew
    start: Ints
    length: Ints
    cleared: Array
    day: Ints
    level: Array
    notes: Notes


def invent_careers(n_spells: int, *, seed: int) -> Careers:
    """Invent clubs of 1 to 150 athletes until there are about so many spells, 1 or more."""
    if n_spells < 1:
        raise SimulationError(f"n_spells = {n_spells}; give a number of 1 or more.")
    rng = np.random.default_rng([seed, n_spells])
    draw = Drawer(rng, draw_crew(rng, n_spells))
    days, level = _walk(rng, draw)
    return _noted(rng, draw, days, level)


def draw_crew(rng: np.random.Generator, n_spells: int) -> Crew:
    """Draw clubs, their athletes and who is on which rung."""
    sizes: list[int] = []
    each: list[float] = []
    while not sizes or np.dot(sizes, each) < n_spells:
        sizes.append(int(np.exp(rng.random() ** 3 * np.log(MOST_ATHLETES + 0.5))))
        each.append(rng.uniform(1.0, 4.0))
    clubs, club_of = len(sizes), np.repeat(np.arange(len(sizes)), sizes)
    spells = 1 + rng.poisson(np.array(each)[club_of] - 1.0)
    athlete = np.repeat(np.arange(len(club_of)), spells)
    club = club_of[athlete]
    rungs = rng.integers(1, 13, clubs)
    rung = rng.integers(0, 1_000_000, len(club)) % rungs[club] + 12 * club
    kinds = rng.choice(3, (clubs, 12), p=[0.45, 0.4, 0.15])  # seconds, repetitions, kilograms
    marks = np.exp(rng.uniform(np.log(3.0), np.log(60.0), (clubs, 12)))
    marks = np.where(kinds == 1, np.exp(rng.uniform(0.0, np.log(25.0), (clubs, 12))), marks)
    heavy = np.exp(rng.uniform(np.log(10.0), np.log(150.0), marks.shape))
    marks = np.where(kinds == 2, heavy, marks)
    confirm = rng.choice(4, (clubs, 12), p=[0.5, 0.3, 0.15, 0.05]) + 1
    target, whole = np.maximum(np.round(marks.ravel()[rung]), 1.0), kinds.ravel()[rung] == 1
    weeks = 8.0 + 142.0 * rng.random(clubs) ** 1.5
    return Crew(club, athlete, rung, target, whole, confirm.ravel()[rung], weeks)


def _walk(rng: np.random.Generator, draw: Drawer) -> tuple[Array, Array]:
    """Day and true level of every session, (K, S); days go on past the end of the log."""
    crew = draw.crew
    course, attendance = draw_course(draw), draw_attendance(draw)
    strides = Strides(rng, draw_bends(draw, course))
    weeks, n = crew.weeks[crew.club], len(crew.club)
    first = rng.uniform(0.0, 0.95, n) * weeks
    first = np.where(draw.some(0.7, 0.1, 0.9), -BEFORE * rng.random(n), first)
    first = np.maximum(first, weeks - 0.85 * MOST_SESSIONS / attendance.rate)
    day, mood = np.round(DAYS * first), attendance.wander * rng.standard_normal(n)
    days, time, beside = (np.empty((MOST_SESSIONS, n)) for _ in range(3))
    for k in range(MOST_SESSIONS):
        days[k], time[k], beside[k] = day, strides.time, strides.beside()
        gap, injured = next_gap(rng, attendance, day, strides.mode, mood)
        keep = np.exp(-gap / (10.0 * DAYS))
        wander = attendance.wander * np.sqrt(1.0 - keep**2)
        mood = keep * mood + wander * rng.standard_normal(n)
        strides.move(gap, attendance.rate, injured)
        day = day + gap
    level = core_level(time, course) + beside
    return days, np.clip(narrowed(draw, level, time, course), -5.0, 1.5)


def _noted(rng: np.random.Generator, draw: Drawer, days: Array, level: Array) -> Careers:
    """Write down what the log's time holds, and end each rung where it is cleared."""
    crew, manner = draw.crew, draw_manner(draw)
    capacity = level + form_of_days(rng, manner, level, np.diff(days, axis=0, prepend=days[:1]))
    test = tests_of(manner, days)
    held, asked = planned_down(rng, manner, test, days, capacity)
    best = np.maximum.accumulate(np.vstack([level[:1], level[:-1]]), axis=0)
    inside = (days >= 0) & (days < DAYS * crew.weeks[crew.club]) & (test | ~manner.tests_only)
    spell, number = np.nonzero(inside.T)
    at = (number, spell)
    every = {"day": days, "capacity": capacity, "best": best, "held": held, "asked": asked}
    sessions = {"number": number.astype(float)} | {name: row[at] for name, row in every.items()}
    notes, noted = write_down(rng, crew, manner, spell, sessions)
    spell, day, true = spell[noted], days[at][noted].astype(np.int64), level[at][noted]
    last, cleared = _clearing(crew, spell, day, notes)
    keep = np.arange(len(spell)) <= last[spell]
    renumber = np.cumsum(keep) - 1
    own = keep[notes.session]
    kept = Notes(*(getattr(notes, name)[own] for name in Notes.__slots__))
    kept = replace(kept, session=renumber[kept.session])
    length = np.bincount(spell[keep], minlength=len(crew.club))
    start = np.cumsum(length) - length
    return Careers(crew, start, length, cleared, day[keep], true[keep], kept)


def _clearing(crew: Crew, spell: Ints, day: Ints, notes: Notes) -> tuple[Ints, Array]:
    """Last session that belongs to each spell, and its day where it cleared the rung, (S,)."""
    n = len(spell)
    hit = notes.counts & (notes.value >= crew.target[spell[notes.session]] - 1e-9)
    met = np.bincount(notes.session[hit], minlength=n) > 0
    place, fresh = np.arange(n), np.diff(spell, prepend=-1) != 0
    anchor = np.maximum.accumulate(np.where(~met, place + 1, np.where(fresh, place, 0)))
    run = np.where(met, place - anchor + 1, 0)
    done = np.flatnonzero(run >= crew.confirm[spell])
    who, first = np.unique(spell[done], return_index=True)
    last = np.full(len(crew.club), n)
    cleared = np.full(len(crew.club), np.inf)
    last[who], cleared[who] = done[first], day[done[first]]
    return last, cleared


def draw_attendance(draw: Drawer) -> SimpleNamespace:
    """Draw how each spell is attended: rates a week, lengths in weeks."""
    n = len(draw.crew.club)
    every = np.where(draw.some(0.5, 1.0), YEAR_DAYS / DAYS, draw.by_club(10.0, 30.0))
    return SimpleNamespace(
        rate=np.clip(draw.scale(0.14, 4.5, 0.4, 0.2), 0.08, 7.0),
        regularity=draw.scale(0.8, 15.0),
        wander=np.where(draw.some(0.5), draw.scale(0.1, 0.7), 0.0),
        when_still=np.where(draw.some(0.4), np.exp(0.5 * draw.rng.standard_normal(n)), 1.0),
        # layoffs, injuries, and long absences from which people come back
        breaks=np.stack([
            np.where(draw.some(0.8, 0.5), 1.0 / draw.scale(8.0, 80.0), 0.0),
            np.where(draw.some(0.4, 0.3), 1.0 / draw.scale(12.0, 120.0), 0.0),
            np.where(draw.some(0.3, 0.3), 1.0 / draw.scale(15.0, 100.0), 0.0),
        ]),
        weeks=np.stack([draw.scale(1.0, 5.0), draw.scale(0.5, 6.0), draw.scale(5.0, 25.0)]),
        # off-seasons, and short breaks between terms: who keeps them, how often, how long
        pauses=(
            (draw.some(0.4, 0.4, 1.0), every, np.minimum(draw.by_club(1.0, 14.0), 0.4 * every)),
            (draw.some(0.2, 0.5, 1.0), draw.by_club(6.0, 14.0), draw.by_club(0.7, 3.0)),
        ),
        phase=draw.by_club(0.0, 52.0),
    )  # fmt: skip


def next_gap(
    rng: np.random.Generator, attendance: SimpleNamespace, day: Array, mode: Ints, mood: Array
) -> tuple[Array, Flags]:
    """Days until each spell's next session (S,), and whether an injury came between."""
    n = len(day)
    rate = attendance.rate * np.exp(mood) * np.where(mode == STILL, attendance.when_still, 1.0)
    gap = rng.gamma(attendance.regularity, 1.0, n) * DAYS / (rate * attendance.regularity)
    gap = np.maximum(np.round(np.minimum(gap, 200.0)), 1.0)
    happens = rng.random((3, n)) < -np.expm1(-attendance.breaks * gap / DAYS)
    long = happens * attendance.weeks * np.exp(0.6 * rng.standard_normal((3, n)))
    gap = gap + np.round(DAYS * long.sum(axis=0))
    for keeps, every, lasts in attendance.pauses:
        into = np.mod((day + gap) / DAYS - attendance.phase, every)
        away = keeps & (into < lasts) & (rng.random(n) < 0.95)
        gap = gap + np.where(away, np.ceil(DAYS * (lasts - into)), 0.0)
    return gap, happens[1]


def draw_manner(draw: Drawer) -> SimpleNamespace:
    """Draw how sessions of each spell turn into notes; clubs differ more than athletes do."""
    rng, n, target = draw.rng, len(draw.crew.club), draw.crew.target
    unit = np.array([0.1, 0.5, 1.0, 5.0])[draw.kind([0.8, 0.5, 2.0, 0.5], 0.2)]
    unit = np.where(draw.crew.whole, 1.0, np.minimum(unit, np.where(target >= 20, 5.0, 1.0)))
    helped = draw.some(0.35, 0.2, 1.0)
    return SimpleNamespace(
        # scatter of days, its tails, how many days it lasts, how it grows below the mark
        form=draw.scale(0.006, 0.25, 0.3, 0.1),
        tails=np.array([2.2, 4.0, 1e3])[draw.kind([1.0, 1.0, 2.0], 0.3)],
        lasting=np.where(draw.some(0.4), draw.scale(2.0, 25.0), 0.0),
        additive=np.where(draw.some(0.35, 1.0), draw.by_club(0.3, 1.2), 0.0),
        # sets a session, scatter of sets, loss from set to set; sets that fail, days gone wrong
        sets=draw.scale(1.0, 4.5, 0.3, 0.1),
        set_sd=draw.scale(0.004, 0.12),
        fatigue=draw.scale(0.005, 0.10),
        slip=np.where(draw.some(0.5), draw.scale(0.003, 0.15), 0.0),
        bad_day=np.where(draw.some(0.4), draw.scale(0.005, 0.08), 0.0),
        # log odds of a set without form at the mark, slope in level, at first; what it adds
        unclean=draw.by_club(-4.5, -0.5) + 0.7 * rng.standard_normal(n),
        unclean_slope=draw.by_club(-3.0, 0.5),
        unclean_first=np.where(draw.some(0.35), draw.by_club(0.5, 4.0), 0.0),
        unclean_weeks=draw.scale(3.0, 40.0),
        bonus=draw.by_club(0.0, 0.2),
        # help, or a lighter load, below some level: steps of it, worth so much of the lack; loads
        # by rule follow the best there was, not the day
        helped=helped,
        lighter=draw.some(0.3, 0.3, 1.0) & ~helped,
        by_rule=draw.some(0.5, 1.0),
        comfort=0.1 - draw.scale(0.02, 1.0),
        step=draw.by_club(0.04, 0.35),
        worth=draw.by_club(0.6, 1.3),
        load_noted=draw.some(0.8, 1.0),
        # share of sets stopped in reserve, and how deep; at the mark, or at one used before
        reserve=np.where(draw.some(0.45, 0.2, 1.0), rng.beta(1.0, 1.0, n), 0.0),
        depth=draw.scale(0.05, 0.6),
        noted=draw.some(0.7, 0.3, 1.0),
        stops=np.where(
            draw.some(0.45, 0.2, 1.0), np.minimum(1.3 * rng.beta(2.0, 1.0, n), 1.0), 0.0
        ),
        old_mark=np.where(draw.some(0.2, 1.0), np.exp(draw.by_club(-1.0, 0.3)), 1.0),
        changed=draw.by_club(0.0, 1.5) * draw.crew.weeks[draw.crew.club] * DAYS,
        # planned weeks, lighter by so much, all alike or in cycles; tests every so many sessions
        # or weeks; easy days by the last test, not by the day; nothing noted but tests
        planned=draw.some(0.4, 0.5, 1.0),
        light=draw.by_club(0.05, 0.8),
        even=draw.some(0.5, 1.0),
        cycle=np.round(draw.by_club(2.5, 9.5)),
        tests=np.round(draw.scale(2.0, 24.0, 0.2, 0.0)),
        test_weeks=np.where(draw.some(0.5, 1.0), draw.by_club(2.0, 9.0), 0.0),
        by_test=draw.some(0.5, 0.6, 1.0),
        tests_only=draw.some(0.12, 0.5, 1.0),
        # a second coach: share of sessions, how much more he sees; competitions, what they add
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


def form_of_days(
    rng: np.random.Generator, manner: SimpleNamespace, level: Array, gap: Array
) -> Array:
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


def tests_of(manner: SimpleNamespace, day: Array) -> Flags:
    """Which sessions (K, S) are tests: every so many sessions, or the first in so many weeks."""
    number = np.arange(len(day))[:, None]
    block = np.floor(day / (DAYS * np.maximum(manner.test_weeks, 1.0)))
    fresh = np.diff(block, axis=0, prepend=block[:1] - 1.0) > 0
    return np.where(manner.test_weeks > 0, fresh, np.mod(number, manner.tests) == 0)


def planned_down(
    rng: np.random.Generator, manner: SimpleNamespace, test: Flags, day: Array, capacity: Array
) -> tuple[Array, Array]:
    """How far below capacity easy days stay, and the most that is asked on them, (K, S)."""
    into = np.mod(np.floor(day / DAYS), manner.cycle) / np.maximum(manner.cycle - 1.0, 1.0)
    light = manner.light * np.where(manner.even, 0.7, 1.0 - into)
    easy = manner.planned & ~test
    held = np.where(easy, light + 0.05 * np.abs(rng.standard_normal(day.shape)), 0.0)
    last = np.maximum.accumulate(np.where(test, np.arange(len(day))[:, None], 0), axis=0)
    asked = np.take_along_axis(capacity, last, axis=0) - light
    by_test = easy & manner.by_test
    return np.where(by_test, 0.0, held), np.where(by_test, asked, np.inf)


def write_down(
    rng: np.random.Generator, crew: Crew, manner: SimpleNamespace, spell: Ints,
    sessions: dict[str, Array],
) -> tuple[Notes, Flags]:  # fmt: skip
    """Return what is noted of N sessions, and which of them were noted at all, (N,).

    Of each session, (N,): its spell; ``number`` in the spell, ``day``, ``capacity`` that day,
    ``best`` level before, how far it is ``held`` back, and the most that is ``asked``.
    """
    m, n, target = taken(manner, spell), len(spell), crew.target[spell][:, None]
    other = rng.random(n) < m.eye
    capacity = sessions["capacity"] - sessions["held"] + other * m.second
    shape, place = (n, MOST_SETS), np.arange(MOST_SETS)
    done = place < np.clip(np.round(m.sets + 0.7 * rng.standard_normal(n)), 1, MOST_SETS)[:, None]
    odds = m.unclean + m.unclean_slope * capacity + other * m.lenient
    odds = odds + m.unclean_first * np.exp(-sessions["number"] / (2.0 * m.unclean_weeks))
    clean = rng.random(shape) >= 1.0 / (1.0 + np.exp(-odds))[:, None]
    able = np.where(m.lighter & m.by_rule, sessions["best"], capacity)
    lack = np.ceil(np.maximum(m.comfort - able, 0.0) / m.step) * m.step
    aided = rng.random(shape) < np.where(lack > 0, 0.85, 0.02)[:, None]
    band, light = aided & m.helped[:, None], aided & m.lighter[:, None]
    drive = capacity[:, None] + m.set_sd[:, None] * rng.standard_normal(shape)
    drive = drive - m.fatigue[:, None] * place + m.bonus[:, None] * ~clean
    drive = drive + np.where(band | light, (m.worth * lack)[:, None], 0.0)
    load = np.where(light, np.exp(-lack)[:, None], 1.0) * (m.lighter & m.load_noted)[:, None]
    chose = rng.random(shape) < m.reserve[:, None]
    drive = drive - np.where(chose, m.depth[:, None] * rng.random(shape), 0.0)
    asked = sessions["asked"][:, None]
    chose |= (sessions["held"] > EASY)[:, None] | (drive > asked)
    drive = np.minimum(drive, asked)
    value, stopped = _read_off(rng, crew.whole[spell], target, m, sessions["day"], drive, chose)
    slipped = rng.random(shape) < m.slip[:, None]
    value = np.where(slipped, 0.0, value)
    stopped = np.where(m.noted[:, None], np.where(slipped, FAILED, stopped), UNKNOWN)
    counts = clean & ~band & ~light
    # all sets are written down, or the clean ones, the best one, or successes alone
    done &= ~(m.clean_only[:, None] & ~clean)
    best = np.argmax(np.where(done, value + 1e6 * counts, -1.0), axis=1)
    done &= ~(m.best_only[:, None] & (place != best[:, None]))
    done &= ~(m.success_only[:, None] & (value < 0.6 * target))
    noted = np.asarray(done.any(axis=1))
    renumber = np.cumsum(noted) - 1
    return Notes(
        session=renumber[np.nonzero(done)[0]], value=value[done], clean=clean[done],
        assisted=band[done], counts=counts[done], load=load[done],
        stopped=stopped[done].astype(np.int64),
    ), noted  # fmt: skip


def _read_off(
    rng: np.random.Generator, whole: Flags, target: Array, m: SimpleNamespace, day: Array,
    drive: Array, chose: Flags,
) -> tuple[Array, Ints]:  # fmt: skip
    """Values rounded as the coach rounds, cut off at the mark by those who stop there."""
    unit, shown = m.unit[:, None], target * np.exp(np.clip(drive, -6.0, 3.0))
    rounded = np.floor(shown / unit + 0.5) * unit
    value = np.where(whole[:, None], np.floor(shown + 1e-9), rounded)
    mark = np.where(day < m.changed, m.old_mark, 1.0)[:, None] * target
    mark = np.ceil(mark / unit - 1e-9) * unit
    stops = ~chose & (value >= mark) & (rng.random(value.shape) < m.stops[:, None])
    extra = np.where(rng.random(value.shape) < 0.25, unit, 0.0)
    value = np.where(stops, np.minimum(value, mark + extra), value)
    return value, np.where(stops, AT_TARGET, np.where(chose, BY_CHOICE, FAILED))
