"""Another rhythm of training: gaps between sessions scaled, gain with them as the log shows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

LAYOFF_DAYS = 14.0
"""Longer gaps are layoffs: they stay as they are when sessions a week change."""


@dataclass(frozen=True, slots=True)
class Rhythm:
    """``scale`` (A,) factor on ordinary gaps; ``gain`` (A, P) factor on swing and pace."""

    scale: Array
    gain: Array

    def gaps(self, table: Array, who: NDArray[np.int64]) -> Array:
        """Scale a (T, G) gap table of athletes ``who``; a day is the least there can be."""
        scaled = np.maximum(table * self.scale[who][:, None], 1.0)
        return np.where(table <= LAYOFF_DAYS, scaled, table)


def usual_rhythm(athletes: int, paths: int) -> Rhythm:
    """Return the rhythm that changes nothing."""
    return Rhythm(np.ones(athletes), np.ones((athletes, paths)))


def weekly_sessions(gaps: Array) -> Array:
    """(T,) sessions a week outside layoffs, from (T, G) gap tables."""
    ordinary = gaps <= LAYOFF_DAYS
    days = np.where(ordinary, gaps, 0.0).sum(axis=1)
    return np.asarray(7.0 * ordinary.sum(axis=1) / np.maximum(days, 1.0))
