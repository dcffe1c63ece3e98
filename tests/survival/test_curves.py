from __future__ import annotations

import math
import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forecast.errors import FitError, FitWarning
from forecast.survival import OutsideCurveError, kaplan_meier

SEEDS = range(8)


def spells(seed: int, n: int = 120, late: bool = False):
    """Times on a coarse grid, so that ties are many; late entrants when asked."""
    rng = np.random.default_rng(seed)
    exit = rng.integers(2, 30, n).astype(float)
    event = rng.random(n) < 0.6
    entry = np.minimum(rng.integers(0, 8, n), exit - 1) if late else np.zeros(n)
    return entry.astype(float), exit, event


@pytest.mark.parametrize("seed", SEEDS)
def test_is_the_product_over_event_times(seed):
    entry, exit, event = spells(seed, late=True)
    curve = kaplan_meier(entry, exit, event)
    at_risk = ((entry < curve.time[:, None]) & (exit >= curve.time[:, None])).sum(axis=1)
    ended = ((exit == curve.time[:, None]) & event).sum(axis=1)
    np.testing.assert_array_equal(curve.n_at_risk, at_risk)
    np.testing.assert_array_equal(curve.n_events, ended)
    np.testing.assert_allclose(curve.survival, np.cumprod(1 - ended / at_risk), atol=1e-12)


@pytest.mark.parametrize("seed", SEEDS)
def test_laws_of_a_survival_curve(seed):
    entry, exit, event = spells(seed, late=True)
    curve = kaplan_meier(entry, exit, event)
    assert (np.diff(curve.survival) < 0).all()
    assert ((curve.survival >= 0) & (curve.survival <= 1)).all()
    assert curve.at(curve.start) == 1
    band = curve.band()
    inside = band["low"].notna()
    assert (band["low"] < band["survival"])[inside].all()
    assert (band["high"] > band["survival"])[inside].all()
    wide = curve.band(level=0.99)
    assert (wide["low"] < band["low"])[inside].all()


@pytest.mark.parametrize("seed", SEEDS)
def test_entries_at_zero_change_nothing(seed):
    _, exit, event = spells(seed)
    plain = kaplan_meier(None, exit, event)
    shifted = kaplan_meier(np.zeros_like(exit), exit, event)
    np.testing.assert_array_equal(plain.survival, shifted.survival)
    np.testing.assert_array_equal(plain.std_error, shifted.std_error)


@pytest.mark.parametrize("seed", SEEDS)
def test_conditional_curve_is_the_ratio_of_the_plain_one(seed):
    entry, exit, event = spells(seed, late=True)
    plain = kaplan_meier(entry, exit, event)
    later = kaplan_meier(entry, exit, event, since=10)
    times = np.arange(10, 29)
    np.testing.assert_allclose(later.at(times), plain.at(times) / plain.at(10), atol=1e-12)
    assert later.start == 10


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 12), st.integers(1, 12), st.booleans()), min_size=1),
    st.randoms(use_true_random=False),
)
def test_row_order_is_irrelevant(rows, shuffler):
    def curve(table):
        entry, stay, event = (np.array(column, dtype=float) for column in zip(*table, strict=True))
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", FitWarning)  # tiny risk sets are the point here
            return kaplan_meier(entry, entry + stay, event.astype(bool)).band()

    shuffled = list(rows)
    shuffler.shuffle(shuffled)
    assert curve(rows).equals(curve(shuffled))


def test_quantiles_do_not_cross_and_say_inf_when_not_reached():
    curve = kaplan_meier(None, [1, 2, 3, 4, 5], [True, True, True, False, False])
    assert [curve.quantile(q) for q in (0.2, 0.4, 0.6)] == [1, 2, 3]
    assert curve.quantile(0.61) == math.inf
    low, high = curve.quantile_band(0.4)
    assert low <= 2 <= high
    for share in (0.0, 1.0):
        with pytest.raises(FitError, match="strictly between 0 and 1"):
            curve.quantile(share)


def test_asks_outside_the_domain_are_refused():
    curve = kaplan_meier([2, 3, 2], [5, 8, 9], [True, True, False])
    assert (curve.start, curve.end) == (2, 9)
    assert curve.at([[2, 5], [8, 9]]).shape == (2, 2)
    for time in (1.9, 9.1, np.nan):
        with pytest.raises(OutsideCurveError, match="known from 2 to 9"):
            curve.at([3, time])


def test_left_limit_and_value_differ_at_an_event_only():
    curve = kaplan_meier(None, [2, 4], [True, False])
    assert curve.just_before([1, 2, 3]).tolist() == [1, 1, 0.5]
    assert curve.at([1, 2, 3]).tolist() == [1, 0.5, 0.5]


def test_nobody_cleared_is_a_flat_curve():
    curve = kaplan_meier(None, [3, 7], [False, False])
    assert curve.at([0, 7]).tolist() == [1, 1]
    assert curve.quantile(0.5) == math.inf
    assert curve.band().empty


def test_standard_error_is_missing_once_nobody_is_left():
    curve = kaplan_meier(None, [2, 4], [True, True])
    assert np.isfinite(curve.std_error[0])
    assert np.isnan(curve.std_error[1])


def test_a_risk_set_that_dies_out_warns_and_points_at_the_way_round():
    entry, exit, event = [0, 5, 5, 6], [3, 8, 9, 9], [True, True, False, True]
    with pytest.warns(FitWarning, match=r"0 at 3.*although 3 others.*since=3"):
        kaplan_meier(entry, exit, event)
    assert kaplan_meier(entry, exit, event, since=5).at(8) == pytest.approx(2 / 3)


def test_a_gap_in_watching_warns():
    with pytest.warns(FitWarning, match="Nobody was watched between 4 and 6"):
        kaplan_meier([0, 0, 6, 6], [3, 4, 8, 9], [True, False, True, False])


def test_arguments_and_results_stay_as_they_are():
    exit = np.array([1.0, 2.0])
    event = np.array([1, 0])
    curve = kaplan_meier(None, exit, event)
    assert exit.tolist() == [1, 2]
    assert event.tolist() == [1, 0]
    with pytest.raises(ValueError, match="read-only"):
        curve.survival[0] = 0.3


@pytest.mark.parametrize(
    ("entry", "exit", "event", "since", "message"),
    [
        (None, [1, 2], [True], None, "one value a spell"),
        (None, [], [], None, "no spells"),
        (None, [1, np.nan], [True, True], None, "position 1"),
        (None, [1, -2], [True, True], None, "negative"),
        ([0, np.nan], [1, 2], [True, True], None, "position 1"),
        ([0, 2], [1, 2], [True, True], None, "1 spells end no later.*entry 2 and exit 2"),
        (None, [1, 2], [True, 2], None, "position 1 holds 2"),
        (None, [1, 2], ["yes", "no"], None, "true or false"),
        (None, [1, 2], [True, True], 2, "Nothing is seen after 2"),
    ],
)
def test_unusable_rows_are_refused_in_words(entry, exit, event, since, message):
    with pytest.raises(FitError, match=message):
        kaplan_meier(entry, exit, event, since=since)


def test_unusable_questions_are_refused_in_words():
    curve = kaplan_meier(None, [1, 2], [True, False])
    with pytest.raises(FitError, match="share"):
        curve.quantile(1)
    with pytest.raises(FitError, match="level"):
        curve.band(95)
