"""Draws of the constants: what the fit leaves open, and how spells differ."""

from __future__ import annotations

import numpy as np
from scipy.special import ndtri
from scipy.stats import qmc

from forecast.growth.constants import GrowthConstants
from forecast.growth.fitting import GrowthFit

CONSTANTS_STREAM, SPEED_STREAM, PATH_STREAM = 1, 2, 3
"""Names of the random streams that one seed is spawned into (``numpy.random.SeedSequence``)."""

NODES = 0
"""Seed of the constants' draws in a forecast. They are nodes of a quadrature over what the fit
leaves open, the same for whatever seed: weighed by how well they explain a spell, a few of them
carry it, and another set would move a chance at half a year by 0.01 as a rule and by up to 0.09
(docs/method/what-was-tried.md)."""

SPELL_SPREAD = {"log_alpha": 0.5, "log_swing_sd": 0.7, "log_wiggle_sd": 0.5}
"""How far single spells stray from the cohort's constants, as log standard deviations."""


def constants_draws(fit: GrowthFit, count: int, seed: int) -> list[GrowthConstants]:
    """Draw sets of constants in mirrored pairs: what the fit leaves open, and how spells differ.

    Scrambled Sobol points (Owen 1998), evener than independent ones in every constant. ``count``
    is even; draws are cut at two standard deviations: the approximation is not to be
    trusted further out. Spells also differ among themselves in how they move (``SPELL_SPREAD``),
    which one set of constants for a cohort can't say.
    """
    size = len(fit.names) + len(SPELL_SPREAD)
    uniform = qmc.Sobol(size, rng=stream(seed, CONSTANTS_STREAM)).random(count // 2)
    both = np.clip(ndtri(np.clip(uniform, 1e-9, 1 - 1e-9)), -2.0, 2.0)
    z, own = both[:, : len(fit.names)], both[:, len(fit.names) :]
    own = own * np.array(list(SPELL_SPREAD.values()))
    middle = fit.constants.vector(fit.names)
    place = [fit.names.index(name) for name in SPELL_SPREAD]
    draws = []
    for row, spread in zip(z, own, strict=True):
        step = fit.chol @ row
        step[place] += spread
        draws += [fit.constants.replaced(fit.names, middle + sign * step) for sign in (1.0, -1.0)]
    return draws


def stream(seed: int, *name: int) -> np.random.Generator:
    """Return the generator of one named stream of a seed; no two names or seeds share numbers."""
    return np.random.default_rng(np.random.SeedSequence(seed, spawn_key=name))
