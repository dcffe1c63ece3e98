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

from forecast.growth.dynamics import Dynamics
from forecast.growth.filtering import stretches
from forecast.growth.kernels import inform_spells
from forecast.growth.panel import Panel
from forecast.types import Array


@dataclass(frozen=True, slots=True)
class SpellInformation:
    """``constant`` (S,), ``score`` (S, 3) and ``information`` (S, 3, 3) of every spell."""

    constant: Array
    score: Array
    information: Array


def spell_information(
    panel: Panel,
    dynamics: Dynamics,
    site_mean: Array,
    site_var: Array,
    *,
    tau: Array | None = None,
) -> SpellInformation:
    """Return what each spell's sessions say about its (start level, start swing, pace).

    Parameters
    ----------
    panel
        The records (only their timing is used here).
    dynamics
        Constants of the motion.
    site_mean, site_var
        (N,) sessions as normal observations of the level; infinite variance says nothing.
    tau
        (N,) training between sessions, where it is not the panel's own.
    """
    spells = panel.n_spells
    constant, score, information = np.zeros(spells), np.zeros((spells, 3)), np.zeros((spells, 3, 3))
    between = stretches(panel, dynamics, tau)
    inform_spells(between, site_mean, site_var, constant, score, information)
    return SpellInformation(constant, score, information)
