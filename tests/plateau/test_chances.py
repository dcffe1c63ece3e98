"""The chance of being flat, and the one rule from chances to a state."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy.stats import norm

from forecast.plateau import state_of
from forecast.plateau.chances import GRID, chance_flat, learn_gains, usual_gains


def test_the_spread_learnt_is_that_of_true_gains_and_not_of_errors():
    rng = np.random.default_rng(4)
    true = np.where(rng.random(3000) < 0.4, 0.0, rng.normal(0.06, 0.01, 3000))
    sd = rng.uniform(0.01, 0.02, 3000)
    spread = learn_gains(true + sd * rng.standard_normal(3000), sd, np.ones(3000))
    assert spread.sum() == pytest.approx(1.0)
    assert spread[GRID <= 0.02].sum() == pytest.approx(0.4, abs=0.12)


def test_chances_are_as_often_right_as_they_say():
    rng = np.random.default_rng(6)
    true = np.where(rng.random(6000) < 0.3, 0.0, rng.normal(0.04, 0.02, 6000))
    sd = rng.uniform(0.008, 0.03, 6000)
    gain, least = true + sd * rng.standard_normal(6000), np.full(6000, 0.01)
    spread = learn_gains(gain[:3000], sd[:3000], np.ones(3000))
    chance = chance_flat(gain, sd, least, spread)[3000:]
    flat = (true <= 0.01)[3000:]
    for low, high in itertools.pairwise((0.0, 0.2, 0.4, 0.6, 0.8, 1.01)):
        part = (chance >= low) & (chance < high)
        assert part.sum() > 100
        assert flat[part].mean() == pytest.approx(chance[part].mean(), abs=0.08)


def test_with_one_normal_spread_it_is_the_textbook_posterior():
    spread = norm.pdf(GRID, 0.05, 0.04)
    spread /= spread.sum()
    gain, sd = np.array([0.0, 0.03]), np.array([0.02, 0.01])
    var = 1.0 / (1.0 / 0.04**2 + 1.0 / sd**2)
    mean = var * (0.05 / 0.04**2 + gain / sd**2)
    expected = norm.cdf((0.01 - mean) / np.sqrt(var))
    said = chance_flat(gain, sd, np.full(2, 0.01), spread)
    np.testing.assert_allclose(said, expected, atol=0.01)


def test_without_a_measurement_it_is_the_spread_itself():
    chance = chance_flat(np.array([0.0]), np.array([50.0]), np.array([0.01]), usual_gains())
    assert 0.3 < chance[0] < 0.6
    far = chance_flat(np.array([-3.0, 3.0]), np.full(2, 0.001), np.full(2, 0.01), usual_gains())
    np.testing.assert_allclose(far, [1.0, 0.0], atol=1e-9)


@pytest.mark.parametrize("p_flat", np.linspace(0, 1, 21))
@pytest.mark.parametrize("p_gains", [0.0, 0.5, 1.0])
@pytest.mark.parametrize("gain_high", [-0.01, 0.02])
def test_no_state_contradicts_its_chance(p_flat, p_gains, gain_high):
    for flagged, enough, waits in itertools.product([False, True], repeat=3):
        if flagged and p_flat < 0.5:
            continue  # the flag comes down below one half (alarms.STAY)
        state = state_of(
            waits=waits, flagged=flagged, enough=enough, p_flat=p_flat, p_gains=p_gains,
            gain_high=gain_high,
        )  # fmt: skip
        if state in ("flat", "slipping"):
            assert p_flat >= 0.5
        if state == "climbing":
            assert p_flat <= 0.5
            assert p_gains >= 0.5
            assert enough
        assert (state == "paused") == waits
        assert state != "slipping" or gain_high < 0
