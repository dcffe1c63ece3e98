"""The rule of the watch, and the limits that keep false alarms to the stated number."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from forecast.errors import ForecastError
from forecast.growth import Motion
from forecast.plateau import limits_for, rules_from
from forecast.plateau.alarms import PERSIST, STAY, WIDEST, enough_record, raise_flags
from forecast.plateau.onset import date_onset
from forecast.plateau.progress import (
    RISE,
    gain_around,
    progress_goes_on,
    rose_lately,
    smallest_gain_at,
)
from forecast.plateau.traces import take_traces, years_of_training

MOTION = Motion(bend=0.02, wiggle=0.01)


@pytest.fixture(scope="module")
def rules(moving_and_stalled):
    return rules_from(moving_and_stalled, MOTION, seed=4)


def test_the_smallest_gain_is_a_year_to_the_target_but_half_a_per_cent_at_least():
    np.testing.assert_allclose(smallest_gain_at(np.array([-1.04, -0.1, 0.3])), [0.02, 0.005, 0.005])
    np.testing.assert_allclose(smallest_gain_at(np.array([-1.0, 0.0]), 0.03), 0.03)


def test_the_gain_around_a_day_is_the_rise_over_six_weeks(traces_from):
    traces = traces_from([np.zeros(31)], gap_days=7)
    level = np.concatenate([0.1 * np.arange(16), np.full(15, 1.5)])[:, None]
    gain = gain_around(traces, level)[:, 0]
    np.testing.assert_allclose(gain[3:13], 0.1)
    np.testing.assert_allclose(gain[18:], 0.0, atol=1e-12)
    np.testing.assert_allclose(gain[15], 0.05)
    np.testing.assert_allclose(gain[0], 0.1)  # the window ends where the spell does


def test_progress_goes_on_until_shortly_before_a_stall_and_some_weeks_after(traces_from):
    traces = traces_from([np.zeros(60)], gap_days=7)
    level = np.concatenate([0.1 * np.arange(20), np.full(15, 1.9), 2.0 + 0.1 * np.arange(25)])
    on = progress_goes_on(traces, level[:, None])[:, 0]
    assert on[:18].all()
    assert not on[20:35].any()
    assert on[-15:].all()
    assert not progress_goes_on(traces, level[:, None], smallest_gain=0.2).any()


def test_surely_climbing_is_a_rise_over_six_weeks(traces_from):
    traces = traces_from([np.zeros(31)], gap_days=7)
    level = np.concatenate([0.04 * np.arange(16), np.full(15, 0.6)])[:, None]
    rose = rose_lately(traces, level)[:, 0]
    assert not rose[:6].any()  # younger than six weeks
    assert rose[6:16].all()
    # One week into the rest it is 5 times 4 %, two weeks 4 times 4 % in six weeks.
    assert RISE == 0.03
    np.testing.assert_array_equal(rose[16:19], [True, False, False])


def test_the_flag_goes_up_once_sure_for_long_enough_and_down_below_even(traces_from):
    traces = traces_from([np.zeros(19), np.zeros(2)], gap_days=3)
    chance = np.full(21, 0.9)
    chance[:19] = np.r_[[0.9] * 9, 0.1, 0.9, 0.6, 0.9, 0.6, 0.51, 0.49, 0.6, 0.6, 0.7]
    assert (STAY, PERSIST) == (0.5, 0.5)
    sure = np.full(21, 0.01)
    flagged, raised = raise_flags(traces, chance[:, None], sure, np.full(21, 0.8))
    # Four weeks of training are over at the tenth session; half a week after the chance rose
    # again, at the second session, 0.6 is not enough; at the third it is.
    np.testing.assert_array_equal(np.flatnonzero(raised), [12])
    np.testing.assert_array_equal(np.flatnonzero(flagged), [12, 13, 14])
    unmeasured, _ = raise_flags(traces, chance[:, None], sure + WIDEST, np.full(21, 0.8))
    assert not unmeasured.any()


def test_years_count_an_athlete_once_however_many_rungs(traces_from):
    apart = traces_from([np.zeros(30), np.zeros(30)])
    same = replace(apart, athlete=np.zeros(2, dtype=int))
    assert years_of_training(apart) == pytest.approx(2 * 29 * 3 / 365.2425, rel=1e-4)
    assert years_of_training(same) == pytest.approx(29 * 3 / 365.2425, rel=1e-4)


def test_a_lower_rate_of_false_alarms_asks_for_more(rules):
    limits = [limits_for(rules, rate) for rate in (0.02, 0.2, 1.0)]
    assert (limits[0] > limits[1]).all()
    assert (limits[1] >= limits[2]).all()
    assert all((limit >= 2 / 3).all() for limit in limits)
    np.testing.assert_array_equal(limits[1], rules.usual_limits)


def test_same_seed_same_limits(moving_and_stalled, rules):
    again = rules_from(moving_and_stalled, MOTION, seed=4)
    np.testing.assert_array_equal(again.usual_limits, rules.usual_limits)


@pytest.mark.parametrize("rate", [0.0, -1.0, np.nan, 11.0, "0.2", None, [0.2], True])
def test_a_rate_that_means_nothing_is_refused(rules, rate):
    with pytest.raises(ForecastError, match="false_alarms_per_year"):
        limits_for(rules, rate)


@pytest.mark.parametrize("gain", [-0.1, 1.0, np.inf, "1 %", [0.01], True])
def test_a_gain_that_means_nothing_is_refused(rules, gain):
    with pytest.raises(ForecastError, match="smallest_gain"):
        limits_for(rules, 0.2, gain)


def fresh(traces_from, seed, stops, n):
    """New athletes like the reference: 60 sessions; those in ``stops`` stop half way."""
    rng = np.random.default_rng(seed)
    weeks = 3 / 7 * np.arange(60)
    true = [
        0.05 * np.exp(0.3 * rng.standard_normal())
        * (np.minimum(weeks, weeks[30]) if stops(k) else weeks) - 1.2
        for k in range(n)
    ]  # fmt: skip
    seen = [x + 0.1 * rng.standard_normal(60) for x in true]
    return traces_from(seen), np.concatenate(true)[:, None]


@pytest.mark.parametrize("rate", [0.1, 0.2])
def test_false_alarms_of_new_athletes_stay_within_the_setting(rules, traces_from, rate):
    traces, true = fresh(traces_from, 8, lambda k: k % 2 == 0, 500)
    seen = rules.watch(traces, limits_for(rules, rate))
    false = (seen.raised & progress_goes_on(traces, true)[:, 0]).sum()
    years = years_of_training(traces)
    assert years > 200
    assert false / years < 1.25 * rate
    rose = rose_lately(traces, true)[:, 0]
    assert (seen.raised & rose).sum() / (traces.rest[rose].sum() / 52.18) < 1.25 * rate


@pytest.fixture(scope="module")
def heavy_days(traces_from):
    """Rules of a club whose days are t with 3 degrees of freedom (assumed nowhere); 300 new ones.

    Returns the false alarms in a year of sure climbing, and the share of stalls found within 7 and
    12 weeks.
    """
    rng = np.random.default_rng(12)
    weeks = 4 / 7 * np.arange(60)

    def club(n):
        true, seen, surprise = [], [], []
        for k in range(n):
            gain = 0.05 * np.exp(0.3 * rng.standard_normal())
            stop = weeks[30] if k % 2 else np.inf
            true.append(gain * np.minimum(weeks, stop) - 1.2)
            error = rng.standard_t(3, 60)
            seen.append(true[-1] + 0.08 * error)
            surprise.append(0.8 * error)
        traces = traces_from(seen, gap_days=4, spread=0.1, surprise=np.concatenate(surprise))
        return traces, np.concatenate(true)[:, None]

    rules = rules_from(club(60)[0], MOTION, seed=1)
    traces, true = club(300)
    seen = rules.watch(traces, limits_for(rules, 0.2))
    rose = rose_lately(traces, true)[:, 0]
    climbing = traces.rest[rose].sum() / 52.18
    assert climbing > 60
    flagged = seen.flagged.reshape(300, 60)[1::2]
    found = [flagged[:, 30:][:, : round(w * 7 / 4) + 1].any(axis=1).mean() for w in (7, 12)]
    return (seen.raised & rose).sum() / climbing, *found


def test_days_with_a_heavy_tail_raise_no_more(heavy_days):
    false, _, in_12 = heavy_days
    assert false <= 0.3
    assert in_12 >= 0.8


@pytest.mark.xfail(reason="0.43: at 0.2 a year kept to; 0.61 takes 0.3", strict=True)
def test_days_with_a_heavy_tail_hide_no_stall_for_seven_weeks(heavy_days):
    assert heavy_days[1] >= 0.6


def test_stalls_of_new_athletes_are_found_and_dated(rules, traces_from):
    traces, _ = fresh(traces_from, 9, lambda k: True, 60)
    seen = rules.watch(traces, limits_for(rules, 0.2))
    flagged = seen.flagged.reshape(60, 60)
    assert flagged[:, 29].mean() < 0.2
    assert flagged[:, 30 + 28].mean() > 0.5  # twelve weeks into the stall
    found = np.flatnonzero(flagged[:, -1])[:20]
    off = [
        date_onset(traces, rules.switching, int(s), 60, smallest_gain=None, seed=1).middle - 90
        for s in found
    ]
    assert np.nanmedian(np.abs(off)) < 21


def test_the_past_is_not_changed_by_what_came_later(rules, moving_and_stalled):
    limits = rules.usual_limits
    whole = rules.watch(moving_and_stalled, limits)
    part = take_traces(moving_and_stalled, np.arange(100), np.full(100, 25))
    early = rules.watch(part, limits)
    at = np.concatenate([moving_and_stalled.start[k] + np.arange(25) for k in range(100)])
    for name in ("flagged", "gain", "gain_sd", "p_flat"):
        np.testing.assert_allclose(getattr(early, name), getattr(whole, name)[at])


def test_others_asked_about_change_nothing(rules, moving_and_stalled):
    limits = rules.usual_limits
    whole = rules.watch(moving_and_stalled, limits)
    alone = rules.watch(take_traces(moving_and_stalled, np.array([7]), np.array([60])), limits)
    at = moving_and_stalled.start[7] + np.arange(60)
    np.testing.assert_allclose(alone.p_flat, whole.p_flat[at])
    np.testing.assert_array_equal(alone.flagged, whole.flagged[at])


def test_no_alarm_before_there_is_record_enough(rules, traces_from):
    traces = traces_from([np.linspace(0, -3, 9)], gap_days=3)
    seen = rules.watch(traces, rules.usual_limits)
    assert not enough_record(traces).any()
    assert not seen.flagged.any()


def test_one_athlete_with_one_session_is_no_error(traces_from):
    rules = rules_from(traces_from([np.array([-0.5])]), MOTION)
    assert rules.usual_limits.shape == (1,)
    assert np.isfinite(rules.usual_limits).all()
