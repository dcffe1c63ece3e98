"""Where a cohort stands over time: the share with so many rungs cleared, and the share gone."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecast.cohort.records import DAYS, Records, as_histories, plural
from forecast.errors import FitError
from forecast.histories import CLEARED, Histories

Array = NDArray[np.float64]

GONE = "lapsed"


@dataclass(frozen=True, slots=True)
class Occupation:
    """Share of athletes in each state over time.

    Attributes
    ----------
    states
        The K states, in the order given.
    time
        Shape (m,), times of moves, ascending.
    share
        Shape (m + 1, K): first the share at the start, then just after each time; rows sum to 1.
    n_at_risk
        Shape (m, K): watched in each state just before each time.
    end
        Last time at which anybody was watched.
    left_out
        Athletes whose beginning is unknown.
    """

    states: tuple[Hashable, ...]
    time: Array
    share: Array
    n_at_risk: Array
    end: float
    left_out: int = 0

    def at(self, times: Sequence[float] | Array) -> pd.DataFrame:
        """Share in each state just after each time (rows).

        Raises
        ------
        FitError
            A time is before 0, missing, or after ``end``.
        """
        asked = np.asarray(times, dtype=float)
        if not np.all((asked >= 0) & (asked <= self.end)):
            raise FitError(f"The shares are known from 0 to {self.end:g}; ask within that range.")
        rows = self.share[np.searchsorted(self.time, asked, side="right")]
        return pd.DataFrame(rows, index=pd.Index(asked, name="time"), columns=list(self.states))

    def mean_time(self, until: float) -> pd.Series:
        """Mean time spent in each state up to ``until``; they add up to it.

        Raises
        ------
        FitError
            ``until`` is outside the range known.
        """
        self.at([until])
        used = self.time < until
        edges = np.concatenate([[0.0], self.time[used], [until]])
        total = np.diff(edges) @ self.share[: used.sum() + 1]
        return pd.Series(total, index=pd.Index(list(self.states), name="state"))

    def frame(self) -> pd.DataFrame:
        """Return a long table: ``time, state, share``."""
        k = len(self.states)
        return pd.DataFrame(
            {
                "time": np.repeat(np.concatenate([[0.0], self.time]), k),
                "state": list(self.states) * len(self.share),
                "share": self.share.ravel(),
            }
        )

    @property
    def text(self) -> str:
        """What the shares are, in sentences."""
        out = plural(self.left_out, "athlete was", "athletes were")
        return (
            "Share of athletes by rungs cleared since their first set, and of those who stopped "
            f"logging. {out} under way when the log began and left out. Athletes still training "
            "at the cut are assumed to go on like those followed longer."
        )


def aalen_johansen(
    start: Array, stop: Array, origin: Array, goal: Array, states: tuple[Hashable, ...]
) -> Occupation:
    """Estimate the share in each state by time from stretches spent in one state each.

    Parameters
    ----------
    start, stop
        Shape (n,), when the stretch began and ended; a stretch ending without a move is cut off.
    origin, goal
        Shape (n,), places in ``states`` of the state spent in and of the one moved to; ``goal``
        is -1 where the stretch was cut off.
    states
        Labels of the K states; everybody starts at 0 in the state of their first stretch.

    Raises
    ------
    FitError
        Nobody starts at 0, or a stretch ends no later than it begins.

    Notes
    -----
    P(t) is the product over times of (I + dA), dA the moves over those at risk in each state
    (Aalen & Johansen 1978, Scand. J. Statist. 5:141); shares of states are right even where the
    past matters beyond the state, if being cut off has nothing to do with progress (Datta &
    Satten 2001, Stat. Probab. Lett. 55:403).
    """
    if np.any(stop <= start):
        raise FitError("A stretch ends no later than it begins; mend its dates.")
    if not np.any(start <= 0):
        raise FitError("Nobody is watched from time 0, so there is no share to start from.")
    k = len(states)
    moved = goal >= 0
    time = np.unique(stop[moved])
    share = np.empty((len(time) + 1, k))
    first = origin[start <= 0]
    share[0] = np.bincount(first, minlength=k) / len(first)
    at_risk = np.empty((len(time), k))
    for i, now in enumerate(time):
        here = (start < now) & (stop >= now)
        at_risk[i] = np.bincount(origin[here], minlength=k)
        gone = here & moved & (stop == now)
        step = np.zeros((k, k))
        np.add.at(step, (origin[gone], goal[gone]), 1.0)
        rate = step / np.maximum(at_risk[i], 1.0)[:, None]
        share[i + 1] = share[i] + share[i] @ rate - share[i] * rate.sum(axis=1)
    return Occupation(states, time, share, at_risk, float(stop.max()))


def rung_occupation(records: Records, as_of: pd.Timestamp | str | None = None) -> Occupation:
    """Estimate the share of athletes with 0, 1, 2, ... rungs cleared by weeks since they began.

    Counting rungs cleared works on a branching ladder too. Athletes on a rung when the log began
    are left out: how far they were is unknown.

    Parameters
    ----------
    records, as_of
        A log and its cut date, or histories.

    Raises
    ------
    HistoryError
        The log holds no usable set before ``as_of``.
    FitError
        Every athlete was under way when the log began.
    """
    histories = as_histories(records, as_of)
    stretches, left_out = _stretches(histories)
    if stretches.empty:
        raise FitError("Every athlete was under way when the log began; nobody's start was seen.")
    n_rungs = len(histories.ladder.rungs)
    states: tuple[Hashable, ...] = (*range(n_rungs + 1), GONE)
    found = aalen_johansen(
        stretches["start"].to_numpy(dtype=float),
        stretches["stop"].to_numpy(dtype=float),
        stretches["origin"].to_numpy(dtype=np.int64),
        stretches["goal"].to_numpy(dtype=np.int64),
        states,
    )
    return Occupation(found.states, found.time, found.share, found.n_at_risk, found.end, left_out)


def _stretches(histories: Histories) -> tuple[pd.DataFrame, int]:
    """Stretches between clearings, one row each, in weeks since the athlete's first set."""
    spells, gone = histories.spells, len(histories.ladder.rungs) + 1
    rows, left_out = [], 0
    for athlete, own in spells.groupby("athlete_id", sort=True):
        if own["under_way"].any():
            left_out += 1
            continue
        begin, last = own["start"].min(), own["last_session"].max()
        away = (histories.as_of - last).days > histories.lapse_after[own["athlete"].iloc[0]]
        # A lapse is dated half a day late: on their last day they still stood where they stood.
        end, final = ((last - begin).days + 0.5, gone) if away else (
            (histories.as_of - begin).days, -1
        )  # fmt: skip
        dates = np.sort(own.loc[own["outcome"] == CLEARED, "cleared_on"].to_numpy())
        # Several rungs cleared on one day are one move of several steps.
        days, counts = np.unique(dates, return_counts=True)
        place, since = 0, 0.0
        for day, count in zip(days, counts, strict=True):
            week = (pd.Timestamp(day) - begin).days / DAYS
            if week > since:
                rows.append((athlete, since, week, place, place + int(count)))
            place, since = place + int(count), week
        # Whoever has cleared the whole ladder is through, and does not lapse from it.
        rows.append((athlete, since, end / DAYS, place, final if place < gone - 1 else -1))
    columns = ["athlete_id", "start", "stop", "origin", "goal"]
    return pd.DataFrame(rows, columns=columns), left_out
