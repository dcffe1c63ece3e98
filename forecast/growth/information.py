"""Each spell reduced to what it says about its own start, swing and pace.

Given the sessions as normal observations and the constants of the motion, the likelihood of a
spell is exactly normal in theta = (start level, start swing, pace):

    log p(y | theta) = constant + score' theta - theta' information theta / 2.

The augmented Kalman filter gives the three terms in one pass (de Jong 1991, Ann. Stat. 19:1073).
Everything the spells share (athletes, rungs) can then be pooled without touching sessions again.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forecast.growth.kernels import Stretches, inform_spells
from forecast.types import Array


@dataclass(frozen=True, slots=True)
class SpellInformation:
    """``constant`` (S,), ``score`` (S, 3) and ``information`` (S, 3, 3) of every spell."""

    constant: Array
    score: Array
    information: Array


def spell_information(between: Stretches, site_mean: Array, site_var: Array) -> SpellInformation:
    """Return what each spell's sessions say about its (start level, start swing, pace).

    Sessions (N,) are normal observations of the level; infinite variance says nothing.
    """
    spells = len(between.start)
    constant, score, information = np.zeros(spells), np.zeros((spells, 3)), np.zeros((spells, 3, 3))
    sites = np.ascontiguousarray(site_mean), np.ascontiguousarray(site_var)
    inform_spells(between, *sites, constant, score, information)
    return SpellInformation(constant, score, information)
