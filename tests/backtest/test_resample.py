"""Cluster bootstrap: whole athletes are drawn, and ranges have the right width."""

from __future__ import annotations

import numpy as np
import pytest

from forecast.backtest.scoring import (
    cluster_multiplicities,
    percentile_range,
    resampled_means,
)
from forecast.errors import BacktestError


def test_rows_of_an_athlete_are_drawn_together_and_draws_add_up():
    names = np.array(["b", "a", "b", "c", "a"])
    times = cluster_multiplicities(names, 200, seed=1)
    assert np.array_equal(times[:, 0], times[:, 2])
    assert np.array_equal(times[:, 1], times[:, 4])
    assert np.all(times[:, [0, 1, 3]].sum(axis=1) == 3)
    assert np.array_equal(times, cluster_multiplicities(names, 200, seed=1))


def test_the_range_of_a_mean_is_as_wide_as_theory_says():
    values = np.random.default_rng(2).normal(size=400)
    times = cluster_multiplicities(np.arange(400), 2000, seed=1)
    low, high = percentile_range(resampled_means(values, times, np.ones(400)), 0.9)
    assert (high - low) == pytest.approx(2 * 1.645 * values.std() / 20, rel=0.08)


def test_a_resample_without_weight_is_left_out():
    times = np.array([[2.0, 0.0], [0.0, 2.0]])
    means = resampled_means([5.0, 1.0], times, [1.0, 0.0])
    assert np.isnan(means[1])
    assert percentile_range(means) == (5.0, 5.0)


@pytest.mark.parametrize(
    "ask", [lambda: cluster_multiplicities([], 5), lambda: percentile_range([1], 2)]
)
def test_nonsense_is_refused(ask):
    with pytest.raises(BacktestError):
        ask()


def test_alike_rows_of_an_athlete_widen_the_range():
    effect = np.repeat(np.random.default_rng(2).normal(size=40), 10)
    low, high = np.transpose(
        [
            percentile_range(resampled_means(effect, times, np.ones(400)))
            for times in (
                cluster_multiplicities(np.repeat(np.arange(40), 10)),
                cluster_multiplicities(np.arange(400)),
            )
        ]
    )
    by_athlete, by_row = high - low
    assert by_athlete > 2 * by_row
