"""The pool of two engines: what it does with nothing, with much, and at the edges."""

from __future__ import annotations

import numpy as np
import pytest

from forecast.readiness import POOLED
from forecast.readiness.pool import Combiner, fit_combiner

WEEKS = np.arange(53, dtype=float)


def law(rate):
    """(T, W) chances under constant hazards (T,)."""
    return 1.0 - np.exp(-np.outer(rate, WEEKS))


@pytest.fixture
def two(request):
    rng = np.random.default_rng(1)
    rate = np.exp(rng.normal(-2.5, 0.8, 400))
    time = rng.exponential(1 / rate)
    cleared = time < 40
    return rate, np.minimum(time, 40.0), cleared, np.arange(400)


def test_without_data_each_engine_counts_half_and_nothing_is_recalibrated():
    nothing = np.empty((0, 53))
    empty = np.empty(0)
    fitted = fit_combiner([nothing] * 2, empty, empty.astype(bool), empty.astype(np.int64))
    assert fitted.shares(WEEKS) == pytest.approx(0.5)
    chances = law(np.array([0.02, 0.1]))
    np.testing.assert_allclose(fitted.combine([chances, chances], WEEKS), chances, atol=2e-5)


def test_a_single_athlete_hardly_moves_it():
    chances = law(np.array([0.05]))
    fitted = fit_combiner([chances] * 2, np.array([3.0]), np.array([True]), np.array([0]))
    np.testing.assert_allclose(fitted.combine([chances, chances], WEEKS), chances, atol=0.08)


def test_two_calibrated_engines_that_agree_stay_as_they_are(two):
    rate, time, cleared, athlete = two
    chances = law(rate)
    fitted = fit_combiner([chances] * 2, time, cleared, athlete)
    pooled = fitted.combine([chances, chances], WEEKS)
    assert np.abs(pooled - chances).mean() < 0.02


def test_the_better_engine_gets_the_weight(two):
    rate, time, cleared, athlete = two
    blind = law(np.full(400, np.median(rate)))
    good_survival = fit_combiner([blind, law(rate)], time, cleared, athlete)
    good_growth = fit_combiner([law(rate), blind], time, cleared, athlete)
    assert good_survival.shares(WEEKS)[1, 8] > 0.7
    assert good_growth.shares(WEEKS)[1, 8] < 0.3


def test_engines_too_sure_by_far_are_pulled_back(two):
    rate, time, cleared, athlete = two
    sure = law(rate * 3.0)
    fitted = fit_combiner([sure] * 2, time, cleared, athlete)
    pooled = fitted.combine([sure] * 2, WEEKS)
    before, after = (np.abs(c[:, 8] - law(rate)[:, 8]).mean() for c in (sure, pooled))
    assert after < 0.5 * before


def test_many_landmarks_of_one_athlete_weigh_little():
    chances = law(np.full(300, 0.05))
    one = fit_combiner(
        [chances] * 2, np.full(300, 2.0), np.ones(300, bool), np.zeros(300, np.int64)
    )
    many = fit_combiner([chances] * 2, np.full(300, 2.0), np.ones(300, bool), np.arange(300))
    shown = [abs(m.combine([chances] * 2, WEEKS)[0, 4] - chances[0, 4]) for m in (one, many)]
    assert shown[0] < 0.5 * shown[1]


@pytest.mark.parametrize("seed", range(5))
def test_the_pool_is_a_proper_curve_whatever_the_numbers(seed):
    rng = np.random.default_rng(seed)
    combiner = Combiner(rng.normal(0, 1.0, (1, 3)), *rng.normal(0, 1.0, 3))
    survival, growth = law(rng.exponential(0.1, 50)), law(rng.exponential(0.1, 50))
    pooled = combiner.combine([growth, survival], WEEKS, rng.exponential(20.0, 50))
    assert ((pooled >= 0) & (pooled <= 1)).all()
    assert (np.diff(pooled, axis=1) >= 0).all()


def test_what_is_impossible_stays_impossible():
    survival, growth = law(np.array([0.1])), law(np.array([0.1]))
    growth[:, :6] = 0.0
    pooled = Combiner(shift=2.0).combine([growth, survival], WEEKS)
    assert (pooled[:, :6] == 0.0).all()
    assert (pooled[:, 7:] > 0.0).all()


def test_few_clearings_give_the_survival_engine_less_weight():
    nothing, empty = np.empty((0, 53)), np.empty(0)
    weights = [
        fit_combiner(
            [nothing] * 2,
            empty,
            empty.astype(bool),
            empty.astype(np.int64),
            np.array([[engine.prior_weight(clearings), 0.0, 0.0] for engine in POOLED[1:]]),
        ).shares(WEEKS)[1, 8]
        for clearings in (0, 10, 1000)
    ]
    assert weights == pytest.approx([0.05, 0.25, 0.495], abs=0.001)


def test_records_that_end_within_a_week_do_not_make_clearing_look_early():
    """A rate known exactly, records of a few days each: nothing is left to recalibrate."""
    rng = np.random.default_rng(8)
    n, rate = 3000, 0.15
    clearing, known = rng.exponential(1 / rate, n), rng.uniform(0.1, 2.0, n)
    chances = law(np.full(n, rate))
    fitted = fit_combiner(
        [chances] * 2, np.minimum(clearing, known), clearing <= known, np.arange(n)
    )
    pooled = fitted.combine([chances, chances], WEEKS)
    # Counting whole weeks only, the chance at two weeks came out 1.37 times too high.
    assert abs(np.log(pooled[0, 2] / chances[0, 2])) < 0.1


@pytest.mark.parametrize("count", [1, 2, 3, 5])
def test_any_number_of_engines_starts_from_equal_parts(count):
    nothing, empty = np.empty((0, 53)), np.empty(0)
    fitted = fit_combiner([nothing] * count, empty, empty.astype(bool), empty.astype(np.int64))
    shares = fitted.shares(WEEKS)
    assert shares.shape == (count, 53)
    np.testing.assert_allclose(shares, 1.0 / count, atol=1e-12)


def test_the_weight_learns_who_answers_better_for_whom_is_away(two):
    """One engine is right about those who train, the other about those who were long away."""
    rate, time, cleared, athlete = two
    away = np.where(np.arange(400) % 2 == 0, 0.0, 30.0)
    blind = np.full(400, np.median(rate))
    present, absent = (law(np.where(here, rate, blind)) for here in (away < 1, away > 1))
    fitted = fit_combiner([present, absent], time, cleared, athlete, away=away)
    assert fitted.shares(WEEKS, 0.0)[1, 8] < 0.4
    assert fitted.shares(WEEKS, 30.0)[1, 8] > 0.6


def test_of_three_engines_the_one_that_knows_gets_most(two):
    rate, time, cleared, athlete = two
    blind, wrong = law(np.full(400, np.median(rate))), law(rate[::-1])
    for place in range(3):
        engines = [blind, wrong]
        engines.insert(place, law(rate))
        fitted = fit_combiner(engines, time, cleared, athlete)
        assert fitted.shares(WEEKS)[:, 8].argmax() == place
        pooled = fitted.combine(engines, WEEKS)
        mixed = np.tensordot(fitted.shares(WEEKS).T[8], np.array(engines)[:, :, 8], 1)
        plain = Combiner(fitted.weights).combine(engines, WEEKS)[:, 8]
        np.testing.assert_allclose(plain, mixed, atol=2e-5)
        assert (np.diff(pooled, axis=1) >= 0).all()
