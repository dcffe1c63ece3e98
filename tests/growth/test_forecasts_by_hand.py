"""What the unfitted engine forecasts of a hand-made club, and what other rooms are told of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm
from unfitted_club import DAY0, at_the_priors, histories_of, rows_of

from forecast.growth import Simulation, forecast_open, forecast_untried, track
from forecast.growth.engine import rhythm_of
from forecast.growth.fitting import spell_pairs
from forecast.growth.forecasting import targets_at
from forecast.growth.motion import Dynamics, lost_after, propagate, transition_covariance
from forecast.growth.panel import build_panel, split_gap, to_log
from forecast.histories import build_histories
from forecast.ladder import Criterion, Ladder, Rung
from forecast.log import read_log

HOW = Simulation(horizon_days=84, paths=64, draws=8, seed=1)
PLAIN = {"practice": -40.0, "log_fade": -40.0}
"""A clock of calendar weeks."""


def untried(rungs, ready=60, owner=0):
    return pd.DataFrame(
        {
            "athlete_id": owner,
            "rung_index": rungs,
            "ready_on": DAY0 + pd.Timedelta(days=ready),
        }
    )


def test_half_a_second_is_written_as_one(unfitted, seen, club):
    """A mark of 1 s is reached from 0.5 on, one of 1,000 s from 999.5: the first is the easier."""
    found = forecast_untried(seen, untried([2, 3]), club, HOW)
    short, long = found.passage.next_session
    assert short > long + 0.1
    np.testing.assert_allclose(found.mean[0], found.mean[1])  # otherwise they are alike
    np.testing.assert_allclose(found.passage.by_day[:, -1] > 0.0, True)


def test_a_rung_that_opens_later_is_cleared_later(unfitted, seen, club):
    now, later = (
        forecast_untried(seen, untried([2], ready), club, HOW).passage for ready in (60, 91)
    )
    assert now.next_session[0] == later.next_session[0]
    # The cut is day 70: nothing before day 91, three weeks ahead.
    assert later.by_day[0, 20] == 0.0 < now.by_day[0, 20]


def test_what_the_forecast_says_of_today(unfitted, seen, club):
    """Al's hangs ended on day 36 of 70; two weeks of the 34 days are rest, the rest is a break."""
    model = at_the_priors(club, **PLAIN)
    tracked = track(model, club)
    found = forecast_open(tracked, np.array([1]), 70 + int(tracked.panel.day[0]),
                          np.array([2]), np.array([0]), HOW)  # fmt: skip
    dynamics = model.fit.constants.dynamics
    weeks = 34.0 / 7.0
    state = forecast_open(tracked, np.array([1]), int(tracked.panel.day[7]),
                          np.array([2]), np.array([0]), HOW)  # fmt: skip
    level, swing, pace = state.mean[0]
    # The layoff of 28 days before (two weeks over) and three days' coming back.
    lost = 2.0 * dynamics.detraining * np.exp(-dynamics.regain * 3 / 7)
    then = lost * np.exp(-dynamics.regain * 2.0) + dynamics.detraining * (weeks - 2.0)
    glide = (1.0 - np.exp(-2.0 * dynamics.alpha)) / dynamics.alpha
    assert found.mean[0, 0] == pytest.approx(level + 2.0 * pace + glide * swing - (then - lost))
    assert found.mean[0, 1] == pytest.approx(swing * np.exp(-2.0 * dynamics.alpha))
    assert found.mean[0, 2] == pytest.approx(pace)
    assert found.cov[0, 0, 0] > state.cov[0, 0, 0]
    assert (np.diff(found.passage.by_day[0]) >= -1e-12).all()


def test_states_are_told_in_the_order_of_the_sessions(unfitted, seen, club):
    table, panel, filtered = seen.states(), seen.panel, seen.filtered
    assert table.index.tolist() == list(range(10))
    for row, place in table["place"].items():
        assert place == row
        mark = np.log(0.95) if panel.rung[panel.spell[place]] == 0 else 0.0
        assert table.loc[row, "level"] == pytest.approx(filtered.mean[place, 0] - mark)
        ones = np.array([0.0, 1.0, 1.0])  # the gain is swing and pace together
        assert table.loc[row, "var_gain"] == pytest.approx(ones @ filtered.cov[place] @ ones)
        assert table.loc[row, "var_level"] == filtered.cov[place, 0, 0]
        assert table.loc[row, "pace"] == filtered.mean[place, 2]
        assert table.loc[row, "swing"] == filtered.mean[place, 1]


def test_the_outlook_by_hand(club):
    """Bo's last session, three weeks ago, and four weeks on: one of the three is a break... none.

    Bo's grace is three weeks, so all seven weeks are training, by the calendar.
    """
    model = at_the_priors(club, **PLAIN)
    tracked = track(model, club)
    last = np.array([2])
    found = tracked.outlook(last, np.array([3.0]), np.array([2.0]), np.array([0.0, 4.0]))
    dynamics, noise = model.fit.constants.dynamics, model.fit.constants.noise
    mean, cov = tracked.filtered.mean[2], tracked.filtered.cov[2]
    scatter = tracked.filtered.scatter[0]
    for column, weeks in enumerate((3.0, 7.0)):
        reach = np.array([1.0, (1.0 - np.exp(-dynamics.alpha * weeks)) / dynamics.alpha, weeks])
        moved, _, _ = transition_covariance(dynamics, np.array(weeks))
        var = reach @ cov @ reach + moved + (noise.day_sd[0] * scatter) ** 2
        expected = (reach @ mean - np.log(0.95)) / np.sqrt(var)
        assert found[0, column] == pytest.approx(expected)


def test_an_outlook_over_a_break_loses_and_gets_back(club):
    """Five weeks since Bo's last session: two of them beyond the grace; four to come."""
    model = at_the_priors(club, **PLAIN, log_day_sd_seconds=-30.0)
    tracked = track(model, club)
    near, far = tracked.outlook(
        np.array([2]), np.array([5.0]), np.array([2.0]), np.array([0.0, 4.0])
    )[0]
    dynamics = model.fit.constants.dynamics
    mean, cov = tracked.filtered.mean[2], tracked.filtered.cov[2]
    for found, weeks, lost in ((near, 3.0, 2.0), (far, 7.0, 2.0 * np.exp(-4 * dynamics.regain))):
        reach = np.array([1.0, (1.0 - np.exp(-dynamics.alpha * weeks)) / dynamics.alpha, weeks])
        moved, _, _ = transition_covariance(dynamics, np.array(weeks))
        var = reach @ cov @ reach + moved + 2.0 * dynamics.wiggle_sd**2
        level = reach @ mean - dynamics.detraining * lost - np.log(0.95)
        assert found == pytest.approx(level / np.sqrt(var))


def test_level_and_gain_on_a_bent_scale_are_those_in_logs(unfitted):
    """By differences: the level as a log moves by the gain, its spread by the gain's."""
    mean = np.array([[-0.4, 0.03, 0.02]])
    cov = np.diag([0.04, 0.0004, 0.0001])[None] + 0.00005
    for linear in (0.0, 0.5, -1.0):
        model = replace(unfitted, linear=linear)
        level, gain, spread = model.level_and_gain(mean, cov)
        assert level[0] == to_log(mean[0, 0], linear)
        slope = (to_log(mean[0, 0] + 1e-6, linear) - to_log(mean[0, 0] - 1e-6, linear)) / 2e-6
        assert gain[0] == pytest.approx(0.05 * slope)
        ones = np.array([0.0, 1.0, 1.0])
        assert spread[0] == pytest.approx(np.sqrt(ones @ cov[0] @ ones) * slope)


def test_targets_start_where_the_session_left_the_athlete(unfitted, seen):
    found = targets_at(seen, np.array([6, 9]), np.array([5.0, 2.0]),
                       np.array([2, 1]), np.array([0, 0]))  # fmt: skip
    np.testing.assert_allclose(found.done, [4, 2])
    np.testing.assert_allclose(found.origin - found.origin[1], [33 + 5 - 8 - 2, 0])
    # Day 33 came after a layoff of two weeks beyond the grace.
    detraining = unfitted.fit.constants.dynamics.detraining
    np.testing.assert_allclose(found.lost, [2.0 * detraining, 0.0])
    np.testing.assert_allclose(found.threshold, [np.log(0.95), 0.0])
    assert found.measure.tolist() == [0, 1]
    assert found.first_gaps.min() >= 2.0
    assert found.first_gaps[0].min() >= 5.0
    assert found.scatter[0] == found.scatter[1] == seen.filtered.scatter[1]


def test_other_spells_tell_only_when_they_had_ended(seen):
    """Al's pulls (day 1 to 8) had not ended when the hangs began (day 0), nor the other way."""
    panel = seen.panel
    every = np.arange(3)
    pairs = spell_pairs(panel, every, finished_only=False)
    assert list(zip(*(p.tolist() for p in pairs), strict=True)) == [(1, 2), (2, 1)]
    assert len(spell_pairs(panel, every, finished_only=True)[0]) == 0
    rows = [*rows_of("Al", "hang", {0: [4], 5: [5]}), *rows_of("Al", "blink", {5: [0], 9: [0]})]
    later = build_panel(histories_of(rows))
    pairs = spell_pairs(later, np.arange(2), finished_only=True)
    hang, blink = (int(np.flatnonzero(later.rung == r)[0]) for r in (0, 2))
    assert (pairs[0].tolist(), pairs[1].tolist()) == ([blink], [hang])  # the same day will do


def test_delays_are_counted_from_the_last_rung_needed():
    ladder = Ladder(
        "Two before one",
        (
            Rung("a", "A", "", Criterion("reps", 5.0), needs=()),
            Rung("b", "B", "", Criterion("reps", 5.0), needs=()),
            Rung("c", "C", "", Criterion("reps", 5.0), needs=("a", "b")),
        ),
    )
    rows = [
        *rows_of("Al", "a", {0: [6]}), *rows_of("Al", "b", {4: [7]}), *rows_of("Al", "c", {9: [2]}),
        *rows_of("Bo", "a", {0: [6]}), *rows_of("Bo", "c", {9: [2]}),  # began without b
        *rows_of("Cy", "a", {0: [6]}), *rows_of("Cy", "b", {9: [7]}), *rows_of("Cy", "c", {9: [2]}),
    ]  # fmt: skip
    log = read_log(pd.DataFrame(rows), ladder)
    histories = build_histories(log, DAY0 + pd.Timedelta(days=30))
    delays = rhythm_of(build_panel(histories), histories).delays
    assert (delays == 5.0).all()  # Al's; Cy began c on the day b was cleared


# motion ---------------------------------------------------------------------------------------


def test_a_layoff_takes_and_spreads():
    dynamics = Dynamics(alpha=0.5, swing_sd=0.0, wiggle_sd=0.1, detraining=0.03, regain=0.4)
    assert split_gap(5.0, 2.0) == (2.0, 3.0)
    assert split_gap(1.5, 2.0) == (1.5, 0.0)
    expected = 0.2 * np.exp(-0.8) + 0.09
    assert lost_after(dynamics, np.array(0.2), np.array(2.0), np.array(3.0)) == expected
    mean, cov = propagate(
        dynamics, np.array([[-0.5, 0.0, 0.1]]), np.diag([0.01, 0.0, 0.0])[None],
        np.array([2.0]), np.array([3.0]),
    )  # fmt: skip
    assert mean[0, 0] == pytest.approx(-0.5 + 0.2 - 0.09)
    assert cov[0, 0, 0] == pytest.approx(0.01 + 0.1**2 * 5.0)
    mean, _ = propagate(dynamics, mean, cov, np.array([1.0]), np.array([0.0]), np.array([-0.02]))
    assert mean[0, 0] == pytest.approx(-0.39 + 0.1 + 0.02)


def test_the_prior_of_a_session_lies_where_it_is_said_to(unfitted, seen):
    """Al's first hang: cohort's start -0.55 and its spread; the record is far from surprising."""
    filtered = seen.filtered
    assert filtered.before_mean[0] == pytest.approx(-0.55)
    prior = unfitted.fit.constants.pooling
    whole = prior.own[0, 0] + prior.athlete[0] + prior.rung[0] + prior.centre_var[0]
    assert filtered.before_var[0] == pytest.approx(whole)
    assert norm.cdf(np.log(0.4), -0.55, np.sqrt(whole)) > 0.2
