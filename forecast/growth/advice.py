"""What is taken as prior beside the usual one: another club's rungs, and weeks a coach expects.

The constants are the log's own: another club's, fitted to the top, made forecasts worse even under
the same law (docs, what was tried).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtri, softmax

from forecast.growth import judgement
from forecast.growth.evidence import Pooled
from forecast.growth.fitting import GrowthFit
from forecast.types import Array, Ints


@dataclass(frozen=True, slots=True)
class Advice:
    """Another club's ``fit``, or none, and the ``weeks`` (R, 2) that 80 % are expected to take.

    ``places`` (R,) are those of the rungs in the other club's ladder, or -1; weeks are missing
    where nothing is expected.
    """

    fit: GrowthFit | None
    places: Ints
    weeks: Array

    def lean(self, fit: GrowthFit) -> GrowthFit:
        """Return the fit with centre and rungs under a mixture of the usual prior and these."""
        prior, alpha = fit.constants.pooling, fit.constants.dynamics.alpha
        usual = np.concatenate([prior.centre_var, np.tile(prior.rung, len(self.places))])
        mean = np.concatenate([prior.centre_mean, np.zeros(len(usual) - 3)])
        priors = [(mean, np.diag(usual))]
        if self.fit is not None:
            priors += [_lent(self.fit.pooled, self.places, usual, sd) for sd in judgement.LENT_SD]
        lent = np.arange(len(priors)) > 0
        if np.isfinite(self.weeks).any():
            priors += [self._expecting(*one, alpha) for one in priors]
            lent = np.tile(lent, 2)
        pooled, weight = mixed(fit.pooled, priors)
        return replace(fit, pooled=replace(pooled, lent=float(weight[lent].sum())))

    def _expecting(self, mean: Array, cov: Array, alpha: float) -> tuple[Array, Array]:
        """Condition on an average athlete's level at the mark by the middle of the weeks expected.

        As many spells' word as ``TOLD_SPELLS``; pace is taken as gain a calendar week.
        """
        rung = np.flatnonzero(np.isfinite(self.weeks[:, 0]))
        log_low, log_high = np.log(self.weeks[rung]).T
        middle = np.exp(0.5 * (log_low + log_high))
        level = np.column_stack([np.ones(len(rung)), -np.expm1(-alpha * middle) / alpha, middle])
        blocks = np.zeros((len(rung), len(mean) // 3, 3))
        blocks[:, 0] = blocks[np.arange(len(rung)), 1 + rung] = level
        design = blocks.reshape(len(rung), -1)
        spread = judgement.TOLD_GAP * (log_high - log_low) / (2.0 * ndtri(0.9))
        noise = np.diag(spread**2 / judgement.TOLD_SPELLS)
        pull = np.linalg.solve(design @ cov @ design.T + noise, design @ cov).T
        return mean - pull @ (design @ mean), cov - pull @ design @ cov


def _lent(pooled: Pooled, places: Ints, usual: Array, sd: float) -> tuple[Array, Array]:
    """Mean (3 + 3 R,) and covariance of centre and rungs as in another club, give or take."""
    there = np.concatenate([[0], places + 1])
    lent = np.repeat(np.concatenate([[True], places >= 0]), 3)
    at = (3 * there[:, None] + np.arange(3)).ravel()
    mean = np.where(lent, pooled.common_mean[at], 0.0)
    cov = np.where(np.outer(lent, lent), pooled.common_cov[np.ix_(at, at)], 0.0)
    return mean, cov + np.diag(usual * np.where(lent, sd**2, 1.0))


def mixed(pooled: Pooled, priors: list[tuple[Array, Array]]) -> tuple[Pooled, Array]:
    """Return the common effects under a mixture of normal priors, and the weight of each.

    ``pooled`` has them under the first alone. Each counts by its evidence; the mixture is told by
    its mean and covariance.
    """
    sharp, first = np.linalg.inv(pooled.common_cov), np.linalg.inv(priors[0][1])
    told, score = sharp - first, sharp @ pooled.common_mean - first @ priors[0][0]
    evidence, means, covs = [], [], []
    for mean, spread in priors:
        precision = np.linalg.inv(spread)
        cov = np.linalg.inv(told + precision)
        right = score + precision @ mean
        quadratic = right @ cov @ right - mean @ precision @ mean
        dets = np.linalg.slogdet(precision)[1] + np.linalg.slogdet(cov)[1]
        evidence.append(0.5 * (dets + quadratic))
        means.append(cov @ right)
        covs.append(cov)
    weight, every = softmax(evidence), np.array(means)
    middle = weight @ every
    around = np.einsum("k,ki,kj->ij", weight, every - middle, every - middle)
    cov = np.einsum("k,kij->ij", weight, np.array(covs)) + around
    return replace(pooled, common_mean=middle, common_cov=0.5 * (cov + cov.T)), np.asarray(weight)
