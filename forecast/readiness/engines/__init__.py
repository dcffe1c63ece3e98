"""The engines of the pool, one module each; another is a module of its own and a line in the list.

What an engine has to have is in ``interface``. The pool learns a weight for each of them; the
first stands where no other does, so that it needs none of its own.
"""

from forecast.readiness.engines.growth import GROWTH
from forecast.readiness.engines.interface import (
    Moments,
    Past,
    PooledEngine,
    Present,
    confirm_sessions,
    describe_moments,
)
from forecast.readiness.engines.survival import SURVIVAL

POOLED: tuple[PooledEngine, ...] = (GROWTH, SURVIVAL)
"""Every engine of the pool."""

__all__ = [
    "GROWTH",
    "POOLED",
    "Moments",
    "Past",
    "PooledEngine",
    "Present",
    "confirm_sessions",
    "describe_moments",
]
