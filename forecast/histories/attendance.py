"""Attendance: how long athletes leave between sessions on a rung, layoffs included."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forecast.histories.absences import ABSENCE_DAYS, Absences, analogues, longer_than
from forecast.types import Array, Ints

TABLE_SIZE = 128
"""Entries of a gap table; each stands for an equal share of the coming gaps."""

MEMORY = 30
"""How many of an athlete's latest gaps describe how they train lately."""

SHRINK = 6.0
"""Own gaps count for n / (n + SHRINK); the cohort's rhythm fills the rest."""

PRIOR_GAPS = np.array([2.0, 2.0, 2.0, 3.0, 3.0, 3.0, 4.0, 4.0, 5.0, 7.0, 7.0, 14.0])
"""Days between sessions where no log tells: about two sessions a week (judgement)."""

LOG_WEIGHT = 0.5
"""What the log's absences, as they are, count for beside those in an athlete's table, which are
scaled to their rhythm (judgement)."""


@dataclass(frozen=True, slots=True)
class CohortRhythm:
    """Gap over the athlete's own median gap, as quantiles (TABLE_SIZE,), and the typical median.

    ``delays`` (TABLE_SIZE,) are days from clearing one rung to the first session on the next;
    ``absences`` the log's own.
    """

    ratios: Array
    median: float
    delays: Array
    absences: Absences


def cohort_rhythm(gaps: Array, athlete: Ints, delays: Array, absences: Absences) -> CohortRhythm:
    """Learn the cohort's rhythm from all gaps.

    ``gaps`` (G,) are days between consecutive sessions of a spell, 1 or more, and ``athlete`` (G,)
    whose they are; ``delays`` (D,) days between clearing a rung and the first session on one that
    needs it; ``absences`` come from ``absence_law``.
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
        absences=absences,
    )


def gap_table(own: list[Array], rhythm: CohortRhythm) -> Array:
    """Return days to the next session for each target, (T, TABLE_SIZE), sorted by row.

    ``own`` has one array a target, its latest gaps in days, newest last; only ``MEMORY`` are used.
    The cohort's long gaps are the layoffs that a short record can't show.
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


def first_gap_table(table: Array, elapsed: Array, absences: Absences, day: Array | float) -> Array:
    """Return days from the last session to the next, given that ``elapsed`` days brought none.

    Parameters
    ----------
    table
        (T, TABLE_SIZE) gaps, sorted by row.
    elapsed
        (T,) days since the last session.
    absences
        The log's own absences.
    day
        (T,) or one: day number on which so many days have gone.

    Returns
    -------
    ndarray
        (T, TABLE_SIZE), sorted by row; no entry is below ``elapsed``.

    Notes
    -----
    Within the athlete's rhythm: what is left of the table. Once it is an absence: what is left
    of the table, the athlete's own long gaps among it, beside the absences of all that were once
    as long, those at this time of the year first. The two weigh in by how often each law brings
    a gap as long as this (Bayes), ``LOG_WEIGHT`` for the log's.
    """
    below = (table < elapsed[:, None]).sum(axis=1)
    left = TABLE_SIZE - below
    place = below[:, None] + (np.arange(TABLE_SIZE) + 0.5) / TABLE_SIZE * left[:, None]
    first = np.take_along_axis(table, np.minimum(place.astype(np.int64), TABLE_SIZE - 1), axis=1)
    today = np.broadcast_to(np.asarray(day, dtype=float), elapsed.shape)
    for i in np.flatnonzero((elapsed > ABSENCE_DAYS) | (left < 3)):
        lengths, weights = analogues(absences, float(elapsed[i]), float(today[i]))
        own = table[i, below[i] :]
        values = np.concatenate([own, lengths])
        shares = np.concatenate([np.full(len(own), 1.0 / TABLE_SIZE), LOG_WEIGHT * weights])
        order = np.argsort(values, kind="stable")
        reached = np.cumsum(shares[order])
        at = np.searchsorted(reached, (np.arange(TABLE_SIZE) + 0.5) / TABLE_SIZE * reached[-1])
        first[i] = np.round(values[order][at])
    return np.maximum(first, elapsed[:, None])


def share_longer(table: Array, elapsed: Array, absences: Absences) -> Array:
    """(T,) chance that a gap that ends is longer than ``elapsed`` (T,) days, by both laws.

    The table's, or its mixture with the log's absences where these make it longer.
    """
    own = (table > elapsed[:, None]).mean(axis=1)
    mixed = (own + LOG_WEIGHT * longer_than(absences, elapsed)) / (1.0 + LOG_WEIGHT)
    return np.asarray(np.maximum(own, mixed))
