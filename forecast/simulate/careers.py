"""Invented careers of very many kinds, with the true level beside: what a verdict is learnt from.

A batch is some clubs, each with a manner of its own. Every spell is walked session by session, all
spells of the batch at once; then sets are drawn, and a rung that was cleared ends there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forecast.errors import SimulationError
from forecast.simulate.careers_notes import (
    Notes,
    draw_habits,
    draw_manner,
    form_of_days,
    next_gap,
    write_down,
)
from forecast.simulate.careers_paths import (
    DAYS,
    Crew,
    Drawer,
    core_level,
    draw_bends,
    draw_course,
    first_strides,
    move,
    narrowed,
)
from forecast.types import Array, Ints

MOST_SESSIONS = 200
MOST_ATHLETES = 150
BEFORE = 30.0
"""Weeks that athletes may have trained before the log begins."""


@dataclass(frozen=True, slots=True)
class Careers:
    """Spells of invented clubs: what was noted, and what was true.

    Attributes
    ----------
    crew
        Club, athlete, rung and mark of each of S spells; clubs' logs begin on day 0.
    start, length, cleared
        (S,) place of the first session noted, their number, and day of clearing (inf: never).
    day, level
        (N,) day and true level of each session noted, spell after spell.
    notes
        The sets.
    """

    crew: Crew
    start: Ints
    length: Ints
    cleared: Array
    day: Ints
    level: Array
    notes: Notes


def invent_careers(n_spells: int, *, seed: int) -> Careers:
    """Invent clubs of 1 to 150 athletes until there are about so many spells.

    Parameters
    ----------
    n_spells
        How many spells are wanted, 1 or more; the last club is not cut short.
    seed
        Same number and seed, same careers.

    Raises
    ------
    SimulationError
        ``n_spells`` is below 1.
    """
    if n_spells < 1:
        raise SimulationError(f"n_spells = {n_spells}; give a number of 1 or more.")
    rng = np.random.default_rng([seed, n_spells])
    draw = Drawer(rng, draw_crew(rng, n_spells))
    days, level = _walk(rng, draw)
    return _noted(rng, draw, days, level)


def draw_crew(rng: np.random.Generator, n_spells: int) -> Crew:
    """Draw clubs, their athletes and who is on which rung."""
    sizes: list[int] = []
    per_athlete: list[float] = []
    while not sizes or np.dot(sizes, per_athlete) < n_spells:
        sizes.append(int(np.exp(rng.random() ** 3 * np.log(MOST_ATHLETES + 0.5))))
        per_athlete.append(rng.uniform(1.0, 4.0))
    clubs = len(sizes)
    club_of = np.repeat(np.arange(clubs), sizes)
    spells = 1 + rng.poisson(np.array(per_athlete)[club_of] - 1.0)
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
    target = np.maximum(np.round(marks.ravel()[rung]), 1.0)
    return Crew(
        club=club,
        athlete=athlete,
        rung=rung,
        target=target,
        whole=kinds.ravel()[rung] == 1,
        confirm=confirm.ravel()[rung],
        weeks=rng.uniform(8.0, 150.0, clubs),
    )


def _walk(rng: np.random.Generator, draw: Drawer) -> tuple[Array, Array]:
    """Day and true level of every session, (K, S); days go on past the end of the log."""
    crew = draw.crew
    course, habits = draw_course(draw), draw_habits(draw)
    bends = draw_bends(draw, course)
    weeks, n = crew.weeks[crew.club], len(crew.club)
    first = rng.uniform(0.0, 0.95, n) * weeks
    first = np.where(draw.some(0.7, 0.1, 0.9), -BEFORE * rng.random(n), first)
    first = np.maximum(first, weeks - 0.85 * MOST_SESSIONS / habits.rate)
    day = np.round(DAYS * first)
    strides, mood = first_strides(rng, bends), habits.wander * rng.standard_normal(n)
    days, time, beside = (np.empty((MOST_SESSIONS, n)) for _ in range(3))
    for k in range(MOST_SESSIONS):
        days[k], time[k], beside[k] = day, strides.time, strides.beside()
        gap, injured = next_gap(rng, habits, day, strides.mode, mood)
        keep = np.exp(-gap / (10.0 * DAYS))
        mood = keep * mood + habits.wander * np.sqrt(1.0 - keep**2) * rng.standard_normal(n)
        move(rng, strides, bends, gap, habits.rate, injured)
        day = day + gap
    level = core_level(time, course) + beside
    return days, np.clip(narrowed(draw, level, time, course), -5.0, 1.5)


def _noted(rng: np.random.Generator, draw: Drawer, days: Array, level: Array) -> Careers:
    """Write down what the log's time holds, and end each rung where it is cleared."""
    crew, manner = draw.crew, draw_manner(draw)
    gap = np.diff(days, axis=0, prepend=days[:1])
    capacity = level + form_of_days(rng, manner, level, gap)
    inside = (days >= 0) & (days < DAYS * crew.weeks[crew.club])
    spell, number = np.nonzero(inside.T)
    at = (number, spell)
    notes, noted = write_down(rng, crew, manner, (spell, number, days[at], capacity[at]))
    spell, day, true = spell[noted], days[at][noted].astype(np.int64), level[at][noted]
    last, cleared = _clearing(crew, spell, day, notes)
    keep = np.arange(len(spell)) <= last[spell]
    renumber = np.cumsum(keep) - 1
    own = keep[notes.session]
    fields = {name: getattr(notes, name)[own] for name in Notes.__slots__}
    fields["session"] = renumber[fields["session"]]
    length = np.bincount(spell[keep], minlength=len(crew.club))
    return Careers(
        crew=crew,
        start=np.cumsum(length) - length,
        length=length,
        cleared=cleared,
        day=day[keep],
        level=true[keep],
        notes=Notes(**fields),
    )


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
