"""Who stands where on the ladder, which step led to each rung, and at which rhythm they train."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from forecast.histories import CLEARED, PASSED_OVER, Histories, day_number
from forecast.ladder import Ladder
from forecast.readiness import rungs_behind
from forecast.types import Array, Flags, Ints

LAYOFF_DAYS = 14.0
"""Longer gaps are layoffs: they stay as they are when sessions a week change."""
FINER = 8
"""Entries of a changed gap table for each entry of the usual one."""


@dataclass(frozen=True, slots=True)
class Plan:
    """The ladder as arrays: ``needs`` by rung number, ``min_days`` (R,), ``confirm`` (R,)."""

    needs: tuple[tuple[int, ...], ...]
    min_days: Array
    confirm: Ints

    @property
    def n_rungs(self) -> int:
        """Number of rungs R."""
        return len(self.needs)

    def way_to(self, rung: int) -> Flags:
        """(R,) the rung, and every rung that it needs, directly or not."""
        on = np.zeros(self.n_rungs, dtype=bool)
        on[rung] = True
        for r in range(rung, -1, -1):
            if on[r]:
                on[list(self.needs[r])] = True
        return on


def ladder_plan(ladder: Ladder) -> Plan:
    """Return the ladder as arrays, in its order."""
    return Plan(
        needs=tuple(tuple(ladder.position(key) for key in rung.needs) for rung in ladder.rungs),
        min_days=np.array([7.0 * rung.min_weeks for rung in ladder.rungs]),
        confirm=np.array([r.criterion.confirm_sessions for r in ladder.rungs], dtype=np.int64),
    )


@dataclass(frozen=True, slots=True)
class Standing:
    """Where A athletes stand at the cut.

    ``athletes`` (A,) increasing numbers, with their ``names``; (A, R): rungs ``behind`` them, those
    ``presumed`` of them that no log shows, ``spell`` the row in ``histories.spells`` (-1: none),
    those ``under_way``, and ``cleared_day`` in days from the cut (0 or less, NaN where unknown);
    ``since`` (A,) days from the cut to the athlete's first set.
    """

    athletes: Ints
    names: tuple[str, ...]
    behind: Flags
    presumed: Flags
    spell: Ints
    under_way: Flags
    cleared_day: Array
    since: Array

    @property
    def ahead(self) -> Flags:
        """(A, R) rungs still ahead, those under way included."""
        return ~self.behind


def stand(histories: Histories, names: list[str]) -> Standing:
    """Return where these athletes stand; ``readiness.rungs_behind`` says what is behind them."""
    spells = histories.spells.reset_index(names="row")
    spells = spells[spells["athlete"].isin(names)]
    athletes = np.unique(spells["athlete_id"].to_numpy(dtype=np.int64))
    who = np.searchsorted(athletes, spells["athlete_id"].to_numpy())
    rung = spells["rung_index"].to_numpy(dtype=np.int64)
    shape = (len(athletes), len(histories.ladder.rungs))
    row = np.full(shape, -1, dtype=np.int64)
    row[who, rung] = spells["row"]
    under_way, done = np.zeros(shape, dtype=bool), np.zeros(shape, dtype=bool)
    under_way[who, rung] = spells["open"]
    done[who, rung] = spells["outcome"].isin([CLEARED, PASSED_OVER])
    begun = row >= 0
    cut = int(day_number(pd.Series([histories.as_of]))[0])
    day = np.full(shape, np.nan)
    finished = done[who, rung]
    day[who[finished], rung[finished]] = day_number(spells["end"][finished]) - cut
    behind = rungs_behind(done, begun, under_way, histories.ladder)
    first = np.full(len(athletes), np.inf)
    np.minimum.at(first, who, day_number(spells["start"]) - cut)
    by_number = dict(zip(spells["athlete_id"], spells["athlete"], strict=True))
    return Standing(
        athletes=athletes,
        names=tuple(by_number[number] for number in athletes),
        behind=behind,
        presumed=behind & ~begun,
        spell=row,
        under_way=under_way & ~behind,
        cleared_day=day,
        since=first,
    )


def last_needs(histories: Histories) -> pd.DataFrame:
    """Return, for spells whose needed rungs the log shows cleared, the step that led to them.

    One row a spell: ``spell`` and ``before`` (rows of ``histories.spells``; the need cleared
    last), ``delay`` (days from the rung being open, ``min_weeks`` served, to its first session; 0
    where the coach did not wait).
    """
    spells, plan = histories.spells, ladder_plan(histories.ladder)
    done = spells[spells["cleared_on"].notna()].reset_index(names="row")
    by_key = done.set_index(["athlete", "rung_index"])[["row", "cleared_on"]]
    rows = []
    for spell, athlete, rung, start in zip(
        spells.index, spells["athlete"], spells["rung_index"], spells["start"], strict=True
    ):
        needs = [(athlete, need) for need in plan.needs[rung]]
        if not needs or not all(need in by_key.index for need in needs):
            continue
        cleared = [by_key.loc[need, "cleared_on"] for need in needs]
        last = int(np.argmax([day.value for day in cleared]))
        if cleared[last] > start:
            continue
        ready = max(
            day + pd.Timedelta(days=plan.min_days[need[1]])
            for day, need in zip(cleared, needs, strict=True)
        )
        delay = max((start - ready).days, 0)
        rows.append((spell, int(by_key.loc[needs[last], "row"]), float(delay)))
    return pd.DataFrame(rows, columns=["spell", "before", "delay"])


@dataclass(frozen=True, slots=True)
class Rhythm:
    """``scale`` (A, R) factor on ordinary gaps; ``gain`` (A, R, P) factor on swing and pace.

    Axes of one entry stand for all.
    """

    scale: Array
    gain: Array

    def on(self, rung: int, who: Ints) -> tuple[Array, Array]:
        """Return the factor on gaps (T,) and on gain (T, P) of athletes ``who`` on a rung."""
        return (
            self.scale[who, rung % self.scale.shape[1]],
            self.gain[who, rung % self.gain.shape[1]],
        )


def scaled_gaps(table: Array, scale: Array) -> Array:
    """Return (T, G) gap tables at another rhythm, ``scale`` (T,) times the ordinary gaps.

    Ordinary gaps are scaled, a day being the least there can be. Layoffs stay as long and come
    as often *a week*: with half the days between sessions each session is followed by one half
    as often, or more sessions would bring more layoffs. A finer table, (T, 8 G), holds the shares.
    """
    if (scale == 1.0).all():
        return table
    scale = scale[:, None]
    layoff = table > LAYOFF_DAYS
    moved = np.where(layoff, table, np.maximum(table * scale, 1.0))
    share = np.cumsum(np.where(layoff, scale, 1.0), axis=1)
    share /= share[:, -1:]
    levels = (np.arange(FINER * table.shape[1]) + 0.5) / (FINER * table.shape[1])
    place = np.array([np.searchsorted(row, levels) for row in share], dtype=np.int64)
    return np.take_along_axis(moved, place.reshape(len(table), levels.size), axis=1)


def scaled_first_gaps(table: Array, wait: Array, scale: Array) -> Array:
    """Return days from the last session to the next at another rhythm, (T, G).

    The ``wait`` (T,) days already gone were spent at the usual rhythm, so it alone says
    whether they are a layoff; held against the rhythm asked for, a few ordinary days of rest
    would read as one. Only what is left of an ordinary gap is scaled.
    """
    waited = wait[:, None]
    scaled = waited + (table - waited) * scale[:, None]
    return np.where(table <= LAYOFF_DAYS, scaled, table)


def weekly_sessions(gaps: Array) -> Array:
    """(T,) sessions a week outside layoffs, from (T, G) gap tables."""
    ordinary = gaps <= LAYOFF_DAYS
    days = np.where(ordinary, gaps, 0.0).sum(axis=1)
    return np.asarray(7.0 * ordinary.sum(axis=1) / np.maximum(days, 1.0))
