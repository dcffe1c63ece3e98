"""Attendance: how long athletes leave between sessions, layoffs and absences included.

An absence can be seen only once it has ended, so long ones that began late are missing from the
log: right truncation, undone by the product-limit estimator of Lynden-Bell (1971, Mon. Not. R.
Astron. Soc. 155:95; Woodroofe 1985, Ann. Stat. 13:163). What comes out is the law of absences
*that end*; who has stopped for good is weighed against it elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from forecast.histories import rules
from forecast.histories.histories import Histories, day_number
from forecast.histories.rules import ABSENCE_DAYS, LEVELS, TABLE_SIZE
from forecast.types import WEEK, Array, Ints


@dataclass(frozen=True, slots=True)
class Absences:
    """The absences of a log that ended, M of them, shortest first.

    ``length`` (M,) in days, above ``ABSENCE_DAYS``; ``began`` (M,) the day number of the last set
    before; ``share`` (M,) of all gaps each stands for, ``prior`` that of the prior's absences.
    """

    length: Array
    began: Array
    share: Array
    prior: float


def training_day_gaps(histories: Histories) -> pd.DataFrame:
    """Return ``athlete_id, day, gap`` of each training day, in order of athlete and day."""
    ids = histories.spells.drop_duplicates("athlete").set_index("athlete")["athlete_id"]
    days = pd.concat([histories.sessions, histories.after_clearing])
    who = days["athlete"].map(ids).to_numpy(dtype=np.int64)
    # rows of athlete and day, each once and in order
    who, day = np.unique(np.stack([who, day_number(days["date"])]), axis=1)
    gap = np.where(np.diff(who, prepend=-1) == 0, np.diff(day, prepend=0), np.nan)
    return pd.DataFrame({"athlete_id": who, "day": day, "gap": gap})


def absence_law(histories: Histories) -> Absences:
    """Learn the law of absences from the gaps between training days of all athletes."""
    gaps = training_day_gaps(histories).dropna()
    cut = np.datetime64(histories.as_of, "D").astype(np.int64)
    length = gaps["gap"].to_numpy(dtype=float)
    began = gaps["day"].to_numpy(dtype=float) - length
    order = np.lexsort((began, length))
    length, began = length[order], began[order]
    share = seen_shares(length, cut - began)
    kept = np.flatnonzero(length > ABSENCE_DAYS)
    if len(kept) > rules.MAX_ABSENCES:
        # Evenly through the lengths; each kept one stands for its neighbours too.
        places = np.linspace(0, len(kept) - 1, rules.MAX_ABSENCES).round().astype(np.int64)
        total = share[kept].sum()
        kept = kept[places]
        share = share * total / share[kept].sum()
    prior = rules.PRIOR_ABSENCES / (len(length) + 10.0 * rules.PRIOR_ABSENCES)
    return Absences(length[kept], began[kept], share[kept], prior)


def seen_shares(length: Array, longest: Array) -> Array:
    """Return the share each gap (shortest first) stands for, by the longest it could have been."""
    if len(length) == 0:
        return np.empty(0)
    value, first, count = np.unique(length, return_index=True, return_counts=True)
    could = len(longest) - np.searchsorted(np.sort(longest), value, side="left")
    longer = len(length) - first - count
    at_risk = np.maximum(could - longer, count)
    stays = 1.0 - count / at_risk
    # Nothing is known to be shorter than the shortest; where a longer one stands alone among
    # those that could have been as long, it would take everything: half a gap is left below it.
    stays[1:] = np.maximum(stays[1:], 0.5 / (at_risk[1:] + 0.5))
    stays[0] = 0.0
    below = np.concatenate([np.cumprod(stays[::-1])[::-1][1:], [1.0]])
    mass = below * (1.0 - stays)
    return np.asarray(np.repeat(mass / count, count))


def longer_than(law: Absences, elapsed: Array) -> Array:
    """(T,) share of all gaps that are absences of more than ``elapsed`` days and end."""
    total = np.concatenate([np.cumsum(law.share[::-1])[::-1], [0.0]])
    place = np.searchsorted(law.length, elapsed, side="right")
    tail = np.minimum(np.maximum(elapsed, 1.0) / ABSENCE_DAYS, 1e6)
    return np.asarray(total[place] + law.prior * np.maximum(tail, 1.0) ** -rules.PRIOR_TAIL)


def weeks_until_back(law: Absences, elapsed: Array, day: float) -> tuple[Array, Ints]:
    """Return weeks until half of those once away as long were back, and how many there were."""
    half = np.empty(len(elapsed))
    for i, days in enumerate(elapsed):
        lengths, weights = analogues(law, float(days), day)
        order = np.argsort(lengths, kind="stable")
        reached = np.cumsum(weights[order])
        half[i] = lengths[order][np.searchsorted(reached, 0.5 * reached[-1])] - days
    count = len(law.length) - np.searchsorted(law.length, elapsed, side="right")
    return half / WEEK, np.asarray(count, dtype=np.int64)


def analogues(law: Absences, elapsed: float, day: float) -> tuple[Array, Array]:
    """Return lengths of absences once as long as ``elapsed`` days, and weights by season."""
    use, year = law.length > elapsed, rules.YEAR_WEEKS
    length, share = law.length[use], law.share[use]
    weeks = (day - (law.began[use] + elapsed)) / WEEK
    off = np.abs((weeks + year / 2) % year - year / 2)
    near = rules.SEASON_FLOOR + np.exp(-0.5 * (off / rules.SEASON_WEEKS) ** 2)
    weight = share * near
    if len(weight):
        weight *= share.sum() / weight.sum()
    points, start = rules.PRIOR_POINTS, max(elapsed, ABSENCE_DAYS)
    tail = start * ((np.arange(points) + 0.5) / points) ** (-1.0 / rules.PRIOR_TAIL)
    prior = law.prior * (start / ABSENCE_DAYS) ** -rules.PRIOR_TAIL
    return np.r_[length, tail], np.r_[weight, np.full(points, prior / points)]


@dataclass(frozen=True, slots=True)
class CohortRhythm:
    """Gap over the athlete's own median gap, as quantiles (TABLE_SIZE,), and the typical median.

    ``delays`` (TABLE_SIZE,): days from clearing a rung to the first session on the next.
    """

    ratios: Array
    median: float
    delays: Array
    absences: Absences


def cohort_rhythm(gaps: Array, athlete: Ints, delays: Array, absences: Absences) -> CohortRhythm:
    """Learn the cohort's rhythm from gaps (G,) and whose they are, delays (D,) and absences."""
    if len(gaps) == 0:
        gaps, athlete = rules.PRIOR_GAPS, np.zeros(len(rules.PRIOR_GAPS), dtype=np.int64)
    people, who = np.unique(athlete, return_inverse=True)
    medians = np.array([np.median(gaps[who == i]) for i in range(len(people))])
    delays = delays if len(delays) else np.median(medians) * np.ones(1)
    ratios, median = np.quantile(gaps / medians[who], LEVELS), float(np.median(medians))
    return CohortRhythm(ratios, median, np.quantile(delays, LEVELS), absences)


def gap_table(own: list[Array], rhythm: CohortRhythm) -> Array:
    """Return days to the next session, (T, TABLE_SIZE), from each target's own latest gaps."""
    table = np.empty((len(own), TABLE_SIZE))
    for i, gaps in enumerate(own):
        gaps = gaps[-rules.MEMORY :]
        n = len(gaps)
        log_median = np.log(rhythm.median)
        if n:
            own_median = n * np.log(np.median(gaps))
            log_median = (own_median + rules.SHRINK_MEDIAN * log_median) / (n + rules.SHRINK_MEDIAN)
        mine = round(TABLE_SIZE * n / (n + rules.SHRINK))
        others = rhythm.ratios[_spread(TABLE_SIZE - mine)] * np.exp(log_median)
        kept = np.quantile(gaps, LEVELS[_spread(mine)]) if mine else np.empty(0)
        table[i] = np.sort(np.concatenate([kept, others]))
    return np.maximum(np.round(table), 1.0)


def _spread(count: int) -> Ints:
    """``count`` places spread evenly over a table of TABLE_SIZE entries."""
    return np.asarray(((np.arange(count) + 0.5) * TABLE_SIZE / max(count, 1)), dtype=np.int64)


def first_gap_table(table: Array, elapsed: Array, absences: Absences, day: Array | float) -> Array:
    """Return days from the last session to the next, given that ``elapsed`` (T,) brought none.

    What is left of the table (T, TABLE_SIZE); of an absence, that beside those once as long, at
    this time of the year first, weighed by how often each law brings a gap as long (Bayes).
    """
    below = (table < elapsed[:, None]).sum(axis=1)
    left = TABLE_SIZE - below
    place = below[:, None] + LEVELS * left[:, None]
    first = np.take_along_axis(table, np.minimum(place.astype(np.int64), TABLE_SIZE - 1), axis=1)
    today = np.broadcast_to(np.asarray(day, dtype=float), elapsed.shape)
    for i in np.flatnonzero((elapsed > ABSENCE_DAYS) | (left < 3)):
        lengths, weights = analogues(absences, float(elapsed[i]), float(today[i]))
        own = table[i, below[i] :]
        values = np.concatenate([own, lengths])
        shares = np.concatenate([np.full(len(own), 1.0 / TABLE_SIZE), rules.LOG_WEIGHT * weights])
        order = np.argsort(values, kind="stable")
        reached = np.cumsum(shares[order])
        at = np.searchsorted(reached, LEVELS * reached[-1])
        first[i] = np.round(values[order][at])
    return np.maximum(first, elapsed[:, None])


def share_longer(table: Array, elapsed: Array, absences: Absences) -> Array:
    """(T,) chance that a gap that ends is longer than ``elapsed`` days, by both laws."""
    own = (table > elapsed[:, None]).mean(axis=1)
    mixed = (own + rules.LOG_WEIGHT * longer_than(absences, elapsed)) / (1.0 + rules.LOG_WEIGHT)
    return np.asarray(np.maximum(own, mixed))
