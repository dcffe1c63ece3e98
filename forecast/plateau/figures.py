"""Figures of a spell after one of its sessions: what the verdict is read from.

One reduction (``reduce_sets``) and one function (``figures_at``) serve invented careers and real
logs alike. Nothing after the session asked about is looked at, in this spell or any other.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

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
UNITS = (0.5, 1.0, 2.5, 5.0, 10.0)
FINEST = 0.1
IN_UNITS = 0.95
MEMORY = 182
"""Days of sessions on other rungs that are looked at."""


@dataclass(frozen=True, slots=True)
class Table:
    """Sessions of S spells, N in all, spell after spell.

    Of spells (S,): place of the first session (``start``) and number of sessions (``length``),
    ``athlete``, the mark (``target``), what values are rounded to (``unit``), whether they are
    ``whole``, sessions in a row asked (``confirm``), and whether the log began ``under_way``.
    Of sessions: ``day`` (N,); ``values`` (4, N), log(value / target) of the best set that counts,
    of the best of any kind and the mean, and the mean log load, missing where there was none;
    ``counts`` (7, N) of sets: all, counting, clean, assisted, stopped at the mark, stopped by
    choice, with nothing done; whether it ``met`` the mark (N,); ``shown`` (N, H), one and the
    figures of ``HABITS``, to be summed.
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


def _reduced(sets: Notes, target: Array) -> tuple[Array, Array, Flags]:
    """Return ``values``, ``counts`` and ``met`` of ``Table``; ``target`` (N,) of each session."""
    n, session, real = len(target), sets.session, sets.value > 0
    mark = target[session]
    log = np.maximum(np.log(np.maximum(sets.value, 1e-9) / mark), LOWEST)
    values = np.full((4, n), -np.inf)
    np.maximum.at(values[0], session[sets.counts & real], log[sets.counts & real])
    np.maximum.at(values[1], session[real], log[real])
    loaded = sets.load > 0
    load = np.log(np.where(loaded, sets.load, 1.0))
    for row, noted, what in ((2, real, log), (3, loaded, load)):
        number = np.bincount(session[noted], minlength=n)
        total = np.bincount(session[noted], what[noted], n)
        values[row] = np.where(number > 0, total / np.maximum(number, 1), -np.inf)
    kinds = (
        np.ones(len(session), dtype=bool), sets.counts, sets.clean, sets.assisted,
        sets.stopped == AT_TARGET, sets.stopped == BY_CHOICE, ~real,
    )  # fmt: skip
    counts = np.stack([np.bincount(session[kind], minlength=n) for kind in kinds]).astype(float)
    met = np.bincount(session[sets.counts & (sets.value >= mark - 1e-9)], minlength=n) > 0
    return np.where(np.isfinite(values), values, np.nan), counts, met


def _unit_of(spell: Ints, value: Array, whole: Flags) -> Array:
    """What nearly all values of each spell are rounded to, (S,); ``spell``, ``value`` of sets."""
    unit = np.full(len(whole), FINEST)
    number = np.maximum(np.bincount(spell, minlength=len(whole)), 1)
    for step in UNITS:
        fits = np.abs(value / step - np.round(value / step)) < 1e-6
        share = np.bincount(spell[fits], minlength=len(whole)) / number
        unit = np.where(share >= IN_UNITS, step, unit)
    return np.where(whole, np.maximum(unit, 1.0), unit)


def _tabled(notes: Notes, length: Ints, day: Ints, target: Array, whole: Flags, **of: Any) -> Table:
    """Return a table from the sets and what is known of spells (S,) and days (N,)."""
    start, spell = np.cumsum(length) - length, np.repeat(np.arange(len(length)), length)
    values, counts, met = _reduced(notes, target[spell])
    best = np.where(np.isfinite(values[0]), values[0], values[1])
    slope, long, step, before, leap = along(start, length, day, best)
    seen = np.isfinite(slope)
    shown = np.column_stack([
        np.ones(len(seen)), slope, slope < STANDING, long, long < STANDING, step, best, met,
        counts[1] > 0, best - before > NEAR, leap,
    ])  # fmt: skip
    return Table(
        start=start, length=length, day=day, target=target, whole=whole, values=values,
        unit=_unit_of(spell[notes.session], notes.value, whole), counts=counts, met=met,
        shown=np.where(seen[:, None], np.nan_to_num(shown), 0.0), **of,
    )  # fmt: skip


def table_of_careers(careers: Careers) -> Table:
    """Return invented careers as a table of sessions."""
    crew, first = careers.crew, np.append(careers.day, 10**6)[careers.start]
    return _tabled(
        careers.notes, careers.length, careers.day, crew.target, crew.whole, athlete=crew.athlete,
        confirm=crew.confirm, under_way=first < 14,
    )  # fmt: skip


def table_of(histories: Histories) -> Table:
    """Return a log's histories as a table of sessions; spells as in ``histories.spells``."""
    sets, sessions, spells = histories.sets, histories.sessions, histories.spells
    rung = spells["rung_index"].to_numpy(dtype=np.int64)
    marks = [histories.ladder.rungs[r].criterion for r in rung]
    notes = Notes(
        session=sets["session"].to_numpy(dtype=np.int64),
        value=sets["value"].to_numpy(dtype=float),
        clean=sets["clean"].to_numpy(dtype=bool),
        assisted=sets["assisted"].to_numpy(dtype=bool),
        counts=sets["counts"].to_numpy(dtype=bool),
        load=sets["load_kg"].fillna(0.0).to_numpy(dtype=float),
        stopped=sets["stopped"].map(STOPPED).to_numpy(dtype=np.int64),
    )
    return _tabled(
        notes, np.bincount(sessions["spell"], minlength=len(spells)), day_number(sessions["date"]),
        np.array([float(mark.target) for mark in marks]),
        np.array([mark.measure == "reps" for mark in marks], dtype=bool),
        athlete=spells["athlete_id"].to_numpy(dtype=np.int64),
        confirm=np.array([mark.confirm_sessions for mark in marks], dtype=np.int64),
        under_way=spells["under_way"].to_numpy(dtype=bool),
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
    """Return ``HABITS`` (n, H) of groups ``asked`` (n,) of spells (S,) in half a year, to a day."""
    return _means(_sums_until(group[table.spell], table.day, table.shown, asked, until))


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
    kinds = ("best: most", "best, any kind: most")
    names += [f"{kind}, {end}" for kind in kinds for end in ends]
    names += [*MISCELLANEOUS, "log mark", "whole", "in a row", "log unit / mark", "under way"]
    names += [f"{where}: {figure}" for where in ("elsewhere", "club") for figure in HABITS]
    return tuple(names)


NAMES = _names()
"""What each figure is, in the order of ``figures_at``."""
