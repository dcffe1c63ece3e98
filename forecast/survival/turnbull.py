"""Turnbull's curve: clearing known only to lie between two sessions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from forecast.errors import FitError
from forecast.survival.risk_sets import OutsideCurveError, read_only
from forecast.survival.self_consistency import maximise
from forecast.types import Array, Ints


@dataclass(frozen=True, slots=True)
class TurnbullCurve:
    """Probability mass of the clearing time on m half-open intervals (left, right].

    The data say how much mass each interval holds but not where inside it, so the survival is a
    number outside the intervals and a range within one.

    Attributes
    ----------
    left, right
        Shape (m,), ascending and disjoint; ``left == right`` is a clearing known exactly;
        ``right`` is ``inf`` for the mass beyond all that was seen.
    mass
        Shape (m,), positive, sums to 1.
    log_likelihood
        Sum over spells of the log of the mass within their own interval (divided by the mass
        after their entry, where there is one).
    kkt_gap
        How far the optimality condition is from being met, relative (0 at the maximum).
    n_iterations
        Iterations used.
    start
        The curve is conditional on being open at this time.
    """

    left: Array
    right: Array
    mass: Array
    log_likelihood: float
    kkt_gap: float
    n_iterations: int
    start: float

    def bounds(self, times: ArrayLike) -> tuple[Array, Array]:
        """Lowest and highest share still open just after each time that the data allow.

        Equal everywhere but inside an interval that holds mass. Raises ``OutsideCurveError`` if a
        time is missing or before ``start``.
        """
        asked = np.asarray(times, dtype=float)
        early = ~(asked >= self.start)
        if early.any():
            raise OutsideCurveError(
                f"The curve starts at {self.start:g} and was asked about "
                f"{asked[early].flat[0]:g}; ask about a time from there on."
            )
        share = np.concatenate([[0.0], np.cumsum(self.mass)])
        begun = np.where(self.left < self.right, self.left, np.nextafter(self.right, -np.inf))
        low = 1 - share[np.searchsorted(begun, asked, side="left")]
        high = 1 - share[np.searchsorted(self.right, asked, side="right")]
        return np.clip(low, 0.0, 1.0), np.clip(high, 0.0, 1.0)

    def at(self, times: ArrayLike) -> Array:
        """Share still open just after each time.

        Raises ``OutsideCurveError`` as ``bounds`` does, and inside an interval that holds mass,
        where the data give a range only.
        """
        low, high = self.bounds(times)
        open_question = ~np.isclose(low, high, rtol=0, atol=1e-12)
        if open_question.any():
            time = np.broadcast_to(np.asarray(times, dtype=float), low.shape)[open_question].flat[0]
            raise OutsideCurveError(
                f"At {time:g} the data say only that the share still open lies between "
                f"{low[open_question].flat[0]:.3f} and {high[open_question].flat[0]:.3f}; "
                "use bounds()."
            )
        return high

    def frame(self) -> pd.DataFrame:
        """Return the masses as a table, with the share still open after each interval."""
        return pd.DataFrame(
            {
                "left": self.left,
                "right": self.right,
                "mass": self.mass,
                "survival": np.clip(1 - np.cumsum(self.mass), 0.0, 1.0),
            }
        )


def turnbull(
    lower: ArrayLike,
    upper: ArrayLike,
    *,
    entry: ArrayLike | None = None,
    tolerance: float = 1e-9,
    max_iterations: int = 20_000,
) -> TurnbullCurve:
    """Estimate the distribution of clearing times known only to lie in intervals.

    Maximises the sum of log P(lower < T <= upper | T > entry) over all distributions by
    self-consistency (EM) with squared extrapolation, and stops when the maximum is certified:
    without entries the log-likelihood is concave and within n * ``kkt_gap`` of its maximum.

    Parameters
    ----------
    lower
        Shape (n,), last time each spell was known to be open; the clearing came after it.
    upper
        Shape (n,), first time it was known to be cleared; ``inf`` or missing when still open.
        ``upper == lower`` means cleared exactly then.
    entry
        Shape (n,), when each spell came under observation (late entry), at or before ``lower``;
        ``None`` when all are seen from 0.
    tolerance, max_iterations
        Largest relative optimality gap accepted, and iterations after which to give up.

    Raises
    ------
    FitError
        If lengths differ, there are no rows, a lower time is missing or negative, an upper one is
        before its lower, an entry is after its lower, or the fit has not converged.

    Notes
    -----
    Source: Turnbull (1976), JRSS B 38:290; late entry with Frydman's (1994, JRSS B 56:71)
    correction of the intervals. Certificate: Gentleman & Geyer (1994), Biometrika 81:618.
    Extrapolation: Varadhan & Roland (2008), Scand. J. Statist. 35:335. Assumes that the days on
    which one looks have nothing to do with the clearing. With late entry the likelihood is not
    concave, and few early entrants make it as fragile as ``kaplan_meier`` is then.

    Examples
    --------
    >>> curve = turnbull([0, 1, 1, 3], [2, 2, 4, 5])
    >>> curve.frame()[["left", "right", "mass"]].round(3).to_numpy().tolist()
    [[1.0, 2.0, 0.667], [3.0, 4.0, 0.333]]
    """
    low, high, seen_from = _checked(lower, upper, entry)
    left, right, first, last, after = _innermost_intervals(low, high, seen_from)
    fit = maximise(first, last, after, left.size, tolerance, max_iterations)
    kept = fit.mass > 0
    return TurnbullCurve(
        left=read_only(left[kept]),
        right=read_only(right[kept]),
        mass=read_only(fit.mass[kept]),
        log_likelihood=fit.log_likelihood,
        kkt_gap=fit.gap,
        n_iterations=fit.n_iterations,
        start=0.0 if entry is None else max(0.0, float(seen_from.min())),
    )


def _checked(
    lower: ArrayLike, upper: ArrayLike, entry: ArrayLike | None
) -> tuple[Array, Array, Array]:
    """Copy the bounds, read a missing upper one as infinite, refuse what cannot be."""
    low = np.array(lower, dtype=float)
    high = np.array(upper, dtype=float)
    seen_from = np.full(low.shape, -np.inf) if entry is None else np.array(entry, dtype=float)
    if low.ndim != 1 or not low.shape == high.shape == seen_from.shape:
        raise FitError(
            f"Lower, upper and entry need one value a spell, got shapes {low.shape}, {high.shape} "
            f"and {seen_from.shape}."
        )
    if low.size == 0:
        raise FitError("There are no spells to make a curve from; check the selection of rows.")
    high[np.isnan(high)] = np.inf
    for wrong, sentence in (
        (~np.isfinite(low) | (low < 0), "have a missing, infinite or negative lower time"),
        (high < low, "are known cleared before they were last known open"),
        (
            ~(seen_from <= low),
            "came under observation after their lower time, or nobody knows when",
        ),
        (np.isinf(seen_from) & (entry is not None), "have an infinite entry"),
    ):
        if wrong.any():
            at = int(np.flatnonzero(wrong)[0])
            raise FitError(
                f"{wrong.sum()} spells {sentence}; the first is at position {at}: entry "
                f"{seen_from[at]:g}, lower {low[at]:g}, upper {high[at]:g}. Mend or drop them."
            )
    return low, high, seen_from


def _innermost_intervals(
    low: Array, high: Array, seen_from: Array
) -> tuple[Array, Array, Ints, Ints, Ints]:
    """Find where mass can sit, and which of those places each spell covers.

    Returns left and right ends (m,), and for each spell the first and last interval within its
    own bounds and the first one after its entry (n,).
    """
    values = np.unique(np.concatenate([low, high, seen_from]))
    exact = low == high

    # Each bound becomes an integer that sorts as half-open intervals do: at one value, "just
    # before it" (the left end of an exact time) < "up to it" < "after it".
    def key(bound: Array, shift: NDArray | int) -> Ints:
        return 3 * np.searchsorted(values, bound) + shift

    left_key, right_key = key(low, np.where(exact, 0, 2)), key(high, 1)
    truncated = np.isfinite(seen_from)
    left_ends = np.unique(left_key)
    # Mass at or before an entry costs that spell nothing, so an entry closes an interval too.
    right_ends = np.unique(np.concatenate([right_key, key(seen_from, 1)[truncated]]))
    ends = np.concatenate([left_ends, right_ends])
    is_left = np.arange(ends.size) < left_ends.size
    order = np.argsort(ends)
    ends, is_left = ends[order], is_left[order]
    inner = np.flatnonzero(is_left[:-1] & ~is_left[1:])
    inner_left, inner_right = ends[inner], ends[inner + 1]
    first = np.searchsorted(inner_left, left_key, side="left")
    last = np.searchsorted(inner_right, right_key, side="right") - 1
    after = np.searchsorted(inner_right, key(seen_from, 1), side="right")
    after[~truncated] = 0
    return values[inner_left // 3], values[inner_right // 3], first, last, after
