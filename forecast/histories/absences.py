"""Absences: how long athletes who come back have been away, and at what time of the year.

An absence can be seen only once it has ended, so long ones that began late are missing from the
log: right truncation, undone by the product-limit estimator of Lynden-Bell (1971, Mon. Not. R.
Astron. Soc. 155:95; Woodroofe 1985, Ann. Stat. 13:163). What comes out is the law of absences
*that end*; who has stopped for good is no part of it, and is weighed against it elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from forecast.histories.histories import Histories
from forecast.histories.sessions import day_number
from forecast.types import Array, Ints

ABSENCE_DAYS = 21.0
"""Days without a set from which a gap is called an absence (judgement)."""
MAX_ABSENCES = 1000
PRIOR_ABSENCES = 2.0
"""Absences of the prior that stand beside those of the log (judgement)."""
PRIOR_TAIL = 1.5
"""The prior: away for so long, away for x times as long with chance x to minus this (judgement)."""
SEASON_WEEKS = 4.0
"""Absences count in full where they were as long at the same time of the year, give or take
this (judgement)."""
SEASON_FLOOR = 0.1
"""What absences at the other end of the year still count for (judgement)."""
_PRIOR_POINTS = 16


@dataclass(frozen=True, slots=True)
class Absences:
    """The absences of a log that ended, M of them, shortest first.

    ``length`` (M,) are days from the last set before to the first one after, above
    ``ABSENCE_DAYS``; ``began`` (M,) the day number of the last set before; ``share`` (M,) what part
    of all gaps between training days each stands for, ``prior`` the part that the prior's absences
    stand for.
    """

    length: Array
    began: Array
    share: Array
    prior: float


def training_day_gaps(histories: Histories) -> pd.DataFrame:
    """Return one row an athlete and training day, on any rung, after clearing too.

    Columns ``athlete_id, day`` (day number), ``gap`` (days since the athlete's training day
    before; missing at the first), in order of athlete and day.
    """
    ids = histories.spells.drop_duplicates("athlete").set_index("athlete")["athlete_id"]
    days = pd.concat([histories.sessions, histories.after_clearing])[["athlete", "date"]]
    days = days.drop_duplicates()
    table = pd.DataFrame(
        {
            "athlete_id": days["athlete"].map(ids).to_numpy(dtype=np.int64),
            "day": day_number(days["date"]),
        }
    ).sort_values(["athlete_id", "day"], ignore_index=True)
    table["gap"] = table.groupby("athlete_id")["day"].diff()
    return table


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
    if len(kept) > MAX_ABSENCES:
        # Evenly through the lengths; each kept one stands for its neighbours too.
        places = np.linspace(0, len(kept) - 1, MAX_ABSENCES).round().astype(np.int64)
        total = share[kept].sum()
        kept = kept[places]
        share = share * total / share[kept].sum()
    prior = PRIOR_ABSENCES / (len(length) + 10.0 * PRIOR_ABSENCES)
    return Absences(length[kept], began[kept], share[kept], prior)


def seen_shares(length: Array, longest: Array) -> Array:
    """Return the share each gap stands for, given that longer ones would not have been seen.

    ``length`` (G,) are gaps, shortest first, ``longest`` (G,) the longest each could have been and
    still have ended before the cut. At each length, the ones that long are set against those at
    most as long that could have been as long (Lynden-Bell 1971); going down from the longest, the
    shares follow.
    """
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
    """(T,) share of all gaps that are absences of more than ``elapsed`` days and end.

    Below ``ABSENCE_DAYS`` it is the share of absences of any length.
    """
    total = np.concatenate([np.cumsum(law.share[::-1])[::-1], [0.0]])
    place = np.searchsorted(law.length, elapsed, side="right")
    tail = np.minimum(np.maximum(elapsed, 1.0) / ABSENCE_DAYS, 1e6)
    return np.asarray(total[place] + law.prior * np.maximum(tail, 1.0) ** -PRIOR_TAIL)


def weeks_until_back(law: Absences, elapsed: Array, day: float) -> tuple[Array, Ints]:
    """Return weeks until half of those once away as long were back, and how many there were.

    ``elapsed`` (T,) are days away so far, ``day`` is the day number of today.
    """
    half = np.empty(len(elapsed))
    for i, days in enumerate(elapsed):
        lengths, weights = analogues(law, float(days), day)
        order = np.argsort(lengths, kind="stable")
        reached = np.cumsum(weights[order])
        half[i] = lengths[order][np.searchsorted(reached, 0.5 * reached[-1])] - days
    count = len(law.length) - np.searchsorted(law.length, elapsed, side="right")
    return half / 7.0, np.asarray(count, dtype=np.int64)


def analogues(law: Absences, elapsed: float, day: float) -> tuple[Array, Array]:
    """Return lengths of absences that were once as long as ``elapsed`` days, and their weights.

    Those that were as long at this time of the year (``day`` is today's number) count most. Lengths
    are days from the last set to the first one after, all above ``elapsed``, the prior's among
    them; weights are shares of all gaps, which add up to ``longer_than``.
    """
    use = law.length > elapsed
    length, share = law.length[use], law.share[use]
    weeks = (day - (law.began[use] + elapsed)) / 7.0
    off = np.abs((weeks + 26.09) % 52.18 - 26.09)
    near = SEASON_FLOOR + np.exp(-0.5 * (off / SEASON_WEEKS) ** 2)
    weight = share * near
    if len(weight):
        weight *= share.sum() / weight.sum()
    level = (np.arange(_PRIOR_POINTS) + 0.5) / _PRIOR_POINTS
    start = max(elapsed, ABSENCE_DAYS)
    tail = start * level ** (-1.0 / PRIOR_TAIL)
    prior = law.prior * (start / ABSENCE_DAYS) ** -PRIOR_TAIL
    return (
        np.concatenate([length, tail]),
        np.concatenate([weight, np.full(_PRIOR_POINTS, prior / _PRIOR_POINTS)]),
    )
