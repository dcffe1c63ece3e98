"""The latent scale: the log of value over target, or bent to either side of it; 0 at the target."""

from __future__ import annotations

import numpy as np
from scipy.special import wrightomega

from forecast.types import Array

QUICKENING = -1.0
"""The scale on which progress that quickens toward the mark is straight."""


def to_latent(ratio: Array, linear: float) -> Array:
    """Return ``(1 - linear) log(ratio) + linear (ratio - 1)``; for -1, ``sinh(log(ratio))``.

    Toward the plain ratio, or, for progress that quickens on the way to the mark, the other way.
    Neither is a power of the ratio: powers have a pole (Box & Cox 1964, J. R. Stat. Soc. B
    26:211, eq. 1, above the target for negative powers and below it for positive ones), past
    which a latent position has no ratio. Here every position has one, and a step on the scale is
    worth at most ``1 / (1 - linear)`` of its size in log, or all of it.

    Parameters
    ----------
    ratio
        Value over target, 0 or more; infinity is allowed. A ratio of 0 is at minus infinity.
    linear
        Share of the plain ratio, 0 (the level of the package) up to but not including 1; or
        ``QUICKENING``, -1.
    """
    ratio = np.asarray(ratio, dtype=float)
    with np.errstate(divide="ignore"):
        log = np.log(ratio)
    if linear == QUICKENING:
        with np.errstate(over="ignore"):
            return np.sinh(log)
    return log if linear == 0.0 else (1.0 - linear) * log + linear * (ratio - 1.0)


def to_log(latent: Array, linear: float) -> Array:
    """Return log(value / target) at a latent position; ``exp`` of it inverts ``to_latent``.

    Solved by Wright's omega function, ``w + log(w) = x`` (Corless & Jeffrey 2002).
    """
    latent = np.asarray(latent, dtype=float)
    if linear == 0.0:
        return latent
    if linear == QUICKENING:
        return np.arcsinh(latent)
    weight = linear / (1.0 - linear)
    # With w = weight * ratio: w + log(w) = (latent + linear) / (1 - linear) + log(weight).
    place = (latent + linear) / (1.0 - linear) + np.log(weight)
    omega = np.real(wrightomega(place))
    return np.where(place < -30.0, place, np.log(np.maximum(omega, 1e-300))) - np.log(weight)


def to_ratio(latent: Array, linear: float) -> Array:
    """Return value over target at a latent position; the inverse of ``to_latent``."""
    return np.exp(to_log(latent, linear))


def log_slope(latent: Array, linear: float) -> Array:
    """Return the change of log(value / target) for a step of one on the latent scale."""
    if linear == QUICKENING:
        return 1.0 / np.sqrt(1.0 + np.asarray(latent, dtype=float) ** 2)
    return 1.0 / (1.0 - linear + linear * to_ratio(latent, linear))
