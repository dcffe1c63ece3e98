"""Draws of the constants: what the fit leaves open, and how spells differ."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from forecast.growth.constants import GrowthConstants
from forecast.growth.fitting import GrowthFit

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

SPELL_SPREAD = {"log_alpha": 0.5, "log_swing_sd": 0.7, "log_wiggle_sd": 0.5}
"""How far single spells stray from the cohort's constants, as log standard deviations."""


def constants_draws(fit: GrowthFit, count: int, seed: int) -> list[GrowthConstants]:
    """Draw sets of constants in mirrored pairs: what the fit leaves open, and how spells differ.

    ``count`` is even; draws are cut at two standard deviations: the approximation is not to be
    trusted further out. Spells also differ among themselves in how they move (``SPELL_SPREAD``),
    which one set of constants for a cohort can't say.
    """
    rng = np.random.default_rng(seed)
    z = np.clip(rng.standard_normal((count // 2, len(fit.names))), -2.0, 2.0)
    own = np.clip(rng.standard_normal((count // 2, len(SPELL_SPREAD))), -2.0, 2.0)
    own = own * np.array(list(SPELL_SPREAD.values()))
    middle = fit.constants.vector(fit.names)
    place = [fit.names.index(name) for name in SPELL_SPREAD]
    draws = []
    for row, spread in zip(z, own, strict=True):
        step = fit.chol @ row
        step[place] += spread
        draws += [fit.constants.replaced(fit.names, middle + sign * step) for sign in (1.0, -1.0)]
    return draws
