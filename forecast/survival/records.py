"""What an athlete's whole record says at a landmark: bests by age, days trained, the calendar.

Values on several rungs are read on one scale, so that a rung just begun is not a blank page.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from forecast.histories import Histories, day_number
from forecast.log import YEAR_DAYS
from forecast.types import Array

STEP_PRIOR = 2.0
"""Sessions that the expectation of an equal share of the mark weighs as much as (judgement)."""
LOWEST, HIGHEST = -3.0, 2.0
"""Bounds of a value in logs from the mark."""
LEAST_SCATTER = 0.02
NARROWEST, SLOWEST = 0.1, 0.15
"""Least gap, and least gain a year, in scatters, of which a log is taken."""
BEST_WEEKS, COUNT_WEEKS = (4, 13, 26, 52), (8, 26, 52, 104)
GAIN_WEEKS = (26, 52, 104)


@dataclass(frozen=True, slots=True)
class CommonScale:
    """One scale for an athlete's values on all rungs.

    ``positions`` (R,) how much less each rung's mark asks than the mean one, in logs; ``scatter``
    of an athlete's days about each other; ``usual_age`` stands where the roster has none.
    """

    positions: Array
    scatter: float
    usual_age: float


def common_scale(histories: Histories) -> CommonScale:
    """Read from athletes who trained several rungs how much more each rung's mark asks.

    Least squares of the log share of the mark on rungs, with a parabola of time of each athlete's
    own; pulled toward marks that all ask the same.
    """
    sessions, n_rungs = histories.sessions, len(histories.ladder.rungs)
    share, rung = log_shares(histories), sessions["rung_index"].to_numpy()
    who = histories.spells["athlete_id"].to_numpy()[sessions["spell"].to_numpy()]
    year = day_number(sessions["date"]) / YEAR_DAYS
    matrix, target = STEP_PRIOR * np.eye(n_rungs), np.zeros(n_rungs)
    order = np.argsort(who, kind="stable")
    order = order[np.isfinite(share[order])]
    for rows in np.split(order, np.flatnonzero(np.diff(who[order])) + 1):
        if len(rows) > 3 and (rung[rows] != rung[rows[0]]).any():
            time = year[rows] - year[rows].mean()
            trend, _ = np.linalg.qr(np.column_stack([np.ones(len(rows)), time, time**2]))
            both = np.column_stack([np.eye(n_rungs)[rung[rows]], share[rows]])
            both -= trend @ (trend.T @ both)
            matrix += both[:, :-1].T @ both[:, :-1]
            target += both[:, :-1].T @ both[:, -1]
    same = np.diff(sessions["spell"].to_numpy()) == 0
    steps = np.abs(np.diff(share)[same])
    steps = steps[np.isfinite(steps)]
    # 1.05 is 1.4826 / sqrt(2): a normal law's deviation from the median step between its draws
    scatter = max(1.05 * float(np.median(steps)) if len(steps) else 0.0, LEAST_SCATTER)
    ages = _ages_at_cut(histories).dropna()
    positions = np.asarray(np.linalg.solve(matrix, target), dtype=float)
    return CommonScale(positions, scatter, float(ages.mean()) if len(ages) else 0.0)


def log_shares(histories: Histories) -> Array:
    """(N,) log of a session's best counting value over the mark; missing where none counted."""
    sessions = histories.sessions
    marks = np.array([r.criterion.target for r in histories.ladder.rungs])
    share = sessions["best"].to_numpy() / marks[sessions["rung_index"].to_numpy()]
    return np.clip(np.log(np.where(share > 0, share, np.nan)), LOWEST, HIGHEST)


def athlete_records(
    histories: Histories, landmarks: pd.DataFrame, scale: CommonScale, edges: Array
) -> tuple[pd.DataFrame, Array]:
    """Return one row a landmark, and (T, B, 4) sessions of its stretches one and two years ago.

    Bests are gaps to the mark in scatters, a value on another rung read as the share of this
    rung's mark that it is worth; counts and times are logs. The last axis: sessions in the
    stretch, and up to its end, each a year and two years before.
    """
    sessions, spells = histories.sessions, histories.spells
    spell = sessions["spell"].to_numpy()
    order = np.lexsort((day_number(sessions["date"]), spells["athlete_id"].to_numpy()[spell]))
    who = spells["athlete_id"].to_numpy()[spell][order].astype(np.int64)
    day = day_number(sessions["date"])[order].astype(np.int64)
    rung = sessions["rung_index"].to_numpy()[order]
    value = log_shares(histories)[order] - scale.positions[rung]
    span = np.int64(10**7)  # more days than any log holds, so that one sorted key serves both
    key = who * span + day
    own = landmarks["spell"].to_numpy()
    at = landmarks["day"].to_numpy(dtype=np.int64)
    base = spells["athlete_id"].to_numpy()[own].astype(np.int64) * span
    stop, start = np.searchsorted(key, base + at), np.searchsorted(key, base)
    count = stop - start
    row = np.repeat(np.arange(len(at)), count)
    pair = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + start[row]
    begins = np.cumsum(count) - count
    mark = scale.positions[spells["rung_index"].to_numpy()[own]]
    gap = np.clip(-(value[pair] + mark[row]), -HIGHEST, -LOWEST)  # above 0: short of the mark
    gap = np.where(np.isfinite(gap), gap, -LOWEST) / scale.scatter
    age = (at[row] - day[pair]) / 7.0

    def least(inside: Array) -> Array:
        return np.minimum.reduceat(np.where(inside, gap, np.inf), begins)

    found: dict[str, Array] = {"last": gap[stop - 1 - start + begins]}
    ever = least(np.full(len(gap), True))
    reached = np.maximum.reduceat(np.where(gap <= ever[row] + 1e-9, -age, -np.inf), begins)
    found |= {"ever": ever, "since_best": np.log1p(-reached)}
    bests = ever
    for weeks in reversed(BEST_WEEKS):
        best = least(age <= weeks)
        bests = np.where(np.isfinite(best), best, bests)
        found[f"best_{weeks}"] = bests
    within = age <= 52
    place = np.maximum.reduceat(
        np.where(within & (gap <= found["best_52"][row]), np.arange(len(gap)), -1), begins
    )
    second = least(within & (np.arange(len(gap)) != place[row]))
    found["second_52"] = np.where(np.isfinite(second), second, found["last"])
    for weeks in COUNT_WEEKS:
        found[f"days_{weeks}"] = np.log1p(np.add.reduceat((age <= weeks).astype(float), begins))
    first_gap = gap[begins]
    for weeks in GAIN_WEEKS:
        earlier = least(age > weeks)
        found[f"gain_{weeks}"] = np.where(np.isfinite(earlier), earlier, first_gap) - ever
    found["since_first"] = np.log1p((at - day[start]) / 7.0)
    found["days_all"] = np.log1p(count)
    for weeks in GAIN_WEEKS[1:]:
        rate = np.maximum(found[f"gain_{weeks}"] * 52 / weeks, SLOWEST)
        years = np.log(np.maximum(ever, NARROWEST) / rate)
        found[f"left_{weeks}"] = np.clip(years, -3.0, 4.0)
    ages = spells["athlete"].iloc[own].map(_ages_at_cut(histories)).fillna(scale.usual_age)
    cut = np.datetime64(histories.as_of, "D").astype(np.int64)
    found["age"] = ages.to_numpy(dtype=float) - (cut - at) / YEAR_DAYS
    ends = np.round(7 * edges).astype(np.int64) - 364 * np.array([[1], [2]])  # (2, B + 1)
    seen = np.searchsorted(key, (base + at)[:, None, None] + ends)
    seen = np.clip(seen, start[:, None, None], stop[:, None, None]).astype(float)
    calendar = np.concatenate([np.diff(seen, axis=2), seen[:, :, 1:] - seen[:, :, :1]], axis=1)
    return pd.DataFrame(found), np.log1p(calendar.transpose(0, 2, 1))


def _ages_at_cut(histories: Histories) -> pd.Series:
    """Years of age by athlete, as far as the roster says."""
    roster = histories.roster
    if "birth_date" in roster:
        born = pd.to_datetime(roster["birth_date"], errors="coerce", format="mixed")
        return (histories.as_of - born).dt.days / YEAR_DAYS
    if "age" in roster:
        return pd.to_numeric(roster["age"], errors="coerce")
    return pd.Series(dtype=float)
