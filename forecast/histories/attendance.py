"""Attendance: how long athletes leave between sessions on a rung, layoffs included."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

TABLE_SIZE = 128
"""Entries of a gap table; each stands for an equal share of the coming gaps."""

MEMORY = 30
"""How many of an athlete's latest gaps describe how they train lately."""

SHRINK = 6.0
"""Own gaps count for n / (n + SHRINK); the cohort's rhythm fills the rest."""

PRIOR_GAPS = np.array([2.0, 2.0, 2.0, 3.0, 3.0, 3.0, 4.0, 4.0, 5.0, 7.0, 7.0, 14.0])
"""Days between sessions where no log tells: about two sessions a week (judgement)."""


@dataclass(frozen=True, slots=True)
class CohortRhythm:
    """Gap over the athlete's own median gap, as quantiles (TABLE_SIZE,), and the typical median.

    ``delays`` (TABLE_SIZE,) are days from clearing one rung to the first session on the next.
    """

    ratios: Array
    median: float
    delays: Array


def cohort_rhythm(gaps: Array, athlete: Ints, delays: Array) -> CohortRhythm:
    """Learn the cohort's rhythm from all gaps.

    Parameters
    ----------
    gaps
        (G,) days between consecutive sessions of a spell, 1 or more.
    athlete
        (G,) whose gap it is.
    delays
        (D,) days between clearing a rung and the first session on one that needs it.
    """
    if len(gaps) == 0:
        gaps, athlete = PRIOR_GAPS, np.zeros(len(PRIOR_GAPS), dtype=np.int64)
    people, who = np.unique(athlete, return_inverse=True)
    medians = np.array([np.median(gaps[who == i]) for i in range(len(people))])
    levels = (np.arange(TABLE_SIZE) + 0.5) / TABLE_SIZE
    known = delays if len(delays) else np.median(medians) * np.ones(1)
    return CohortRhythm(
        ratios=np.quantile(gaps / medians[who], levels),
        median=float(np.median(medians)),
        delays=np.quantile(known, levels),
    )


def gap_table(own: list[Array], rhythm: CohortRhythm) -> Array:
    """Return days to the next session for each target, (T, TABLE_SIZE), sorted by row.

    Parameters
    ----------
    own
        One array a target: its latest gaps in days, newest last; only ``MEMORY`` are used.
    rhythm
        What the cohort does; its long gaps are the layoffs that a short record can't show.
    """
    table = np.empty((len(own), TABLE_SIZE))
    levels = (np.arange(TABLE_SIZE) + 0.5) / TABLE_SIZE
    for i, gaps in enumerate(own):
        gaps = gaps[-MEMORY:]
        n = len(gaps)
        # The athlete's median is shrunk too: two gaps are no habit yet.
        log_median = (
            (n * np.log(np.median(gaps)) + 2.0 * np.log(rhythm.median)) / (n + 2.0)
            if n
            else np.log(rhythm.median)
        )
        mine = round(TABLE_SIZE * n / (n + SHRINK))
        rest = rhythm.ratios[_spread(TABLE_SIZE - mine)] * np.exp(log_median)
        kept = np.quantile(gaps, levels[_spread(mine)]) if mine else np.empty(0)
        table[i] = np.sort(np.concatenate([kept, rest]))
    return np.maximum(np.round(table), 1.0)


def _spread(count: int) -> Ints:
    """``count`` places spread evenly over a table of TABLE_SIZE entries."""
    return np.asarray(((np.arange(count) + 0.5) * TABLE_SIZE / max(count, 1)), dtype=np.int64)


def first_gap_table(table: Array, elapsed: Array) -> Array:
    """Return days from the last session to the next, given that ``elapsed`` days brought none.

    Parameters
    ----------
    table
        (T, TABLE_SIZE) gaps, sorted by row.
    elapsed
        (T,) days since the last session.

    Notes
    -----
    Where the athlete has already been away longer than nearly every gap in the table, the layoff
    is extended by a Pareto tail of index 1.5: the longer the absence, the longer it goes on.
    """
    below = (table < elapsed[:, None]).sum(axis=1)
    left = TABLE_SIZE - below
    place = below[:, None] + (np.arange(TABLE_SIZE) + 0.5) / TABLE_SIZE * left[:, None]
    inside = np.take_along_axis(table, np.minimum(place.astype(np.int64), TABLE_SIZE - 1), axis=1)
    uniform = 1.0 - (np.arange(TABLE_SIZE) + 0.5) / TABLE_SIZE
    tail = np.maximum(elapsed, 1.0)[:, None] * uniform ** (-1.0 / 1.5)
    return np.maximum(np.where((left >= 3)[:, None], inside, np.round(tail)), elapsed[:, None])
