"""Figures of a spell after one of its sessions: what the verdict is read from.

One reduction (``reduce_sets``) and one function (``figures_at``) serve invented careers and real
logs alike. Nothing after the session asked about is looked at, in this spell or any other.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from forecast.histories import Histories, day_number
from forecast.plateau.kernels import (
    LENGTHS,
    MISCELLANEOUS,
    SERIES,
    STRETCHES,
    WINDOW_FIGURES,
    along,
    own_figures,
)
from forecast.simulate import AT_TARGET, BY_CHOICE, FAILED, UNKNOWN, Careers, Notes
from forecast.types import Array, Flags, Ints

STOPPED = {"unknown": UNKNOWN, "failed": FAILED, "target": AT_TARGET, "choice": BY_CHOICE}
LOWEST = -5.0
"""Values far below the mark count as this, log(value / target)."""
UNITS = (10.0, 5.0, 2.5, 1.0, 0.5)
FINEST = 0.1
IN_UNITS = 0.95
MEMORY = 182
"""Days of sessions on other rungs that are looked at."""


@dataclass(frozen=True, slots=True)
class Table:
    """Sessions of S spells, N in all, spell after spell.

    Attributes
    ----------
    start, length
        (S,) place of each spell's first session, and number of sessions.
    athlete
        (S,) number.
    target, unit, whole, confirm
        (S,) the mark, what values are rounded to, whether they are whole, sessions in a row asked.
    under_way
        (S,) whether the spell was under way when the log began.
    day
        (N,) day of each session.
    values
        (4, N) log(value / target) of a session's best set that counts, of its best set of any
        kind, and the mean of its sets; and the mean log load; missing where there was none.
    counts
        (7, N) sets of a session: all, counting, clean, assisted, stopped at the mark, stopped by
        choice, and those with nothing done.
    met
        (N,) whether the session met the mark.
    shown
        (N, H) one and the figures of ``HABITS``, to be summed.
    """

    start: Ints
    length: Ints
    athlete: Ints
    target: Array
    unit: Array
    whole: Flags
    confirm: Ints
    under_way: Flags
    day: Ints
    values: Array
    counts: Array
    met: Flags
    shown: Array

    @property
    def spell(self) -> Ints:
        """(N,) spell of each session."""
        return np.repeat(np.arange(len(self.start)), self.length)


def reduce_sets(sets: Notes, target: Array) -> tuple[Array, Array, Flags]:
    """Return ``values``, ``counts`` and ``met`` of ``Table``; ``target`` (N,) of each session."""
    n, session, real = len(target), sets.session, sets.value > 0
    mark = target[session]
    log = np.maximum(np.log(np.maximum(sets.value, 1e-9) / mark), LOWEST)
    values = np.full((4, n), -np.inf)
    np.maximum.at(values[0], session[sets.counts & real], log[sets.counts & real])
    np.maximum.at(values[1], session[real], log[real])
    loaded = sets.load > 0
    load = np.log(np.where(loaded, sets.load, 1.0))
    for row, told, what in ((2, real, log), (3, loaded, load)):
        number = np.bincount(session[told], minlength=n)
        total = np.bincount(session[told], what[told], n)
        values[row] = np.where(number > 0, total / np.maximum(number, 1), -np.inf)
    kinds = (
        np.ones(len(session), dtype=bool), sets.counts, sets.clean, sets.assisted,
        sets.stopped == AT_TARGET, sets.stopped == BY_CHOICE, ~real,
    )  # fmt: skip
    counts = np.stack([np.bincount(session[kind], minlength=n) for kind in kinds]).astype(float)
    met = np.bincount(session[sets.counts & (sets.value >= mark - 1e-9)], minlength=n) > 0
    return np.where(np.isfinite(values), values, np.nan), counts, met


def unit_of(spell: Ints, value: Array, whole: Flags) -> Array:
    """What the values of each spell are rounded to, (S,), as nearly all of them show.

    ``spell`` (M,) and ``value`` (M,) of sets, ``whole`` (S,).
    """
    unit = np.full(len(whole), FINEST)
    number = np.maximum(np.bincount(spell, minlength=len(whole)), 1)
    for step in sorted(UNITS):
        fits = np.abs(value / step - np.round(value / step)) < 1e-6
        share = np.bincount(spell[fits], minlength=len(whole)) / number
        unit = np.where(share >= IN_UNITS, step, unit)
    return np.where(whole, np.maximum(unit, 1.0), unit)


def table_of_careers(careers: Careers) -> Table:
    """Return invented careers as a table of sessions."""
    crew, notes = careers.crew, careers.notes
    spell = np.repeat(np.arange(len(careers.start)), careers.length)
    values, counts, met = reduce_sets(notes, crew.target[spell])
    unit = unit_of(spell[notes.session], notes.value, crew.whole)
    first = np.full(len(spell) + 1, 10**6)
    first[: len(spell)] = careers.day
    return Table(
        start=careers.start, length=careers.length, athlete=crew.athlete, target=crew.target,
        unit=unit, whole=crew.whole, confirm=crew.confirm, under_way=first[careers.start] < 14,
        day=careers.day, values=values, counts=counts, met=met,
        shown=_shown(careers.start, careers.length, careers.day, values, counts, met),
    )  # fmt: skip


def table_of(histories: Histories) -> Table:
    """Return a log's histories as a table of sessions; spells as in ``histories.spells``."""
    sets, sessions, spells = histories.sets, histories.sessions, histories.spells
    criteria = [rung.criterion for rung in histories.ladder.rungs]
    rung = spells["rung_index"].to_numpy(dtype=np.int64)
    length = np.bincount(sessions["spell"], minlength=len(spells))
    mark = np.array([float(c.target) for c in criteria])
    whole = np.array([c.measure == "reps" for c in criteria])
    notes = Notes(
        session=sets["session"].to_numpy(dtype=np.int64),
        value=sets["value"].to_numpy(dtype=float),
        clean=sets["clean"].to_numpy(dtype=bool),
        assisted=sets["assisted"].to_numpy(dtype=bool),
        counts=sets["counts"].to_numpy(dtype=bool),
        load=sets["load_kg"].fillna(0.0).to_numpy(dtype=float),
        stopped=sets["stopped"].map(STOPPED).to_numpy(dtype=np.int64),
    )
    target = mark[rung[sessions["spell"].to_numpy()]]
    values, counts, met = reduce_sets(notes, target)
    unit = unit_of(sets["spell"].to_numpy(dtype=np.int64), notes.value, whole[rung])
    start, day = np.cumsum(length) - length, day_number(sessions["date"])
    return Table(
        start=start, length=length,
        athlete=spells["athlete_id"].to_numpy(dtype=np.int64), target=mark[rung], unit=unit,
        whole=whole[rung],
        confirm=np.array([c.confirm_sessions for c in criteria], dtype=np.int64)[rung],
        under_way=spells["under_way"].to_numpy(dtype=bool),
        day=day, values=values, counts=counts, met=met,
        shown=_shown(start, length, day, values, counts, met),
    )  # fmt: skip


def figures_at(table: Table, spell: Ints, at: Ints, habits: Array) -> Array:
    """Return the figures of ``spell`` (n,) after its session ``at`` (n,), (n, F); all finite.

    ``at`` numbers sessions over the whole table; ``habits`` (H,) or (n, H) from ``habits_of``.
    Other athletes are looked at through ``habits`` alone, so that a verdict does not depend on who
    else is asked about.
    """
    own = own_figures(
        table.start[spell], at, table.day, table.values, table.counts, table.met.astype(np.float64)
    )
    unit = table.unit[spell] / table.target[spell]
    mark = np.column_stack([
        np.log(table.target[spell]), table.whole[spell], table.confirm[spell],
        np.log(np.minimum(unit, 1.0)), table.under_way[spell],
    ])  # fmt: skip
    shown, of = table.shown, table.spell
    every = _sums_until(table.athlete[of], table.day, shown, table.athlete[spell], table.day[at])
    elsewhere = _means(every - _sums_until(of, table.day, shown, spell, table.day[at]))
    club = np.broadcast_to(habits, elsewhere.shape)
    figures = np.column_stack([own, mark, elsewhere, club])
    # in single precision, so that a file, a log and a test give the trees the very same numbers
    return np.clip(figures, -1e4, 1e4).astype(np.float32).astype(np.float64)


HABITS = (
    "sessions", "slope", "standing", "long slope", "long standing", "step", "level", "met", "valid",
    "near the best", "leap",
)  # fmt: skip
"""Of the sessions of half a year: their number, means, and shares of them."""
STANDING = 0.005
"""A slope a week below this counts as standing still."""
NEAR = -0.03
"""A session within so much of the best before it is near it: often a test, or a standstill."""


def habits_of(table: Table, group: Ints, asked: Ints, until: Ints) -> Array:
    """Return ``HABITS`` (n, H) of groups of spells, such as clubs, in the half year up to a day.

    ``group`` (S,) of each spell; ``asked`` (n,) which group, ``until`` (n,) which day.
    """
    return _means(_sums_until(group[table.spell], table.day, table.shown, asked, until))


def _shown(start: Ints, length: Ints, day: Ints, values: Array, counts: Array, met: Flags) -> Array:
    """What each session shows (N, H), to be summed: one, then the figures of ``HABITS``."""
    best = np.where(np.isfinite(values[0]), values[0], values[1])
    slope, long, step, before, leap = along(start, length, day, best)
    seen = np.isfinite(slope)
    shown = np.column_stack([
        np.ones(len(seen)), slope, slope < STANDING, long, long < STANDING, step, best, met,
        counts[1] > 0, best - before > NEAR, leap,
    ])  # fmt: skip
    return np.where(seen[:, None], np.nan_to_num(shown), 0.0)


def _means(sums: Array) -> Array:
    number = np.round(sums[:, :1])
    means = np.where(number > 0, sums[:, 1:], 0.0) / (number + 1.0)
    return np.column_stack([np.log1p(number), np.round(means, 9)])


def _sums_until(group: Ints, day: Ints, values: Array, asked: Ints, until: Ints) -> Array:
    """Sums (n, V) of values (N, V) over a group's days in the ``MEMORY`` days up to each day."""
    low = min(int(day.min(initial=0)), int(until.min(initial=0)))
    apart = max(int(day.max(initial=0)), int(until.max(initial=0))) - low + MEMORY + 2
    key = group * apart + (day - low)
    order = np.argsort(key, kind="stable")
    total = np.concatenate([np.zeros((1, values.shape[1])), np.cumsum(values[order], axis=0)])
    key = key[order]
    last = asked * apart + (until - low)
    begin = np.searchsorted(key, np.maximum(last - MEMORY, asked * apart - 1), side="right")
    return np.asarray(total[np.searchsorted(key, last, side="right")] - total[begin])


def _names() -> tuple[str, ...]:
    windows = [f"{w:g} weeks" if w < 1e3 else "all weeks" for w in LENGTHS]
    names = [f"{s}: {f}, {w}" for s in SERIES for w in windows for f in WINDOW_FIGURES]
    ends = [f"{low:g} to {high:g} weeks back" for low, high in pairwise(STRETCHES)]
    kinds = ("best: most", "best: median", "best, any kind: most")
    names += [f"{kind}, {end}" for kind in kinds for end in ends]
    names += [*MISCELLANEOUS, "log mark", "whole", "in a row", "log unit / mark", "under way"]
    names += [f"{where}: {figure}" for where in ("elsewhere", "club") for figure in HABITS]
    return tuple(names)


NAMES = _names()
"""What each figure is, in the order of ``figures_at``."""
