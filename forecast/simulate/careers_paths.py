"""How a level moves in invented careers: laws of progress, and what bends them.

Every constant is drawn from a wide range: about a club first, then about its athletes and their
spells, so that a club has a manner of its own. Levels are log(capacity / target); 0 is the target.
Constants of S spells are namespaces of (S,) arrays.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np

from forecast.types import Array, Flags, Ints

DAYS = 7.0


def taken(constants: SimpleNamespace, rows: Ints | Flags) -> SimpleNamespace:
    """Return the constants of some spells."""
    return SimpleNamespace(**{name: values[rows] for name, values in vars(constants).items()})


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
        own = self.rng.standard_normal(self.crew.athlete.max() + 1)[self.crew.athlete]
        return np.exp(log + athlete * own + spell * self.rng.standard_normal(len(log)))

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


def _logistic(time: Array, c: SimpleNamespace) -> Array:
    width = c.room / (4.0 * c.pace)
    early = 1.0 / (1.0 + np.exp(c.onset / width))
    return np.asarray(c.room * (1.0 / (1.0 + np.exp((c.onset - time) / width)) - early))


def _after(time: Array, c: SimpleNamespace) -> Array:
    return np.maximum(time - c.onset, 0.0)


Rise = Callable[[Array, SimpleNamespace], Array]
LAWS: dict[str, tuple[float, Rise]] = {
    "steady": (3.0, lambda t, c: c.pace * t),
    "additive": (2.5, lambda t, c: np.log1p(c.pace * t)),
    "ceiling": (2.0, lambda t, c: c.room * -np.expm1(-c.pace * t / c.room)),
    "practice": (
        1.2, lambda t, c: c.room * (1.0 - (1.0 + c.pace * t / (c.room * c.shape)) ** -c.shape)
    ),
    "logistic": (1.5, _logistic),
    "late": (0.8, lambda t, c: c.pace * _after(t, c)),
    "quick, then slow": (
        0.8, lambda t, c: c.pace * (np.minimum(t, c.onset) + 0.1 * _after(t, c))
    ),
    "growth with age": (0.4, lambda t, c: 0.1 * c.pace * t),
    "still": (0.3, lambda t, c: 0.0 * t),
    "leaps": (1.8, lambda t, c: 0.0 * t),  # nothing but the jumps of ``draw_bends``
    "rise and fall": (
        0.4, lambda t, c: c.pace * np.minimum(t, c.onset) - c.fall * _after(t, c)
    ),
    "losing": (0.4, lambda t, c: -0.6 * c.start - c.fall * t),
    "waves": (0.6, lambda t, c: c.pace * (t - np.sin(c.turn * t) / c.turn)),
}  # fmt: skip
"""How often each law is met, and what it adds to the start; a lively club knows the first five."""
LIVELY, LEAPS = 5, list(LAWS).index("leaps")


def draw_course(draw: Drawer) -> SimpleNamespace:
    """Draw the law of each spell, its start, first gain a week, room above, and shape.

    ``lively``: spells of clubs in which nobody stands still for good.
    """
    n = len(draw.crew.club)
    gap = np.minimum(draw.scale(0.12, 1.6, athlete=0.3, spell=0.3), 3.5)
    weeks = np.clip(draw.scale(4.0, 32.0, athlete=0.4, spell=0.35), 1.5, 400.0)
    room = gap * np.exp(draw.by_club(-0.5, 1.0) + 0.4 * draw.rng.standard_normal(n))
    lively, law = draw.some(0.33, 1.0), draw.kind([weight for weight, _ in LAWS.values()])
    room = np.where(lively, np.maximum(room, 1.2 * gap), room)
    shape = draw.scale(0.3, 2.5, athlete=0.1, spell=0.1)
    onset = draw.scale(4.0, 40.0, athlete=0.2, spell=0.5)
    return SimpleNamespace(
        start=-gap, pace=gap / weeks, room=np.maximum(room, 0.05), shape=shape, onset=onset,
        fall=np.minimum(0.5 * shape, 1.0) * gap / weeks, turn=2.0 * np.pi / np.maximum(onset, 4.0),
        law=np.where(lively, law % LIVELY, law), lively=lively,
    )  # fmt: skip


def core_level(time: Array, course: SimpleNamespace) -> Array:
    """Level after so much training time (K, S), each spell by its own law."""
    level = np.empty_like(time)
    for number, (_, rise) in enumerate(LAWS.values()):
        own = course.law == number
        mine = taken(course, own)
        level[:, own] = mine.start + rise(time[:, own], mine)
    return level


def narrowed(draw: Drawer, level: Array, time: Array, course: SimpleNamespace) -> Array:
    """Two capacities, of which the lower decides: in some clubs a second one is in the way."""
    second = draw.some(0.25, 0.2, 1.0)
    start = course.start * draw.by_club(0.3, 1.3) + 0.1 * draw.rng.standard_normal(len(second))
    other = start + course.pace * draw.scale(0.05, 1.5, 0.4, 0.3) * time
    lower = -np.logaddexp(-12.0 * level, -12.0 * other) / 12.0
    return np.where(second, lower, level)


MOVING, STILL, LOSING = 0, 1, 2


def draw_bends(draw: Drawer, course: SimpleNamespace) -> SimpleNamespace:
    """Draw what bends each spell's course: rates a week, sizes in log units, times in days.

    Much of it is absent in most clubs.
    """
    stalls = draw.some(0.8, 0.1, 1.0) & ~course.lively
    falls = draw.some(0.4, 0.2, 1.0)
    tires, jumps = draw.some(0.3, 0.3, 1.0), draw.some(0.3, 0.2, 1.0) | (course.law == LEAPS)
    return SimpleNamespace(
        # stalls: rate of stopping, of going on, of losing ground instead, and how fast
        stop=np.where(stalls, 1.0 / draw.scale(6.0, 120.0), 0.0),
        resume=1.0 / draw.scale(3.0, 60.0, 0.4, 0.2),
        losing=np.where(falls, draw.by_club(0.05, 0.6), 0.0),
        slide=draw.scale(0.004, 0.08, 0.3, 0.3),
        by_session=draw.some(0.4, 0.5, 1.0),  # time in training counts sessions, or weeks
        # log gain about its usual: sd, and weeks that it lasts
        wander=np.where(draw.some(0.5), draw.scale(0.2, 1.2), 0.0),
        wander_weeks=draw.scale(2.0, 20.0),
        # lost a week off, time of regaining, share never regained, days until it begins
        detrain=np.where(draw.some(0.7), draw.scale(0.003, 0.08), 0.0),
        regain=draw.scale(4.0, 40.0),
        for_good=np.where(draw.some(0.3), draw.by_club(0.0, 0.6), 0.0),
        grace=draw.scale(6.0, 25.0, 0.1, 0.0),
        tire=np.where(tires, draw.scale(0.005, 0.06), 0.0),  # fatigue a session
        tire_days=draw.scale(3.0, 20.0, 0.1, 0.0),
        # passing rises and dips, and the level's own random walk after a week
        wiggle=np.where(draw.some(0.5, 0.3), draw.scale(0.01, 0.10), 0.0),
        wiggle_days=draw.scale(5.0, 80.0),
        walk=np.where(draw.some(0.4, 0.3), draw.scale(0.003, 0.03), 0.0),
        # jumps a week, their size, and how fast they are forgotten
        jump_rate=np.where(jumps, 1.0 / draw.scale(3.0, 60.0), 0.0),
        jump=np.abs(course.start) * draw.scale(0.03, 1.1),
        forget=np.where(draw.some(0.35), draw.scale(0.005, 0.25), 0.0),
        # what an injury takes, and the time of getting it back
        drop=draw.scale(0.03, 0.7),
        heal=draw.scale(7.0, 90.0),
    )


class Strides:
    """Where S spells stand on their way, (S,); changed in place from session to session."""

    def __init__(self, rng: np.random.Generator, bends: SimpleNamespace) -> None:
        """First day: some begin stalled."""
        n = len(bends.stop)
        at_rest = 0.5 * bends.stop / (bends.stop + bends.resume)
        self.rng, self.bends = rng, bends
        self.time = np.zeros(n)  # weeks in training that moved the level
        self.mode = np.where(rng.random(n) < at_rest, STILL, MOVING)
        self.tempo = bends.wander * rng.standard_normal(n)  # log gain beside the usual
        self.slid, self.lost, self.gone, self.tired = np.zeros((4, n))
        self.wave, self.walked, self.jumped, self.hurt = np.zeros((4, n))

    def beside(self) -> Array:
        """What is added to the level of the law."""
        lost = self.lost + self.gone + self.tired + self.hurt + self.slid
        return self.wave + self.walked + self.jumped - lost

    def move(self, gap: Array, rate: Array, injured: Flags) -> None:
        """Move all spells on by ``gap`` days to their next session; ``rate`` is the usual."""
        bends, n = self.bends, len(gap)
        trained = np.minimum(gap, bends.grace) / DAYS
        away = np.maximum(gap - bends.grace, 0.0) / DAYS
        self._switch(gap / DAYS)
        one = self.rng.standard_normal((3, n))
        keep = np.exp(-gap / DAYS / bends.wander_weeks)
        self.tempo = keep * self.tempo + bends.wander * np.sqrt(1.0 - keep**2) * one[0]
        dose = np.where(bends.by_session, 1.0 / rate, trained)
        dose = dose * np.exp(self.tempo - 0.5 * bends.wander**2)
        self.time = self.time + np.where(self.mode == MOVING, dose, 0.0)
        self.slid = self.slid + np.where(self.mode == LOSING, bends.slide * trained, 0.0)
        self.lost = self.lost * np.exp(-DAYS * trained / bends.regain) + bends.detrain * away
        self.lost = np.minimum(self.lost, 0.7)
        self.gone = np.minimum(self.gone + bends.for_good * bends.detrain * away, 0.7)
        self.tired = self.tired * np.exp(-gap / bends.tire_days) + bends.tire
        keep = np.exp(-gap / bends.wiggle_days)
        self.wave = keep * self.wave + bends.wiggle * np.sqrt(1.0 - keep**2) * one[1]
        self.walked = self.walked + bends.walk * np.sqrt(gap / DAYS) * one[2]
        leapt = self.rng.random(n) < -np.expm1(-bends.jump_rate * trained)
        self.jumped = self.jumped * np.exp(-bends.forget * gap / DAYS)
        self.jumped += np.where(leapt, bends.jump * self.rng.exponential(1.0, n), 0.0)
        self.hurt = self.hurt * np.exp(-gap / bends.heal) + np.where(injured, bends.drop, 0.0)

    def _switch(self, weeks: Array) -> None:
        """Let spells stop, lose ground or go on again."""
        bends = self.bends
        draw, falls = self.rng.random((2, len(weeks)))
        stops = (self.mode == MOVING) & (draw < -np.expm1(-bends.stop * weeks))
        resumes = (self.mode != MOVING) & (draw < -np.expm1(-bends.resume * weeks))
        self.mode = np.where(stops, np.where(falls < bends.losing, LOSING, STILL), self.mode)
        self.mode = np.where(resumes, MOVING, self.mode)
