"""How a level moves in invented careers: laws of progress, and what bends them.

Every constant is drawn from a wide range: about a club first, then about its athletes and their
spells, so that a club has a manner of its own. Levels are log(capacity / target); 0 is the target.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forecast.types import Array, Flags, Ints

DAYS = 7.0


@dataclass(frozen=True, slots=True)
class Crew:
    """Who is in a batch: for each of S spells its club, athlete and rung, numbered over the batch.

    ``target``, ``whole`` (repetitions) and ``confirm`` (sessions in a row) are the marks, (S,);
    ``weeks`` (clubs,) how long each club's log is.
    """

    club: Ints
    athlete: Ints
    rung: Ints
    target: Array
    whole: Flags
    confirm: Ints
    weeks: Array


@dataclass(frozen=True, slots=True)
class Drawer:
    """Draws constants of spells, shared within clubs and athletes."""

    rng: np.random.Generator
    crew: Crew

    def by_club(self, low: float, high: float) -> Array:
        """Uniform between two ends, one a club; (S,)."""
        return self.rng.uniform(low, high, len(self.crew.weeks))[self.crew.club]

    def scale(self, low: float, high: float, athlete: float = 0.3, spell: float = 0.15) -> Array:
        """Log-uniform between two ends about a club, log-normal about athletes and spells; (S,)."""
        log = self.by_club(np.log(low), np.log(high))
        log = (
            log + athlete * self.rng.standard_normal(self.crew.athlete.max() + 1)[self.crew.athlete]
        )
        return np.exp(log + spell * self.rng.standard_normal(len(log)))

    def some(self, clubs: float, least: float = 0.0, most: float = 1.0) -> Flags:
        """Say for whom a thing holds: in a share of clubs, for such a share of athletes; (S,)."""
        here = self.rng.random(len(self.crew.weeks)) < clubs
        share = np.where(here, self.rng.uniform(least, most, len(here)), 0.0)[self.crew.club]
        return self.rng.random(self.crew.athlete.max() + 1)[self.crew.athlete] < share

    def kind(self, weights: list[float], sameness: float = 0.6) -> Ints:
        """Number of a kind a spell, mostly the club's own mixture; (S,)."""
        concentration = sameness * np.array(weights) / np.mean(weights)
        mix = self.rng.dirichlet(np.maximum(concentration, 1e-3), len(self.crew.weeks))
        edges = np.cumsum(mix, axis=1)[self.crew.club]
        draw = self.rng.random(len(self.crew.club))[:, None]
        return np.minimum((draw > edges).sum(axis=1), len(weights) - 1)


@dataclass(frozen=True, slots=True)
class Course:
    """Constants of the laws, (S,): level at the start, first gain a week, room above, and shape.

    ``lively``: spells of clubs in which nobody stands still for good.
    """

    start: Array
    pace: Array
    room: Array
    shape: Array
    onset: Array
    law: Ints
    lively: Flags


def steady(time: Array, c: Course) -> Array:
    """The same gain a week, as a share."""
    return c.start + c.pace * time


def additive(time: Array, c: Course) -> Array:
    """The same gain a week in seconds or kilograms."""
    return c.start + np.log1p(c.pace * time)


def ceiling(time: Array, c: Course) -> Array:
    """Nearing a ceiling, above the target or below it."""
    return c.start + c.room * -np.expm1(-c.pace * time / c.room)


def practice(time: Array, c: Course) -> Array:
    """Power law of practice."""
    return c.start + c.room * (1.0 - (1.0 + c.pace * time / (c.room * c.shape)) ** -c.shape)


def logistic(time: Array, c: Course) -> Array:
    """Slow, quick, slow."""
    width = c.room / (4.0 * c.pace)
    early = 1.0 / (1.0 + np.exp(c.onset / width))
    return c.start + c.room * (1.0 / (1.0 + np.exp((c.onset - time) / width)) - early)


def late(time: Array, c: Course) -> Array:
    """Nothing for a while, then a rise."""
    return c.start + c.pace * np.maximum(time - c.onset, 0.0)


def quick_then_slow(time: Array, c: Course) -> Array:
    """A beginner's gains, then a tenth of them."""
    return c.start + c.pace * (np.minimum(time, c.onset) + 0.1 * np.maximum(time - c.onset, 0.0))


def slow(time: Array, c: Course) -> Array:
    """Growth with age: little, for years."""
    return c.start + 0.1 * c.pace * time


def still(time: Array, c: Course) -> Array:
    """No gain at all."""
    return c.start + 0.0 * time


def leaps(time: Array, c: Course) -> Array:
    """Insight: nothing but the jumps of ``Bends``."""
    return still(time, c)


def rise_and_fall(time: Array, c: Course) -> Array:
    """Up to a best, then down again, slower."""
    after = np.maximum(time - c.onset, 0.0)
    return c.start + c.pace * (np.minimum(time, c.onset) - np.minimum(0.5 * c.shape, 1.0) * after)


def losing(time: Array, c: Course) -> Array:
    """Down all along."""
    return 0.4 * c.start - np.minimum(0.5 * c.shape, 1.0) * c.pace * time


def waves(time: Array, c: Course) -> Array:
    """Gain that comes in cycles, now double, now none."""
    turn = 2.0 * np.pi / np.maximum(c.onset, 4.0)
    return c.start + c.pace * (time - np.sin(turn * time) / turn)


LAWS = {
    steady: 3.0, additive: 2.5, ceiling: 2.0, practice: 1.2, logistic: 1.5, late: 0.8,
    quick_then_slow: 0.8, slow: 0.4, still: 0.3, leaps: 1.2, rise_and_fall: 0.4, losing: 0.4,
    waves: 0.6,
}  # fmt: skip
"""Laws and how often they are met; a lively club knows only the first five."""
LIVELY = 5


def draw_course(draw: Drawer) -> Course:
    """Draw the law of each spell and its constants."""
    n = len(draw.crew.club)
    gap = np.minimum(draw.scale(0.12, 1.6, athlete=0.3, spell=0.3), 3.5)
    weeks = np.clip(draw.scale(4.0, 32.0, athlete=0.4, spell=0.35), 1.5, 400.0)
    room = gap * np.exp(draw.by_club(-0.5, 1.0) + 0.4 * draw.rng.standard_normal(n))
    lively, law = draw.some(0.33, 1.0), draw.kind(list(LAWS.values()))
    room = np.where(lively, np.maximum(room, 1.2 * gap), room)
    return Course(
        start=-gap,
        pace=gap / weeks,
        room=np.maximum(room, 0.05),
        shape=draw.scale(0.3, 2.5, athlete=0.1, spell=0.1),
        onset=draw.scale(4.0, 40.0, athlete=0.2, spell=0.5),
        law=np.where(lively, law % LIVELY, law),
        lively=lively,
    )


def core_level(time: Array, course: Course) -> Array:
    """Level after so much training time (K, S), each spell by its own law."""
    level = np.empty_like(time)
    for number, law in enumerate(LAWS):
        own = course.law == number
        mine = Course(*(getattr(course, name)[own] for name in Course.__slots__))
        level[:, own] = law(time[:, own], mine)
    return level


def narrowed(draw: Drawer, level: Array, time: Array, course: Course) -> Array:
    """Two capacities, of which the lower decides: in some clubs a second one is in the way."""
    second = draw.some(0.25, 0.2, 1.0)
    start = course.start * draw.by_club(0.3, 1.3) + 0.1 * draw.rng.standard_normal(len(second))
    other = start + course.pace * draw.scale(0.05, 1.5, 0.4, 0.3) * time
    lower = -np.logaddexp(-12.0 * level, -12.0 * other) / 12.0
    return np.where(second, lower, level)


LEAPS = list(LAWS).index(leaps)
MOVING, STILL, LOSING = 0, 1, 2


@dataclass(frozen=True, slots=True)
class Bends:
    """What bends the course, constants (S,): rates a week, sizes in log units, times in days."""

    stop: Array  # stalls: rate of stopping, of going on, of losing ground instead, and how fast
    resume: Array
    losing: Array
    slide: Array
    by_session: Flags  # whether time in training counts sessions or weeks
    wander: Array  # sd of log gain about its usual, and how many weeks that lasts
    wander_weeks: Array
    detrain: Array  # lost a week off, time of regaining, share never regained
    regain: Array
    for_good: Array
    grace: Array
    tire: Array  # fatigue a session and its time
    tire_days: Array
    wiggle: Array  # sd of a passing rise or dip of level and its time
    wiggle_days: Array
    walk: Array  # sd of the level's own random walk after a week
    jump_rate: Array  # jumps of level a week, their size, and how fast they are forgotten
    jump: Array
    forget: Array
    drop: Array  # what an injury takes, and the time of getting it back
    heal: Array


def draw_bends(draw: Drawer, course: Course) -> Bends:
    """Draw what bends each spell's course; much of it is absent in most clubs."""
    stalls = draw.some(0.8, 0.1, 1.0) & ~course.lively
    falls = draw.some(0.4, 0.2, 1.0)
    tires, jumps = draw.some(0.3, 0.3, 1.0), draw.some(0.3, 0.2, 1.0) | (course.law == LEAPS)
    return Bends(
        stop=np.where(stalls, 1.0 / draw.scale(6.0, 120.0), 0.0),
        resume=1.0 / draw.scale(3.0, 60.0, 0.4, 0.2),
        losing=np.where(falls, draw.by_club(0.05, 0.6), 0.0),
        slide=draw.scale(0.004, 0.08, 0.3, 0.3),
        by_session=draw.some(0.4, 0.5, 1.0),
        wander=np.where(draw.some(0.5), draw.scale(0.2, 1.2), 0.0),
        wander_weeks=draw.scale(2.0, 20.0),
        detrain=np.where(draw.some(0.7), draw.scale(0.003, 0.08), 0.0),
        regain=draw.scale(4.0, 40.0),
        for_good=np.where(draw.some(0.3), draw.by_club(0.0, 0.6), 0.0),
        grace=draw.scale(6.0, 25.0, 0.1, 0.0),
        tire=np.where(tires, draw.scale(0.005, 0.06), 0.0),
        tire_days=draw.scale(3.0, 20.0, 0.1, 0.0),
        wiggle=np.where(draw.some(0.5, 0.3), draw.scale(0.01, 0.10), 0.0),
        wiggle_days=draw.scale(5.0, 80.0),
        walk=np.where(draw.some(0.4, 0.3), draw.scale(0.003, 0.03), 0.0),
        jump_rate=np.where(jumps, 1.0 / draw.scale(3.0, 30.0), 0.0),
        jump=np.abs(course.start) * draw.scale(0.03, 0.8),
        forget=np.where(draw.some(0.3), draw.scale(0.01, 0.15), 0.0),
        drop=draw.scale(0.03, 0.5),
        heal=draw.scale(7.0, 90.0),
    )


@dataclass(slots=True)
class Strides:
    """Where S spells stand on their way, (S,); changed in place from session to session."""

    time: Array  # weeks in training that moved the level
    mode: Ints
    tempo: Array  # log gain beside the usual
    slid: Array
    lost: Array
    gone: Array
    tired: Array
    wave: Array
    walked: Array
    jumped: Array
    hurt: Array

    def beside(self) -> Array:
        """What is added to the level of the law."""
        lost = self.lost + self.gone + self.tired + self.hurt + self.slid
        return self.wave + self.walked + self.jumped - lost


def first_strides(rng: np.random.Generator, bends: Bends) -> Strides:
    """Where spells stand on their first day: some begin stalled."""
    n = len(bends.stop)
    at_rest = 0.5 * bends.stop / (bends.stop + bends.resume)
    zero = [np.zeros(n) for _ in range(8)]
    return Strides(
        np.zeros(n), np.where(rng.random(n) < at_rest, STILL, MOVING),
        bends.wander * rng.standard_normal(n), *zero,
    )  # fmt: skip


def move(
    rng: np.random.Generator, s: Strides, bends: Bends, gap: Array, rate: Array, injured: Flags
) -> None:
    """Move all spells on by ``gap`` days to their next session, in place; ``rate`` is the usual."""
    n = len(gap)
    trained = np.minimum(gap, bends.grace) / DAYS
    away = np.maximum(gap - bends.grace, 0.0) / DAYS
    switch_mode(rng, s, bends, gap / DAYS)
    one = rng.standard_normal((3, n))
    keep = np.exp(-gap / DAYS / bends.wander_weeks)
    s.tempo = keep * s.tempo + bends.wander * np.sqrt(1.0 - keep**2) * one[0]
    dose = np.where(bends.by_session, 1.0 / rate, trained)
    dose = dose * np.exp(s.tempo - 0.5 * bends.wander**2)
    s.time = s.time + np.where(s.mode == MOVING, dose, 0.0)
    s.slid = s.slid + np.where(s.mode == LOSING, bends.slide * trained, 0.0)
    s.lost = s.lost * np.exp(-DAYS * trained / bends.regain) + bends.detrain * away
    s.lost = np.minimum(s.lost, 0.7)
    s.gone = np.minimum(s.gone + bends.for_good * bends.detrain * away, 0.7)
    s.tired = s.tired * np.exp(-gap / bends.tire_days) + bends.tire
    keep = np.exp(-gap / bends.wiggle_days)
    s.wave = keep * s.wave + bends.wiggle * np.sqrt(1.0 - keep**2) * one[1]
    s.walked = s.walked + bends.walk * np.sqrt(gap / DAYS) * one[2]
    leapt = rng.random(n) < -np.expm1(-bends.jump_rate * trained)
    s.jumped = s.jumped * np.exp(-bends.forget * gap / DAYS)
    s.jumped = s.jumped + np.where(leapt, bends.jump * rng.exponential(1.0, n), 0.0)
    s.hurt = s.hurt * np.exp(-gap / bends.heal) + np.where(injured, bends.drop, 0.0)


def switch_mode(rng: np.random.Generator, s: Strides, bends: Bends, weeks: Array) -> None:
    """Let spells stop, lose ground or go on again, in place."""
    draw, falls = rng.random((2, len(weeks)))
    stops = (s.mode == MOVING) & (draw < -np.expm1(-bends.stop * weeks))
    resumes = (s.mode != MOVING) & (draw < -np.expm1(-bends.resume * weeks))
    s.mode = np.where(stops, np.where(falls < bends.losing, LOSING, STILL), s.mode)
    s.mode = np.where(resumes, MOVING, s.mode)
