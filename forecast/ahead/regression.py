"""What else shifts a spell's start, swing or pace: regression on top of the pooled effects.

Spells are normal in (start, swing, pace) with rungs, athletes and own effects as pooled by the
growth engine; a further shift ``design @ b`` then has a normal posterior in closed form, with
athletes' effects integrated out and b shrunk to 0 by its prior (Lindley & Smith 1972, J. R. Stat.
Soc. B 34:1).
"""

from __future__ import annotations

import numpy as np

from forecast.types import Array, Ints


def regress_spells(
    score: Array,
    information: Array,
    athlete: Ints,
    athlete_var: Array,
    design: Array,
    prior_sd: Array,
) -> tuple[Array, Array]:
    """Return posterior mean (K,) and covariance (K, K) of the coefficients.

    Parameters
    ----------
    score, information
        (S, 3) and (S, 3, 3): what each spell says about its athlete's effect, own effect
        integrated out, centre and rung taken away (``growth.pooling.centred``).
    athlete
        (S,) whose spell it is.
    athlete_var
        (3,) variance of athletes' effects.
    design
        (S, 3, K) shift of (start, swing, pace) for a unit of each coefficient.
    prior_sd
        (K,) spread of each coefficient around 0.
    """
    _, who = np.unique(athlete, return_inverse=True)
    n = int(who.max(initial=-1)) + 1
    precision = np.tile(np.diag(1.0 / athlete_var), (n, 1, 1))
    total = np.zeros((n, 3))
    cross = np.zeros((n, 3, design.shape[2]))
    weighted = information @ design
    np.add.at(precision, who, information)
    np.add.at(total, who, score)
    np.add.at(cross, who, weighted)
    solved = np.linalg.solve(precision, np.concatenate([total[:, :, None], cross], axis=2))
    told = np.einsum("sik,si->k", design, score) - np.einsum("aik,ai->k", cross, solved[..., 0])
    sharp = np.einsum("sik,sil->kl", design, weighted)
    sharp -= np.einsum("aik,ail->kl", cross, solved[..., 1:])
    cov = np.linalg.inv(0.5 * (sharp + sharp.T) + np.diag(prior_sd**-2.0))
    return cov @ told, cov
