"""The shipped trees: from figures to chances of climbing, flat and slipping, and to the gain.

Trained by ``learn``; kept as plain arrays. The first four outputs are log weights of climbing
steeply, climbing, flat and slipping; the last three the 10, 50 and 90 % points of the gain a week
beside a trend's (``centre_of``), as ``asinh(gain / GAIN_UNIT)``.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cache
from importlib.resources import as_file, files

import numpy as np
from scipy.special import expit, logit
from scipy.stats import norm

from forecast.boosted import sum_leaves
from forecast.plateau.figures import NAMES
from forecast.types import Array, Ints

CLIMBING, FLAT, SLIPPING = 0, 1, 2
FILE = "verdict.npz"
GAIN_UNIT = 0.01
EIGHTY = float(norm.ppf(0.9))
"""Deviations of a normal law on either side of its middle that hold 80 %."""
FLOOR, YEAR = 0.005, 52.0
SLIP, STEEP = -0.005, 0.03
"""A true gain a week below this is slipping, above this steep climbing (judgement)."""
QUANTILES = (0.1, 0.5, 0.9)
LEAST_CHANCE = 1e-3
"""No class is ever ruled out."""


@dataclass(frozen=True, slots=True)
class VerdictModel:
    """Trees as arrays: T trees, N nodes in all.

    Attributes
    ----------
    feature, threshold, left, right, value, roots, output, base
        See ``forecast.boosted``; seven outputs.
    low, high
        (F,) 0.5 and 99.5 % points of each figure among the careers.
    most_outside
        Share of figures outside these points that one career in a hundred has.
    shares, habits
        (3,) shares of climbing, flat and slipping among the careers; (H,) what their clubs'
        sessions usually show.
    settings, edges, limits
        False alarms a year (K,), sessions a week that part the classes of attendance (G - 1,), and
        the chance of steep climbing up to which a flag may go up (K, G).
    """

    feature: Ints
    threshold: Array
    left: Ints
    right: Ints
    value: Array
    roots: Ints
    output: Ints
    base: Array
    low: Array
    high: Array
    most_outside: Array
    shares: Array
    habits: Array
    settings: Array
    edges: Array
    limits: Array

    def outputs(self, figures: Array) -> Array:
        """Return the seven raw outputs (n, 7) of figures (n, F)."""
        rows = np.ascontiguousarray(figures, dtype=np.float64)
        out = self.base + sum_leaves(
            rows, self.feature, self.threshold, self.left, self.right, self.value, self.roots,
            self.output,
        )  # fmt: skip
        out[:, 4:] += centre_of(rows)[:, None]
        return out

    def outside(self, figures: Array) -> Array:
        """Return the share of figures outside the careers' usual range, (n,)."""
        return np.asarray(((figures < self.low) | (figures > self.high)).mean(axis=1))


_CENTRE = NAMES.index("middling trend: rise of 6 weeks")


def centre_of(figures: Array) -> Array:
    """What a trend makes of the last six weeks (n,), on the scale that gains are learnt on."""
    return np.asarray(np.arcsinh(np.clip(figures[:, _CENTRE], -0.3, 0.3) / GAIN_UNIT))


def chances_of(outputs: Array) -> tuple[Array, Array]:
    """Chances of climbing, flat and slipping (n, 3), adding to 1, and of climbing steeply (n,)."""
    raw = np.exp(outputs[:, :4] - outputs[:, :4].max(axis=1, keepdims=True))
    raw /= raw.sum(axis=1, keepdims=True)
    return bounded(np.column_stack([raw[:, 0] + raw[:, 1], raw[:, 2:]])), raw[:, 0]


def bounded(chances: Array) -> Array:
    """Return chances of which none is quite 0, adding to 1."""
    chances = np.maximum(chances, LEAST_CHANCE)
    return np.asarray(chances / chances.sum(axis=1, keepdims=True))


def gains_of(outputs: Array) -> Array:
    """Gain a week: 10, 50 and 90 % points (n, 3)."""
    return GAIN_UNIT * np.sinh(np.sort(outputs[:, 4:7], axis=1))


def smallest_gain_at(level: Array, smallest_gain: float | None = None) -> Array:
    """Return the smallest gain that matters at some levels (0 is the target), per week.

    ``smallest_gain`` is one figure for all, or ``None`` for the gain that takes a year to the
    target, and half a per cent a week where that is more.
    """
    if smallest_gain is not None:
        return np.full(np.shape(level), float(smallest_gain))
    return np.maximum(FLOOR, -np.asarray(level) / YEAR)


def chance_below(gains: Array, gain: Array | float) -> Array:
    """Chance (n,) that the true gain is below ``gain``, from the range ``gains`` (n, 3).

    Normal to either side of the middle, on the scale that the points were learnt on.
    """
    low, middle, high = np.arcsinh(gains / GAIN_UNIT).T
    off = np.arcsinh(np.asarray(gain) / GAIN_UNIT) - middle
    spread = np.where(off < 0, middle - low, high - middle) / EIGHTY
    return np.clip(norm.cdf(off / np.maximum(spread, 1e-6)), 1e-4, 1.0 - 1e-4)


def moved_chances(chances: Array, gains: Array, usual: Array, asked: Array) -> Array:
    """Return the chances where another gain than the usual is the smallest that matters, (n, 3).

    Chances of no progress move as the range of the gain says, on the scale of log odds; slipping
    stays what it is.
    """
    stuck = np.clip(1.0 - chances[:, CLIMBING], 1e-6, 1.0 - 1e-6)
    step = logit(chance_below(gains, asked)) - logit(chance_below(gains, usual))
    moved = expit(logit(stuck) + step)
    slipping = np.minimum(chances[:, SLIPPING], moved)
    return bounded(np.column_stack([1.0 - moved, moved - slipping, slipping]))


@cache
def read_verdict() -> VerdictModel:
    """Return the shipped trees."""
    with as_file(files("forecast.plateau") / FILE) as path, np.load(path) as kept:
        arrays = {f.name: kept[f.name] for f in fields(VerdictModel)}
    whole = {name: a.astype(np.int64) for name, a in arrays.items() if a.dtype.kind in "iu"}
    return VerdictModel(**{**arrays, **whole})
