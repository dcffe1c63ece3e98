"""Crossed pooling of spells against one dense multivariate normal."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from forecast.growth.evidence import (
    PoolingPrior,
    SpellInformation,
    marginalise_own,
    pool,
    spell_priors,
)

ATHLETE = np.array([4, 4, 7, 7, 7, 9])
RUNG = np.array([0, 1, 1, 2, 0, 2])
N_RUNGS = 4  # one that nobody tried
OWN_ROOT = np.array([[0.3, 0.0, 0.0], [0.02, 0.05, 0.0], [-0.01, 0.01, 0.02]])
PRIOR = PoolingPrior(
    own=OWN_ROOT @ OWN_ROOT.T,
    athlete=np.array([0.02, 0.001, 0.002]),
    rung=np.array([0.05, 0.002, 0.001]),
    centre_mean=np.array([-0.5, 0.01, 0.02]),
    centre_var=np.array([0.3, 0.01, 0.005]),
)


class Spells:
    """Six spells of 3 to 7 noisy looks at start + pace * t + swing * (1 - exp(-t))."""

    def __init__(self):
        rng = np.random.default_rng(5)
        self.designs, self.noise = [], []
        for n in (3, 5, 7, 4, 3, 6):
            t = np.cumsum(rng.uniform(0.3, 2.0, n))
            self.designs.append(np.column_stack([np.ones(n), 1 - np.exp(-t), t]))
            self.noise.append(rng.uniform(0.01, 0.05, n))
        self.values = [rng.normal(-0.3, 0.3, len(x)) for x in self.designs]

    def information(self):
        """Constant, score and information of each spell about its own (start, swing, pace)."""
        parts = [
            (
                -0.5 * np.sum(y**2 / r + np.log(2 * np.pi * r)),
                x.T @ (y / r),
                (x / r[:, None]).T @ x,
            )
            for x, y, r in zip(self.designs, self.values, self.noise, strict=True)
        ]
        constant, score, information = (np.array(part) for part in zip(*parts, strict=True))
        return SpellInformation(constant, score, information)

    def dense(self):
        """Mean and covariance of (theta of the 6 spells, centre, rung effects), all at once."""
        people = np.unique(ATHLETE)
        size = 3 * (6 + 1 + N_RUNGS)
        # theta_s = centre + rung + athlete + own, built from independent parts
        parts = 3 * (1 + N_RUNGS + len(people) + 6)
        spread = np.zeros((parts, parts))
        blocks = [np.diag(PRIOR.centre_var), *[np.diag(PRIOR.rung)] * N_RUNGS]
        blocks += [np.diag(PRIOR.athlete)] * len(people) + [PRIOR.own] * 6
        for place, block in enumerate(blocks):
            spread[3 * place : 3 * place + 3, 3 * place : 3 * place + 3] = block
        mix = np.zeros((size, parts))
        for s in range(6):
            rows = slice(3 * s, 3 * s + 3)
            person = int(np.searchsorted(people, ATHLETE[s]))
            for part in (0, 1 + RUNG[s], 1 + N_RUNGS + person, 1 + N_RUNGS + len(people) + s):
                mix[rows, 3 * part : 3 * part + 3] = np.eye(3)
        mix[18:, : 3 * (1 + N_RUNGS)] = np.eye(3 * (1 + N_RUNGS))
        mean = np.zeros(size)
        mean[:18] = np.tile(PRIOR.centre_mean, 6)
        mean[18:21] = PRIOR.centre_mean
        return mean, mix @ spread @ mix.T

    def observed(self, which=range(6)):
        """Design over (theta, centre, rungs), values and noise of these spells."""
        rows = [self.designs[s] for s in which]
        design = np.zeros((sum(map(len, rows)), 3 * (6 + 1 + N_RUNGS)))
        at = 0
        for s, x in zip(which, rows, strict=True):
            design[at : at + len(x), 3 * s : 3 * s + 3] = x
            at += len(x)
        values = np.concatenate([self.values[s] for s in which])
        return design, values, np.concatenate([self.noise[s] for s in which])


@pytest.fixture(scope="module")
def spells():
    return Spells()


@pytest.fixture(scope="module")
def pooled(spells):
    return pool(spells.information(), ATHLETE, RUNG, N_RUNGS, PRIOR)


def condition(mean, cov, design, values, noise):
    gain = cov @ design.T @ np.linalg.inv(design @ cov @ design.T + np.diag(noise))
    return mean + gain @ (values - design @ mean), cov - gain @ design @ cov


def test_the_evidence_is_that_of_one_dense_normal(spells, pooled):
    mean, cov = spells.dense()
    design, values, noise = spells.observed()
    law = multivariate_normal(design @ mean, design @ cov @ design.T + np.diag(noise))
    assert pooled.log_evidence == pytest.approx(law.logpdf(values), abs=1e-6)


def test_centre_and_rung_effects_are_those_of_one_dense_normal(spells, pooled):
    mean, cov = condition(*spells.dense(), *spells.observed())
    np.testing.assert_allclose(pooled.common_mean, mean[18:], atol=1e-8)
    np.testing.assert_allclose(pooled.common_cov, cov[18:, 18:], atol=1e-8)


def test_a_rung_nobody_tried_keeps_its_prior(pooled):
    untried = slice(3 + 9, 3 + 12)
    np.testing.assert_allclose(pooled.common_mean[untried], 0.0, atol=1e-12)
    np.testing.assert_allclose(np.diag(pooled.common_cov)[untried], PRIOR.rung, atol=1e-12)


def test_the_numbers_of_the_athletes_do_not_matter(spells, pooled):
    other = pool(spells.information(), np.array([0, 0, 1, 1, 1, 2]), RUNG, N_RUNGS, PRIOR)
    assert other.log_evidence == pooled.log_evidence
    np.testing.assert_array_equal(other.common_mean, pooled.common_mean)


def test_own_effects_are_integrated_out(spells):
    loose = marginalise_own(spells.information(), PRIOR.own)
    theta = np.array([-0.4, 0.02, 0.03])
    for s in range(6):
        x, y, r = spells.designs[s], spells.values[s], spells.noise[s]
        law = multivariate_normal(x @ theta, x @ PRIOR.own @ x.T + np.diag(r))
        ours = loose.constant[s] + loose.score[s] @ theta
        ours -= 0.5 * theta @ loose.information[s] @ theta
        assert ours == pytest.approx(law.logpdf(y), abs=1e-8)


def test_an_athletes_other_spells_tell_where_a_new_one_starts(spells, pooled):
    """With the common effects known for certain, the prior of a spell is an exact regression."""
    loose = marginalise_own(spells.information(), PRIOR.own)
    known = np.zeros_like(pooled.common_cov)
    mean, cov = spell_priors(
        loose, RUNG, (np.array([0, 0]), np.array([2, 3])), np.array([0]),
        replace(pooled, common_cov=known), PRIOR,
    )  # fmt: skip
    shift = [pooled.common_mean[:3] + pooled.common_mean[3 + 3 * r : 6 + 3 * r] for r in (1, 2)]
    x = np.concatenate([spells.designs[2], spells.designs[3]])
    own = np.zeros((len(x), len(x)))
    split = len(spells.designs[2])
    own[:split, :split] = spells.designs[2] @ PRIOR.own @ spells.designs[2].T
    own[split:, split:] = spells.designs[3] @ PRIOR.own @ spells.designs[3].T
    noise = own + np.diag(np.concatenate([spells.noise[2], spells.noise[3]]))
    centred = np.concatenate(
        [spells.values[s] - spells.designs[s] @ c for s, c in zip((2, 3), shift, strict=True)]
    )
    spread = np.diag(PRIOR.athlete)
    gain = spread @ x.T @ np.linalg.inv(x @ spread @ x.T + noise)
    athlete, athlete_cov = gain @ centred, spread - gain @ x @ spread
    np.testing.assert_allclose(
        mean[0], pooled.common_mean[:3] + pooled.common_mean[3:6] + athlete, atol=1e-8
    )
    np.testing.assert_allclose(cov[0], PRIOR.own + athlete_cov, atol=1e-8)


def test_without_other_spells_the_athlete_is_like_anybody(spells, pooled):
    loose = marginalise_own(spells.information(), PRIOR.own)
    nobody = (np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64))
    mean, cov = spell_priors(loose, RUNG, nobody, np.array([3]), pooled, PRIOR)
    np.testing.assert_allclose(mean[0], pooled.common_mean[:3], atol=1e-10)
    expected = PRIOR.own + np.diag(PRIOR.athlete) + np.diag(PRIOR.rung) + pooled.common_cov[:3, :3]
    np.testing.assert_allclose(cov[0], expected, atol=1e-10)
