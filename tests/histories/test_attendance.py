"""Attendance tables: own gaps, the cohort's rhythm, and layoffs under way."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import pareto

from forecast.histories import (
    MEMORY,
    PRIOR_GAPS,
    TABLE_SIZE,
    Absences,
    cohort_rhythm,
    first_gap_table,
    gap_table,
    share_longer,
)

NONE = Absences(np.empty(0), np.empty(0), np.empty(0), prior=0.05)


@pytest.fixture
def rhythm():
    """A cohort of 40: half train every 2 days, half every 4, each with a layoff in 20 gaps."""
    rng = np.random.default_rng(4)
    usual = np.repeat([2.0, 4.0], 20)[:, None] * np.ones((40, 20))
    gaps = np.maximum(np.round(usual * rng.uniform(0.6, 1.4, usual.shape)), 1.0)
    gaps[:, 7] = 30.0
    owner = np.repeat(np.arange(40), 20)
    return cohort_rhythm(gaps.ravel(), owner, np.array([5.0, 7.0, 9.0]), NONE)


def test_without_any_gap_the_stated_rhythm_is_used():
    rhythm = cohort_rhythm(np.empty(0), np.empty(0, dtype=np.int64), np.empty(0), NONE)
    assert rhythm.median == np.median(PRIOR_GAPS)
    table = gap_table([np.empty(0)], rhythm)[0]
    np.testing.assert_allclose(table.mean(), PRIOR_GAPS.mean(), rtol=0.1)


def test_a_beginner_trains_as_the_cohort_does(rhythm):
    table = gap_table([np.empty(0)], rhythm)[0]
    assert len(table) == TABLE_SIZE
    assert (np.diff(table) >= 0).all()
    assert np.median(table) == pytest.approx(rhythm.median, abs=1.0)
    assert (table >= 10).mean() == pytest.approx(0.05, abs=0.03)  # layoffs, 1 in 20


def test_own_gaps_take_over_as_they_come_in(rhythm):
    own = np.full(60, 7.0)
    medians = [np.median(gap_table([own[:n]], rhythm)[0]) for n in (0, 1, 3, 8, 30)]
    assert medians == sorted(medians)
    assert medians[0] < 4.0
    assert medians[-1] == 7.0


def test_two_gaps_are_half_a_habit(rhythm):
    """By hand: a cohort at 16 days and two gaps of 1 make 4; two of eight parts are the own."""
    even = replace(rhythm, ratios=np.ones(TABLE_SIZE), median=16.0)
    table = gap_table([np.array([1.0, 1.0])], even)[0]
    np.testing.assert_array_equal(
        table, np.repeat([1.0, 4.0], [TABLE_SIZE // 4, TABLE_SIZE * 3 // 4])
    )


def test_only_the_latest_gaps_count(rhythm):
    lately = np.full(MEMORY, 3.0)
    with_past = np.concatenate([np.full(200, 21.0), lately])
    np.testing.assert_array_equal(gap_table([with_past], rhythm), gap_table([lately], rhythm))


def test_a_regular_athlete_still_gets_the_cohorts_layoffs(rhythm):
    table = gap_table([np.full(MEMORY, 2.0)], rhythm)[0]
    assert table.max() >= 10
    assert (table == 2.0).mean() > 0.7


def test_no_gap_is_shorter_than_a_day(rhythm):
    assert gap_table([np.full(9, 1.0)], rhythm).min() == 1.0


def test_each_target_stands_alone(rhythm):
    one, other = np.full(5, 2.0), np.full(5, 9.0)
    both = gap_table([one, other], rhythm)
    np.testing.assert_array_equal(both[0], gap_table([one], rhythm)[0])
    np.testing.assert_array_equal(both[1], gap_table([other], rhythm)[0])


# the wait so far ----------------------------------------------------------------------------


def test_without_a_wait_the_first_gap_is_like_any_other(rhythm):
    table = gap_table([np.full(10, 3.0)], rhythm)
    np.testing.assert_array_equal(first_gap_table(table, np.zeros(1), NONE, 0.0), table)


@pytest.mark.parametrize("elapsed", [1.0, 3.0, 4.0, 8.0])
def test_a_wait_conditions_the_gap_on_being_as_long(rhythm, elapsed):
    table = gap_table([np.full(6, 3.0)], rhythm)
    first = first_gap_table(table, np.array([elapsed]), NONE, 0.0)[0]
    left = table[0][table[0] >= elapsed]
    assert first.min() >= elapsed
    assert set(first) <= set(left)
    assert first.mean() == pytest.approx(left.mean(), rel=0.1)


def test_an_absence_longer_than_any_goes_on_as_the_prior_says(rhythm):
    table = gap_table([np.full(20, 3.0)], rhythm)
    elapsed = 100.0
    first = first_gap_table(table, np.array([elapsed]), NONE, 0.0)[0]
    law = pareto(b=1.5, scale=elapsed)
    for share in (0.1, 0.5, 0.9):
        assert np.quantile(first, share) == pytest.approx(law.ppf(share), rel=0.2)
    assert first.min() >= elapsed


def test_own_earlier_absences_come_before_those_of_others(rhythm):
    """Two athletes five weeks away, the log's absences half a year: one was always back in six."""
    log = Absences(np.full(50, 180.0), np.linspace(0, 700, 50), np.full(50, 0.001), prior=0.001)
    own = [np.r_[np.full(8, 3.0), 42.0, 42.0], np.full(10, 3.0)]
    first = first_gap_table(gap_table(own, rhythm), np.full(2, 35.0), log, 100.0)
    assert np.median(first[0]) == 42.0
    assert np.median(first[1]) == 180.0
    assert (first[0] == 180.0).any()  # shrunk to the log's, not ruled by their own


@pytest.mark.parametrize("elapsed", [0.0, 5.0, 22.0, 60.0, 400.0])
def test_the_longer_a_silence_the_fewer_gaps_are_longer(rhythm, elapsed):
    log = Absences(np.array([30.0, 90.0]), np.zeros(2), np.full(2, 0.01), prior=0.001)
    table = gap_table([np.full(20, 3.0)], rhythm)
    share = share_longer(table, np.array([elapsed]), log)[0]
    later = share_longer(table, np.array([elapsed + 10.0]), log)[0]
    assert 0.0 < later <= share <= 1.0
