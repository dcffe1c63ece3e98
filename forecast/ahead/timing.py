"""From simulated clearing times to recalibrated ones, path by path.

A map of times keeps the order of the paths: the path with the q-th quantile of the simulated time
gets the q-th quantile of the recalibrated time, so what the paths share stays shared.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forecast.types import Array

LEAST_MASS = 0.05
STRETCH_RANGE = (0.5, 2.0)
"""Beyond what was recalibrated, times go on being stretched, by no more than this."""


@dataclass(frozen=True, slots=True)
class TimeMap:
    """Times (K,) before and after, both rising; beyond the last, times are stretched alike."""

    before: Array
    after: Array

    def apply(self, days: Array) -> Array:
        """Map times in days (any shape)."""
        if not len(self.before):
            return days.copy()
        inside = np.interp(days, self.before, self.after)
        last, moved = self.before[-1], self.after[-1]
        beyond = days > last
        stretch = np.clip(moved / max(last, 1.0), *STRETCH_RANGE)
        return np.asarray(np.where(beyond, moved + (days - last) * stretch, inside))


IDENTITY = TimeMap(np.empty(0), np.empty(0))


def match_quantiles(days: Array, chance: Array, at: Array) -> TimeMap:
    """Return the map that gives simulated times a recalibrated distribution.

    Parameters
    ----------
    days
        (P,) simulated clearing times in days.
    chance
        (W,) recalibrated chance of having cleared by each of ``at``, never falling.
    at
        (W,) those times in days, rising from 0.

    Notes
    -----
    Where fewer than one path in twenty falls within ``at``, times are left as they are: there is
    nothing to go by.
    """
    q = (np.arange(len(days)) + 0.5) / len(days)
    both = q <= chance[-1]
    if both.sum() < LEAST_MASS * len(days):
        return IDENTITY
    return TimeMap(np.sort(days)[both], _inverse(q[both], chance, at))


def _inverse(q: Array, chance: Array, at: Array) -> Array:
    """Times at which the chance reaches q, straight between the given times."""
    place = np.clip(np.searchsorted(chance, q, side="left"), 1, len(at) - 1)
    low, high = chance[place - 1], chance[place]
    share = np.clip((q - low) / np.maximum(high - low, 1e-12), 0.0, 1.0)
    return np.asarray(at[place - 1] + share * (at[place] - at[place - 1]))
