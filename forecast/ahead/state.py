"""A walk up the ladder: how it is asked for, half done, and done."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from forecast.ahead.draws import SharedDraws
from forecast.ahead.ground import Ground
from forecast.ahead.rhythm import Rhythm
from forecast.ahead.timing import TimeMap
from forecast.growth.scale import to_log
from forecast.types import Array, Ints

Maps = dict[tuple[int, int], TimeMap]

FARTHEST = float(np.log(1000.0))
"""Levels beyond a thousand times the pass mark, or under a thousandth, are told as that: on a path
that goes on for years without a clean set the latent level runs on, and its ratio overflows."""


def log_levels(latent: Array, linear: float) -> Array:
    """Return levels as log(value / target) from latent ones, within ``FARTHEST`` of the mark."""
    return np.clip(to_log(latent, linear), -FARTHEST, FARTHEST)


@dataclass(frozen=True, slots=True)
class Settings:
    """How to walk.

    Attributes
    ----------
    paths, draws, seed
        Paths, draws of the constants they are shared over, and the seed.
    most_days
        Days to look ahead.
    independent
        Take each rung's climbing time from another path, so that rungs share nothing: for
        comparison only.
    recalibrate
        Time rungs not begun as the log's times say, and not by the simulated days alone.
    """

    paths: int
    draws: int
    seed: int
    most_days: int
    independent: bool = False
    recalibrate: bool = True


@dataclass(frozen=True, slots=True)
class Walk:
    """How A athletes went up R rungs on P paths; NaN on rungs behind them.

    Attributes
    ----------
    climbing
        (A, R, P) days on the rung: from the cut where under way, else from the first session.
    delay
        (A, R, P) days to the first session from the rung being open, or from the cut where it was
        open before; 0 where under way.
    cleared
        (A, R, P) days from the cut to clearing; past ``most_days`` only an order.
    start_level, start_gain, end_level
        (A, R, P) latent level over the pass mark and gain a week, at the last session known or
        the first to come; level over the mark at the last session simulated.
    first
        (A, R) chance that the next session meets the criterion.
    maps
        By (athlete place, rung): the recalibration of its times.
    tempo
        (A, P) the athletes' part in the times of rungs not begun.
    middle
        (A, R, F) middle days that the growth engine says of rungs not begun, by the time of the
        year they begin: at the cut and every F-th part of a year after it.
    """

    climbing: Array
    delay: Array
    cleared: Array
    start_level: Array
    start_gain: Array
    end_level: Array
    first: Array
    maps: Maps
    tempo: Array
    middle: Array


@dataclass(slots=True)
class Going:
    """A walk half done: arrays (A, R, P) filled rung by rung."""

    ground: Ground
    settings: Settings
    shared: SharedDraws
    open_at: Ints
    rhythm: Rhythm
    pooled: dict[tuple[int, int], Array]
    like: Walk | None
    slope: Array
    out: dict[str, Array]
    maps: Maps = field(default_factory=dict)
    tempo: Array = field(default_factory=lambda: np.empty((0, 0)))
    middle: Array = field(default_factory=lambda: np.empty((0, 0, 0)))
