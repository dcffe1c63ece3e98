"""Likeliest masses of disjoint intervals, of which every spell covers a run (Turnbull's EM)."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from forecast.errors import FitError
from forecast.types import Array, Ints


@dataclass(frozen=True, slots=True)
class MassFit:
    """Masses (m,) that maximise the likelihood, and the certificate that they do."""

    mass: Array
    log_likelihood: float
    gap: float
    n_iterations: int


def maximise(
    first: Ints, last: Ints, after: Ints, m: int, tolerance: float, max_iterations: int
) -> MassFit:
    """Find the masses of m intervals that make n spells likeliest.

    ``first`` and ``last`` (n,) are the positions of the first and last interval within each spell's
    own bounds, ``after`` (n,) that of the first interval after its entry (0 without late entry);
    ``tolerance`` is the largest relative optimality gap accepted. Raises ``FitError`` if the gap is
    still above it after ``max_iterations``.
    """
    fit = _climb(np.full(m, 1.0 / m), first, last, after, tolerance, max_iterations)
    if fit.gap > tolerance:
        raise FitError(
            f"The curve of interval-known clearing times has not converged after {max_iterations} "
            f"iterations (relative gap {fit.gap:.2g}, asked for {tolerance:.2g}). Raise "
            "max_iterations, or condition on a later start when few spells were watched early."
        )
    # Crumbs that only tend to zero would blur the curve: climb once more without them.
    bare = np.where(fit.mass < 1e-3 / first.size, 0.0, fit.mass)
    if not np.any(bare != fit.mass) or _range_sums(bare, first, last).min() == 0:
        return fit
    # The gap looks at the emptied intervals too, so it certifies that emptying them was right.
    clean = _climb(bare / bare.sum(), first, last, after, tolerance, max_iterations)
    if clean.gap > tolerance:
        return fit
    return replace(clean, n_iterations=fit.n_iterations + clean.n_iterations)


def _climb(
    mass: Array, first: Ints, last: Ints, after: Ints, tolerance: float, max_iterations: int
) -> MassFit:
    """Run EM with SQUAREM steps until the optimality gap is small or patience is over.

    At the maximum no mass wants to move: the slope in every mass is at most 0 (it is 0 on average
    over the mass itself), so its largest value over n is the gap.
    """
    for n_iterations in range(1, max_iterations + 1):  # noqa: B007 - reported below
        slope, loglik = _gradient(mass, first, last, after)
        gap = float(slope.max()) / first.size
        if gap <= tolerance:
            break
        once = _step(mass, slope, after)
        twice = _step(once, _gradient(once, first, last, after)[0], after)
        mass = _extrapolated(mass, once, twice, first, last, after)
    return MassFit(mass, loglik, gap, n_iterations)


def _range_sums(mass: Array, first: Ints, last: Ints) -> Array:
    """Mass on the intervals first to last, inclusive, for each spell."""
    running = np.concatenate([[0.0], np.cumsum(mass)])
    return running[last + 1] - running[first]


def _gradient(mass: Array, first: Ints, last: Ints, after: Ints) -> tuple[Array, float]:
    """Slope of the log-likelihood in each mass, shape (m,), and the log-likelihood itself."""
    m = mass.size
    own = _range_sums(mass, first, last)
    tail = _range_sums(mass, after, np.full_like(after, m - 1))
    # Each spell adds 1/own on its range and takes 1/tail from its entry on: one pass of
    # differences at the ends, summed up, instead of an n by m table.
    change: Array = np.bincount(first, weights=1 / own, minlength=m + 1).astype(float)
    change -= np.bincount(last + 1, weights=1 / own, minlength=m + 1)
    change -= np.bincount(after, weights=1 / tail, minlength=m + 1)
    return np.cumsum(change)[:m], float(np.sum(np.log(own)) - np.sum(np.log(tail)))


def _step(mass: Array, slope: Array, after: Ints) -> Array:
    """One self-consistency step: each interval gets its expected share of the spells.

    A spell that came late stands for 1/tail spells, those missed before its entry included.
    """
    standing_for = np.sum(1 / _range_sums(mass, after, np.full_like(after, mass.size - 1)))
    moved = np.maximum(mass * (1 + slope / standing_for), 0.0)
    return moved / moved.sum()


def _extrapolated(
    mass: Array, once: Array, twice: Array, first: Ints, last: Ints, after: Ints
) -> Array:
    """Leap along the last two steps where that raises the likelihood, else take the two steps."""
    stride = once - mass
    bend = (twice - once) - stride
    if not np.any(bend):
        return twice
    length = np.sqrt(np.sum(stride**2) / np.sum(bend**2))
    leap = mass + 2 * length * stride + length**2 * bend
    leap = np.maximum(leap, 0.1 * twice)  # a mass put to 0 could never come back
    leap /= leap.sum()
    better = _gradient(leap, first, last, after)[1] >= _gradient(twice, first, last, after)[1]
    return leap if better else twice
