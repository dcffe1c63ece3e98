"""Scores: laws they must keep, and weights that must undo censoring."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forecast.backtest.scores import (
    auc_at,
    brier_at,
    censoring_curve,
    coverage,
    crps_from_curve,
    curve_at,
    d_calibration,
    log_score,
    nobody_lost,
    pit,
    uno_c,
    weeks_at,
    weeks_followed,
)
from forecast.errors import BacktestError

WEEKS = np.arange(1, 53)


def exponential_curves(means, horizon=52):
    return -np.expm1(-np.arange(1, horizon + 1) / np.asarray(means, float)[:, None])


@pytest.fixture
def lost():
    """4,000 exponential waits of known mean, a third of them cut short at random."""
    rng = np.random.default_rng(7)
    means = rng.uniform(4, 40, 4000)
    truth = rng.exponential(means)
    end = rng.uniform(5, 90, 4000)
    return means, truth, np.minimum(truth, end), truth <= end


@st.composite
def curves_and_times(draw):
    n, horizon = draw(st.integers(1, 5)), draw(st.integers(1, 12))
    steps = draw(st.lists(st.floats(0, 1), min_size=n * (horizon + 1), max_size=n * (horizon + 1)))
    mass = np.array(steps).reshape(n, horizon + 1) + 1e-3
    curve = np.cumsum(mass / mass.sum(axis=1, keepdims=True), axis=1)[:, :-1]
    times = draw(st.lists(st.floats(0, 20), min_size=n, max_size=n))
    return np.minimum(curve, 1), np.array(times)


@given(curves_and_times())
@settings(max_examples=25, deadline=None)
def test_crps_is_the_integral_of_the_brier_score(case):
    curve, times = case
    horizon = curve.shape[1]
    fine = (np.arange(horizon * 400) + 0.5) / 400
    inside = curve_at(curve, np.broadcast_to(fine, (len(curve), fine.size)))
    by_hand = np.mean((inside - (times[:, None] <= fine)) ** 2, axis=1) * horizon
    np.testing.assert_allclose(crps_from_curve(curve, times), by_hand, atol=6e-3)


@given(curves_and_times(), st.sampled_from([0.1, 0.5, 0.9]))
@settings(max_examples=25, deadline=None)
def test_weeks_at_undoes_curve_at(case, share):
    curve, _ = case
    weeks = weeks_at(curve, share)
    reached = np.isfinite(weeks)
    assert np.array_equal(reached, curve[:, -1] >= share)
    np.testing.assert_allclose(curve_at(curve[reached], weeks[reached]), share, atol=1e-9)


# By hand: F is t/2 on (0, 2). Cleared at 1: integral of t^2/4 over (0,1) plus (1-t/2)^2 over (1,2)
# = 1/12 + 1/12. Not cleared by 2: integral of t^2/4 over (0,2) = 2/3.
def test_crps_by_hand():
    np.testing.assert_allclose(crps_from_curve([[0.5, 1.0]] * 2, [1.0, 5.0]), [1 / 6, 2 / 3])


# By hand with G = 1/2 after week 1 (one of two lost there): the other clears at 2 with F = t/2:
# t^2/4 over (0,1) at weight 1, over (1,2) at weight 2: 1/12 + 2 * 7/12. The lost one: 1/12.
def test_weighted_crps_by_hand():
    time, cleared = [1.0, 2.0], [False, True]
    gone = censoring_curve(time, cleared)
    score = crps_from_curve([[0.5, 1.0]] * 2, time, cleared=cleared, censoring=gone)
    np.testing.assert_allclose(score, [1 / 12, 15 / 12])


def test_crps_of_a_certain_week_is_its_error_within_half_a_week():
    sure = (WEEKS[None, :] >= 10).astype(float)
    assert crps_from_curve(sure, [30.0])[0] == pytest.approx(20, abs=0.5)
    assert crps_from_curve(sure, [100.0])[0] == pytest.approx(42, abs=0.5)


@pytest.mark.parametrize("score", [crps_from_curve, log_score])
def test_the_truth_scores_best(score, lost):
    means, truth, _, _ = lost
    at = [score(exponential_curves(means * f), truth).mean() for f in (0.6, 1.0, 1.6)]
    assert at[1] < min(at[0], at[2])


def test_weights_undo_censoring(lost):
    means, truth, time, cleared = lost
    curve, gone = exponential_curves(means), censoring_curve(time, cleared)
    known = {"cleared": cleared, "censoring": gone}
    pairs = [
        (crps_from_curve(curve, time, 40, **known), crps_from_curve(curve, truth, 40)),
        (brier_at(curve, time, 26, **known), brier_at(curve, truth, 26)),
        (log_score(curve, time, 40, **known), log_score(curve, truth, 40)),
    ]
    for weighted, full in pairs:
        error = 4 * np.std(weighted - full) / np.sqrt(len(full))
        assert abs(weighted.mean() - full.mean()) < error
    # Taking a loss for a clearing is far off: the check above can fail.
    naive = crps_from_curve(curve, time, 40)
    assert abs(naive.mean() - pairs[0][1].mean()) > 4 * np.std(naive) / np.sqrt(len(naive))


def share(answer):
    return np.average(answer.covered, weights=answer.weight)


@pytest.mark.parametrize("level", [0.5, 0.8, 0.95])
def test_ranges_of_the_truth_cover_what_they_claim(lost, level):
    means, truth, time, cleared = lost
    curve = exponential_curves(means, 80)
    assert share(coverage(curve, truth, level)) == pytest.approx(level, abs=0.03)
    gone = censoring_curve(time, cleared)
    weighted = coverage(curve, time, level, 60, cleared=cleared, censoring=gone)
    assert share(weighted) == pytest.approx(share(coverage(curve, truth, level, 60)), abs=0.03)


# A 50 % range from week 1 to 3 of four weeks.
@pytest.mark.parametrize(
    ("time", "cleared", "covered", "known"),
    [
        (2.0, True, 1, True),
        (0.5, True, 0, True),
        (3.5, True, 0, True),
        (3.5, False, 0, True),  # lost, but after the upper end had gone by
        (2.0, False, 0, False),  # lost inside the range: nobody knows
        (9.0, False, 0, True),
    ],
)
def test_coverage_of_one(time, cleared, covered, known):
    curve = [[0.25, 0.5, 0.75, 1.0]]
    answer = coverage(curve, [time], 0.5, cleared=[cleared], censoring=nobody_lost())
    assert answer.covered[0] == covered
    assert (answer.weight[0] > 0) == known


def test_one_who_does_not_clear_is_covered_when_the_upper_end_is_past_the_horizon():
    assert coverage([[0.3, 0.6]], [5.0], 0.5).covered[0] == 1
    assert coverage([[0.3, 0.9]], [5.0], 0.5).covered[0] == 0


def test_pit_of_the_truth_is_even_and_of_a_wrong_law_is_not(lost):
    means, _, time, cleared = lost
    even = pit(exponential_curves(means), time, cleared=cleared, seed=1)
    counts = np.histogram(even, bins=10, range=(0, 1))[0]
    assert np.sum((counts - 400) ** 2 / 400) < 27.9  # chi-square, 9 df, 0.1 % point
    off = pit(exponential_curves(means * 2), time, cleared=cleared, seed=1)
    assert np.sum((np.histogram(off, bins=10)[0] - 400) ** 2 / 400) > 100


def test_pit_repeats_with_its_seed(lost):
    means, _, time, cleared = lost
    one, two, other = (
        pit(exponential_curves(means), time, cleared=cleared, seed=seed) for seed in (1, 1, 2)
    )
    assert np.array_equal(one, two)
    assert not np.array_equal(one, other)


def test_d_calibration_keeps_every_athlete_and_tells_right_from_wrong(lost):
    means, _, time, cleared = lost
    right = d_calibration(np.exp(-time / means), cleared)
    assert right.mass.sum() == pytest.approx(len(time))
    assert right.p_value > 0.001
    assert d_calibration(np.exp(-time / (1.3 * means)), cleared).p_value < 1e-6


def test_log_score_of_one_that_said_never_is_capped():
    score = log_score(np.zeros((1, 10)), [3.0], floor=0.01)
    assert score[0] == pytest.approx(-np.log(0.01))


def test_concordance_of_a_perfect_a_reversed_and_an_empty_forecast():
    time, cleared = np.arange(1.0, 9), np.ones(8, bool)
    assert uno_c(-time, time, cleared) == 1
    assert uno_c(time, time, cleared) == 0
    assert uno_c(np.zeros(8), time, cleared) == 0.5
    assert auc_at(-time, time, cleared, 4) == 1


def test_resampled_concordance_is_that_of_the_rows_drawn():
    rng = np.random.default_rng(3)
    time, risk, cleared = rng.exponential(9, 40), rng.normal(size=40), rng.random(40) < 0.7
    times = rng.multinomial(40, np.full(40, 1 / 40), size=3)
    together = uno_c(risk, time, cleared, censoring=nobody_lost(), multiplicity=times)
    for counts, value in zip(times, together, strict=True):
        rows = np.repeat(np.arange(40), counts)
        alone = uno_c(risk[rows], time[rows], cleared[rows], censoring=nobody_lost())
        assert alone == pytest.approx(value)


def test_weeks_followed_stops_where_few_are_left():
    time = np.r_[np.full(95, 10.0), np.full(5, 52.0)]
    assert weeks_followed(time, np.zeros(100, bool), 52) == 10
    assert weeks_followed(time, np.ones(100, bool), 52) == 52
    with pytest.raises(BacktestError, match="followed for one week"):
        weeks_followed([0.5] * 20, np.zeros(20, bool), 52)


def test_no_score_changes_what_it_is_given(lost):
    means, _, time, cleared = lost
    curve = exponential_curves(means)
    kept = curve.copy(), time.copy(), cleared.copy()
    for array in (curve, time, cleared):
        array.flags.writeable = False
    gone = censoring_curve(time, cleared)
    crps_from_curve(curve, time, 40, cleared=cleared, censoring=gone)
    brier_at(curve, time, 12, cleared=cleared, censoring=gone)
    log_score(curve, time, 40, cleared=cleared, censoring=gone)
    coverage(curve, time, 0.8, 40, cleared=cleared, censoring=gone)
    pit(curve, time, cleared=cleared)
    for before, after in zip(kept, (curve, time, cleared), strict=True):
        assert np.array_equal(before, after)


@pytest.mark.parametrize(
    ("curve", "time", "options", "message"),
    [
        ([[0.5, 0.4]], [1.0], {}, "falls"),
        ([[0.5, 1.4]], [1.0], {}, "between 0 and 1"),
        ([[0.5, np.nan]], [1.0], {}, "missing"),
        ([[0.5, 0.6]], [-1.0], {}, "zero or more"),
        ([[0.5, 0.6]], [np.nan], {}, "never missing"),
        ([[0.5, 0.6]], [1.0, 2.0], {}, "give one each"),
        ([[0.5, 0.6]], [1.0], {"horizon": 3}, "horizon 3"),
        ([[0.5, 0.6]], [1.0], {"censoring": censoring_curve([1.0], [False])}, "nobody was"),
    ],
)
def test_bad_input_is_named(curve, time, options, message):
    with pytest.raises(BacktestError, match=message):
        crps_from_curve(curve, time, **options)
