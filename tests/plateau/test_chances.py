"""The chance of being flat, and the one rule from chances to a state."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy.stats import norm

from forecast.plateau.chances import (
    MOVING_MEAN,
    MOVING_SD,
    STALLED_SD,
    STALLED_SHARE,
    chance_flat,
)


def true_gains(rng, n):
    stalled = rng.random(n) < STALLED_SHARE
    return np.where(stalled, rng.normal(0.0, STALLED_SD, n), rng.normal(MOVING_MEAN, MOVING_SD, n))


def test_chances_are_as_often_right_as_they_say():
    rng = np.random.default_rng(6)
    true = true_gains(rng, 20_000)
    sd = rng.uniform(0.005, 0.03, len(true))
    gain = true + sd * rng.standard_normal(len(true))
    chance, flat = chance_flat(gain, sd, np.full(len(true), 0.01)), true <= 0.01
    for low, high in itertools.pairwise((0.0, 0.2, 0.4, 0.6, 0.8, 1.01)):
        part = (chance >= low) & (chance < high)
        assert part.sum() > 100
        assert flat[part].mean() == pytest.approx(chance[part].mean(), abs=0.04)


@pytest.mark.parametrize(("gain", "sd", "least"), [(0.0, 0.02, 0.01), (0.03, 0.01, 0.005)])
def test_it_is_bayes_rule_integrated_point_by_point(gain, sd, least):
    true = np.linspace(-0.4, 0.5, 900_001)
    spread = STALLED_SHARE * norm.pdf(true, 0.0, STALLED_SD) + (1.0 - STALLED_SHARE) * norm.pdf(
        true, MOVING_MEAN, MOVING_SD
    )
    after = spread * norm.pdf(gain, true, sd)
    expected = after[true <= least].sum() / after.sum()
    said = chance_flat(np.array([gain]), np.array([sd]), np.array([least]))
    assert said[0] == pytest.approx(expected, abs=1e-4)


def test_without_a_measurement_it_is_the_spread_itself():
    chance = chance_flat(np.array([0.0]), np.array([50.0]), np.array([0.01]))
    assert 0.3 < chance[0] < 0.6
    far = chance_flat(np.array([-3.0, 3.0]), np.full(2, 0.001), np.full(2, 0.01))
    np.testing.assert_allclose(far, [1.0, 0.0], atol=1e-9)
