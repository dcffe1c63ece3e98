"""The latent scale: a power transform of value over target, with 0 at the target."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def to_latent(ratio: Array, power: float) -> Array:
    """Return ``(ratio**power - 1) / power``, its limit ``log(ratio)`` at power 0.

    Box and Cox (1964), J. R. Stat. Soc. B 26:211, eq. 1. Ratios of 0 go to the lower end of the
    scale, which is minus infinity for powers of 0 and below.

    Parameters
    ----------
    ratio
        Value over target, 0 or more; infinity is allowed.
    power
        0 is the level of the package (log); 1 is the plain ratio.
    """
    ratio = np.asarray(ratio, dtype=float)
    with np.errstate(divide="ignore"):
        if power == 0.0:
            return np.log(ratio)
        return (np.power(ratio, power) - 1.0) / power


def to_ratio(latent: Array, power: float) -> Array:
    """Return value over target for a latent position; the inverse of ``to_latent``.

    Positions outside the scale's range give 0 below and infinity above.
    """
    latent = np.asarray(latent, dtype=float)
    if power == 0.0:
        return np.exp(latent)
    base = np.maximum(1.0 + power * latent, 0.0)
    with np.errstate(divide="ignore"):
        return np.power(base, 1.0 / power)
