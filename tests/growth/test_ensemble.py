"""Speeds of spells and weights of draws."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from forecast.growth import forecasting, judgement
from forecast.growth.forecasting import power_of_two, speed_quantiles, spell_speeds
from forecast.growth.passage import Habits, Targets

MEAN = np.array([[-0.6, 0.01, 0.02], [-0.3, -0.01, 0.05], [-0.5, 0.0, 0.0]])
COV = np.array(
    [
        [[0.09, 0.002, -0.001], [0.002, 0.0025, 0.0002], [-0.001, 0.0002, 0.0006]],
        [[0.04, 0.0, 0.0], [0.0, 0.0009, 0.0], [0.0, 0.0, 0.0004]],
        [[0.04, 0.0, 0.0], [0.0, 0.0009, 0.0], [0.0, 0.0, 0.0004]],
    ]
)


def test_speed_takes_out_of_the_spread_what_it_puts_in():
    """Mixed over all speeds, level, swing and pace per calendar week keep mean and spread."""
    draws = 4000
    total = np.zeros_like(COV)
    mean = np.zeros_like(MEAN)
    means = []
    for quantile in norm.ppf((np.arange(draws) + 0.5) / draws):
        speed, left = spell_speeds(MEAN, COV, float(quantile))
        scale = np.ones_like(MEAN)
        scale[:, 1:] = speed[:, None]
        means.append(MEAN * scale)
        total += left * scale[:, :, None] * scale[:, None, :] / draws
        mean += means[-1] / draws
    spread = np.stack(means) - mean
    total += np.einsum("mti,mtj->tij", spread, spread) / draws
    np.testing.assert_allclose(mean, MEAN, rtol=2e-3, atol=1e-9)
    np.testing.assert_allclose(np.diagonal(total, axis1=1, axis2=2),
                               np.diagonal(COV, axis1=1, axis2=2), rtol=2e-2)  # fmt: skip
    # Level against gain loses a little where the speed varies: never more than its own spread.
    assert np.abs(total[:, 0, 1:] - COV[:, 0, 1:]).max() < 0.1 * np.abs(COV[:, 0, 1:]).max()


def test_what_is_left_is_a_proper_spread_even_where_the_gain_is_sure():
    sure = COV.copy()
    sure[:, 1:, :] *= 0.01
    sure[:, :, 1:] *= 0.01
    for quantile in (-2.0, 0.0, 2.0):
        speed, left = spell_speeds(MEAN, sure, quantile)
        assert (np.linalg.eigvalsh(left) > 0).all()
        assert (speed > 0).all()
    # Nothing known to be moving has no speed to speak of; a sure gain leaves little room for one.
    fast, _ = spell_speeds(MEAN, sure, 2.0)
    assert fast[0] < np.exp(2.0 * judgement.SPEED_SD)


def test_quantiles_are_even_and_their_order_is_the_seeds():
    first, again, other = (speed_quantiles(64, seed) for seed in (0, 0, 1))
    np.testing.assert_array_equal(first, again)
    assert not np.array_equal(first, other)
    np.testing.assert_allclose(np.sort(first), np.sort(other))
    assert abs(first.mean()) < 1e-12


def test_draws_that_explain_a_spell_badly_drop_out_and_the_rest_sum_to_one():
    evidence = np.array([[0.0, -1.0], [-1.0, -1.0], [-40.0, -1.0]])
    weight = forecasting.draw_weights(evidence)
    np.testing.assert_allclose(weight.sum(axis=0), 1.0)
    assert weight[2, 0] == 0.0
    np.testing.assert_allclose(weight[:, 1], 1 / 3)
    np.testing.assert_allclose(weight[0, 0] / weight[1, 0], np.e)


def test_a_draw_drops_out_below_a_five_hundredth_of_an_even_share():
    """Of four draws an even share is a quarter: 0.0005 is the least that stays."""
    for share, stays in [(0.0006, True), (0.0004, False)]:
        even = np.log((1.0 - share) / 3.0)
        weight = forecasting.draw_weights(np.array([[even], [even], [even], [np.log(share)]]))[:, 0]
        assert weight[3] == pytest.approx(share if stays else 0.0)
        np.testing.assert_allclose(weight[:3], (1.0 - weight[3]) / 3.0)


def test_targets_are_taken_with_all_that_is_theirs():
    n = 3
    targets = Targets(
        mean=MEAN, cov=COV, threshold=np.arange(3.0), measure=np.zeros(n, dtype=np.int64),
        grace=np.full(n, 2.0), confirm=np.ones(n, dtype=np.int64),
        run=np.zeros(n, dtype=np.int64), wait=np.arange(3.0), gaps=np.ones((n, 4)),
        first_gaps=np.ones((n, 4)), speed=np.array([1.0, 2.0, 3.0]),
        habits=Habits(intercept=np.arange(3.0), slope=0.5, sets=np.ones((n, 5), dtype=np.int64)),
    )  # fmt: skip
    part = forecasting.take_targets(targets, np.array([2]))
    assert len(part) == 1
    assert part.speed == 3.0
    assert part.wait == 2.0
    assert part.habits.intercept == 2.0
    assert part.habits.slope == 0.5
    assert part.lost == 0.0
    assert part.mean.shape == (1, 3)


def test_paths_come_in_powers_of_two():
    assert [power_of_two(n) for n in (0, 2, 3, 5, 7, 16, 21)] == [2, 2, 4, 4, 8, 16, 16]
