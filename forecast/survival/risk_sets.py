"""Who is at risk when, and what happens: the counts every curve of this room is made of."""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from forecast.errors import FitError, FitWarning, ForecastError
from forecast.types import Array, Ints


class OutsideCurveError(ForecastError):
    """A curve was asked about a time it says nothing about; ask within its start and end."""


@dataclass(frozen=True, slots=True)
class ObservedSpells:
    """Checked times of n spells: seen from just after ``entry`` up to and including ``exit``, (n,).

    A spell under way from the origin has entry ``-inf``. ``kind`` (n,) is 0 where the spell was
    still open at ``exit``, else 1, 2, ... for what ended it. Curves made from these spells are
    conditional on being still on the rung at ``start``.
    """

    entry: Array
    exit: Array
    kind: Ints
    start: float


@dataclass(frozen=True, slots=True)
class RiskTable:
    """Counts at the m distinct times (ascending) at which something other than censoring happened.

    ``n_at_risk`` (m,) are spells with ``entry < time <= exit``, ``n_events`` (m, k) those ended at
    that time, by kind 1 to k.
    """

    time: Array
    n_at_risk: Array
    n_events: Array


def observed_spells(
    entry: ArrayLike | None, exit: ArrayLike, kind: Ints, since: float | None = None
) -> ObservedSpells:
    """Check the times of spells and cut them to what is seen after ``since``, in fresh arrays.

    Arguments as in ``kaplan_meier``; ``kind`` (n,) is 0 for open, 1, 2, ... for what ended it.
    Raises ``FitError`` if the lengths differ, a time is missing or infinite, an exit is negative or
    not after its entry, or nothing is seen after ``since``.
    """
    leave = np.array(exit, dtype=float)
    join = np.full(leave.shape, -np.inf) if entry is None else np.array(entry, dtype=float)
    _check_times(join, leave, kind, late=entry is not None)
    if since is not None:
        kept = leave > since
        if not kept.any():
            raise FitError(
                f"Nothing is seen after {since:g}: the last exit is at {leave.max():g}. "
                "Condition on an earlier time."
            )
        join, leave, kind = np.maximum(join[kept], since), leave[kept], kind[kept]
    start = max(float(join.min()), 0.0) if since is None else float(since)
    return ObservedSpells(entry=join, exit=leave, kind=kind.astype(np.int64), start=start)


def _check_times(join: Array, leave: Array, kind: NDArray, *, late: bool) -> None:
    """Refuse times that cannot be those of spells, naming the first offender."""
    if leave.ndim != 1 or join.shape != leave.shape or kind.shape != leave.shape:
        raise FitError(
            f"Entry, exit and event need one value a spell, got shapes {join.shape}, "
            f"{leave.shape} and {kind.shape}."
        )
    if leave.size == 0:
        raise FitError("There are no spells to make a curve from; check the selection of rows.")
    unusable = ~np.isfinite(leave) | (leave < 0)
    if late:
        unusable |= ~np.isfinite(join)
    if unusable.any():
        at = int(np.flatnonzero(unusable)[0])
        raise FitError(
            f"{unusable.sum()} spells have a missing, infinite or negative time; the first is at "
            f"position {at} with entry {join[at]:g} and exit {leave[at]:g}. Mend or drop them."
        )
    backwards = join >= leave
    if backwards.any():
        at = int(np.flatnonzero(backwards)[0])
        raise FitError(
            f"{backwards.sum()} spells end no later than they come under observation; the first is "
            f"at position {at} with entry {join[at]:g} and exit {leave[at]:g}. Mend or drop them."
        )


def risk_table(spells: ObservedSpells, n_kinds: int = 1) -> RiskTable:
    """Count spells at risk and ended (in 1 to ``n_kinds`` ways) at every distinct time of an event.

    A spell is at risk at t when ``entry < t <= exit``: one that joins at t is not yet at risk at
    t, and one last seen open at t still is. There are no rows where nothing ever happened.
    """
    ended = spells.kind > 0
    time, row = np.unique(spells.exit[ended], return_inverse=True)
    n_events = np.zeros((time.size, n_kinds))
    np.add.at(n_events, (row, spells.kind[ended] - 1), 1.0)
    joined = np.searchsorted(np.sort(spells.entry), time, side="left")
    left = np.searchsorted(np.sort(spells.exit), time, side="left")
    return RiskTable(time=time, n_at_risk=(joined - left).astype(float), n_events=n_events)


def warn_of_lost_start(spells: ObservedSpells, table: RiskTable) -> None:
    """Give a ``FitWarning`` where an early risk set died out while others were still to come.

    It is given if all then watched ended before the last entry, or nobody was watched for a while,
    and points at the caller of the function that calls this one.
    """
    all_ended = table.n_at_risk == table.n_events.sum(axis=1)
    last_entry = spells.entry.max()
    lost = table.time[all_ended & (table.time <= last_entry)]
    if lost.size:
        later = int(np.sum(spells.entry >= lost[0]))
        warnings.warn(
            f"The curve falls to 0 at {lost[0]:g}, where every spell then watched had ended, "
            f"although {later} others came under observation later. It says nothing about them: "
            f"make it conditional on a later start, such as since={lost[-1]:g} or more.",
            FitWarning,
            stacklevel=3,
        )
        return
    gap = _first_gap(spells)
    if gap is not None:
        warnings.warn(
            f"Nobody was watched between {gap[0]:g} and {gap[1]:g}; the curve is level there for "
            f"want of data. Make it conditional on a later start, such as since={gap[1]:g}.",
            FitWarning,
            stacklevel=3,
        )


def _first_gap(spells: ObservedSpells) -> tuple[float, float] | None:
    """Find the first stretch, between two entries, in which no spell is under observation."""
    order = np.argsort(spells.entry, kind="stable")
    watched_until = np.maximum.accumulate(spells.exit[order])[:-1]
    next_entry = spells.entry[order][1:]
    gaps = np.flatnonzero(next_entry > watched_until)
    return (float(watched_until[gaps[0]]), float(next_entry[gaps[0]])) if gaps.size else None


def check_within(times: Array, start: float, end: float) -> None:
    """Raise ``OutsideCurveError`` if any time is missing or outside [start, end]."""
    outside = ~((times >= start) & (times <= end))
    if outside.any():
        raise OutsideCurveError(
            f"The curve is known from {start:g} to {end:g} and was asked about "
            f"{times[outside].flat[0]:g}. Ask within that range, or say what to assume beyond it."
        )


def read_only(values: ArrayLike) -> Array:
    """Return a float copy that cannot be written to, for the fields of frozen results."""
    fresh = np.array(values, dtype=float)
    fresh.setflags(write=False)
    return fresh
