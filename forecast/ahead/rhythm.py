"""Another rhythm of training: gaps between sessions scaled, gain with them as the log shows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forecast.types import Array, Ints

LAYOFF_DAYS = 14.0
"""Longer gaps are layoffs: they stay as they are when sessions a week change."""

FINER = 8
"""Entries of a changed gap table for each entry of the usual one."""


@dataclass(frozen=True, slots=True)
class Rhythm:
    """``scale`` (A,) factor on ordinary gaps; ``gain`` (A, P) factor on swing and pace."""

    scale: Array
    gain: Array

    def gaps(self, table: Array, who: Ints) -> Array:
        """Gap table of athletes ``who`` at this rhythm, from their (T, G) usual one.

        Ordinary gaps are scaled, a day being the least there can be. Layoffs stay as long and come
        as often *a week*: with half the days between sessions each session is followed by one half
        as often, or more sessions would bring more layoffs. A finer table, (T, 8 G), holds the
        shares.
        """
        if (self.scale == 1.0).all():
            return table
        scale = self.scale[who][:, None]
        layoff = table > LAYOFF_DAYS
        moved = np.where(layoff, table, np.maximum(table * scale, 1.0))
        share = np.cumsum(np.where(layoff, scale, 1.0), axis=1)
        share /= share[:, -1:]
        levels = (np.arange(FINER * table.shape[1]) + 0.5) / (FINER * table.shape[1])
        place = np.array([np.searchsorted(row, levels) for row in share], dtype=np.int64)
        return np.take_along_axis(moved, place.reshape(len(table), levels.size), axis=1)

    def first_gaps(self, table: Array, wait: Array, who: Ints) -> Array:
        """Days from the last session to the next, from the (T, G) table at the usual rhythm.

        The ``wait`` (T,) days already gone were spent at the usual rhythm, so it alone says
        whether they are a layoff; held against the rhythm asked for, a few ordinary days of rest
        would read as one. Only what is left of an ordinary gap is scaled.
        """
        gone = wait[:, None]
        scaled = gone + (table - gone) * self.scale[who][:, None]
        return np.where(table <= LAYOFF_DAYS, scaled, table)


def usual_rhythm(athletes: int, paths: int) -> Rhythm:
    """Return the rhythm that changes nothing."""
    return Rhythm(np.ones(athletes), np.ones((athletes, paths)))


def weekly_sessions(gaps: Array) -> Array:
    """(T,) sessions a week outside layoffs, from (T, G) gap tables."""
    ordinary = gaps <= LAYOFF_DAYS
    days = np.where(ordinary, gaps, 0.0).sum(axis=1)
    return np.asarray(7.0 * ordinary.sum(axis=1) / np.maximum(days, 1.0))
