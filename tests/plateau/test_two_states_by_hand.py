"""Moving or stalled over one turn: every case enumerated; starts, pauses and states by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import multivariate_normal, norm

from forecast.growth import BREAK_SD
from forecast.plateau.changes import changes_since, longer_but_less_clean
from forecast.plateau.onset import _start, weeks_between
from forecast.plateau.state import state_of
from forecast.plateau.switching import (
    MOVING,
    STALLED,
    Switching,
    draw_paths,
    follow_switching,
)
from forecast.plateau.table import _pause

MODEL = Switching(shift=0.03, wiggle=0.04, stop=0.15, resume=0.2)


def pair(traces_from, gap_days=10, excess=2.0):
    """Two sessions, a break between them, and a first opinion in which level and gain are tied."""
    traces = traces_from([np.array([-1.0, -0.86])], gap_days=gap_days, spread=0.1)
    first = np.array([[-1.0, 0.06, 0.02, 0.004, 0.003]])
    return replace(traces, first=first, excess=np.array([0.0, excess]))


def enumerated(traces):
    """Chance, mean and covariance of (level, gain) then and now for each way to be, and density.

    A stall lets the level stand; the gain is remembered, and drifts on. At first a spell is
    stalled half as often as in the long run.
    """
    t, broken = traces.rest[1], traces.excess[1]
    stops, starts = 1 - np.exp(-MODEL.stop * t), 1 - np.exp(-MODEL.resume * t)
    stalled = 0.5 * MODEL.stop / (MODEL.stop + MODEL.resume)
    turn = np.array([[1 - stops, stops], [starts, 1 - starts]])
    level, gain, a, b, c = traces.first[0]
    ways = {}
    for was, chance in ((MOVING, 1 - stalled), (STALLED, stalled)):
        for now in (MOVING, STALLED):
            run = t if now == MOVING else 0.0
            move = np.array([[1.0, run], [0.0, 1.0]])
            q = np.array([
                [run**3 / 3 * MODEL.shift**2, run**2 / 2 * MODEL.shift**2],
                [run**2 / 2 * MODEL.shift**2, t * MODEL.shift**2],
            ])  # fmt: skip
            q[0, 0] += MODEL.wiggle**2 * t + (BREAK_SD * broken) ** 2
            then = np.array([[a, b], [b, c]])
            cov = np.block([[then, then @ move.T], [move @ then, move @ then @ move.T + q]])
            mean = np.r_[level, gain, move @ [level, gain]]
            mean[2] -= traces.detraining * broken
            spread = cov[2, 2] + traces.var[1]
            density = norm.pdf(traces.level[1], mean[2], np.sqrt(spread))
            pull = cov[:, 2] / spread
            ways[was, now] = (
                chance * turn[was, now] * density,
                mean + pull * (traces.level[1] - mean[2]),
                cov - np.outer(pull, cov[2]),
            )
    total = sum(weight for weight, _, _ in ways.values())
    return {key: (w / total, m, v) for key, (w, m, v) in ways.items()}, np.log(total)


def test_the_filter_over_one_turn_is_exact(traces_from):
    traces = pair(traces_from)
    ways, density = enumerated(traces)
    state = follow_switching(traces, traces.level, MODEL)
    assert state.log_density == pytest.approx(density)
    for now in (MOVING, STALLED):
        chance = ways[MOVING, now][0] + ways[STALLED, now][0]
        assert state.chance[now, 1, 0] == pytest.approx(chance)
        _, mean, cov = ways[MOVING, now]
        expected = [*mean[2:], cov[2, 2], cov[2, 3], cov[3, 3]]
        np.testing.assert_allclose(state.values[now, :, 1, 0], expected, rtol=1e-9)


def test_a_day_far_off_counts_as_three_standard_deviations(traces_from):
    """Squared surprises count up to nine: the density is that of three, the pull fades."""
    traces = pair(traces_from, excess=0.0)
    traces = replace(traces, level=np.array([-1.0, 4.0]))
    state = follow_switching(traces, traces.level, Switching(0.03, 0.04, 1e-12, 0.2))
    t = traces.rest[1]
    level, gain, a, b, c = traces.first[0]
    var = a + 2 * t * b + t**2 * c + 0.03**2 * t**3 / 3 + 0.04**2 * t + 0.01
    miss = 4.0 - (level + gain * t)
    assert state.log_density == pytest.approx(norm.logpdf(3.0) - 0.5 * np.log(var), abs=1e-6)
    pulled = state.values[MOVING, 0, 1, 0] - (level + gain * t)
    assert pulled == pytest.approx((var - 0.01) / var * miss / (miss**2 / (9.0 * var)))


@pytest.mark.parametrize("excess", [0.0, 2.0])
def test_paths_drawn_backwards_are_the_exact_conditional(traces_from, excess):
    traces = pair(traces_from, excess=excess)
    ways, _ = enumerated(traces)
    copies = 40_000
    paths = draw_paths(traces, MODEL, copies, np.random.default_rng(4))
    drawn = np.stack([paths.level[0], paths.gain[0], paths.level[1], paths.gain[1]])
    for (was, now), (chance, mean, cov) in ways.items():
        mine = (paths.stalled[0] == was) & (paths.stalled[1] == now)
        assert mine.mean() == pytest.approx(chance, abs=4 * np.sqrt(chance / copies)), (was, now)
        spread = np.sqrt(np.diag(cov))
        few = 4.5 / np.sqrt(mine.sum())
        assert (np.abs(drawn[:, mine].mean(axis=1) - mean) < few * spread).all(), (was, now)
        found = np.cov(drawn[:, mine]) / np.outer(spread, spread)
        np.testing.assert_allclose(found, cov / np.outer(spread, spread), atol=2 * few)
    # Drawn from a proper law: the joint density of the drawn is finite.
    weight, mean, cov = ways[MOVING, MOVING]
    assert np.isfinite(multivariate_normal(mean, cov, allow_singular=True).logpdf(mean))
    assert 0.0 < weight < 1.0


# since when -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("flat", "start"),
    [
        ("....####", 4),
        ("####....", 0),  # it ended four weeks ago
        ("###.....", -1),  # five
        ("........", -1),
        ("########", 0),
        ("#.######", 0),  # two weeks of progress do not break it: half way
        ("##..####", 4),  # three do
        ("#...#.##", 4),
    ],
)
def test_the_latest_flat_stretch_begins(flat, start):
    """A session a week; a break between two flat sessions counts from one to the other."""
    assert _start(np.array([sign == "#" for sign in flat]), np.arange(8.0)) == start


def test_weeks_from_one_day_to_another():
    assert weeks_between(100.0, 121.0) == 3.0
    assert np.isnan(weeks_between(np.nan, 121.0))


def test_a_rung_is_paused_after_three_weeks_or_three_usual_gaps(traces_from):
    traces = traces_from([np.zeros(4), np.zeros(1)], gap_days=3)
    excess = np.zeros(5)
    assert _pause(replace(traces, excess=excess), 0) == 3.0
    rare = replace(traces, rest=np.array([0.0, 2.0, 2.0, 1.0, 0.0]),
                   excess=np.array([0.0, 0.5, 1.0, 0.0, 0.0]))  # fmt: skip
    assert _pause(rare, 0) == pytest.approx(7.5)  # gaps of 2.5, 3 and 1 weeks
    assert _pause(rare, 1) == 3.0  # no gap yet


# the state ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("asked", "state"),
    [
        ({"waits": True, "flagged": True}, "paused"),
        ({"flagged": True, "gain_high": -0.001}, "slipping"),
        ({"flagged": True, "gain_high": 0.0}, "flat"),
        ({}, "climbing"),
        ({"enough": False}, "unclear"),
        ({"p_flat": 0.34}, "unclear"),
        ({"p_gains": 0.66}, "unclear"),
    ],
)
def test_the_rule_case_by_case(asked, state):
    """Two to one either way: a chance of being flat up to a third, of gaining from two thirds."""
    usual = {"waits": False, "flagged": False, "enough": True, "p_flat": 0.33, "p_gains": 0.67,
             "gain_high": 0.05}  # fmt: skip
    assert state_of(**(usual | asked)) == state


# numbers up, form down ------------------------------------------------------------------------


def sets_of(rows):
    table = pd.DataFrame(rows, columns=["day", "value", "clean"])
    table["date"] = pd.Timestamp("2025-01-06") + pd.to_timedelta(table.pop("day"), unit="D")
    return table.assign(assisted=False)


EARLY = [(day, 10.0, True) for day in (30, 40, 50, 56)]
LATE = [(57, 10.5, False), (70, 10.5, True), (84, 10.5, True)]


def test_four_weeks_are_held_against_the_eight_before():
    """The last day is 84: late is from day 57 on, early from day 1 on."""
    assert longer_but_less_clean(sets_of(EARLY + LATE))
    assert not longer_but_less_clean(sets_of(EARLY[2:] + LATE))  # two days are no usual best
    assert not longer_but_less_clean(sets_of(EARLY + LATE[1:]))
    assert longer_but_less_clean(sets_of([(1, 10.0, True), *EARLY[2:], *LATE]))
    assert not longer_but_less_clean(sets_of([(0, 10.0, True), *EARLY[2:], *LATE]))
    # Day 56 is early: moved there, the late part is two days short of three.
    assert not longer_but_less_clean(sets_of([*EARLY[:3], (56, 10.5, False), *LATE[1:]]))


def test_five_percent_more_and_fifteen_points_less_clean():
    tenth = [(day, 10.0, True) for day in range(20, 56)]
    for value, unclean, said in [(10.5, 3, True), (10.4, 3, False), (10.5, 2, False)]:
        late = [(57 + k, value, k >= unclean) for k in range(19)] + [(84, value, True)]
        assert longer_but_less_clean(sets_of(tenth + late)) is said, (value, unclean)
    nothing = [(day, 0.0, True) for day in (30, 40, 50)]
    assert not longer_but_less_clean(sets_of(nothing + LATE))


# what changed ---------------------------------------------------------------------------------


def said_of(days, since, *, unclean_from):
    """What changed since a day, of sessions on some days, unclean from one of them on."""
    date = pd.Timestamp("2025-01-06") + pd.to_timedelta(pd.Series(days), unit="D")
    sessions = pd.DataFrame({"date": date})
    sets = pd.DataFrame(
        {
            "spell": 0, "session": sessions.index, "date": date, "value": 10.0,
            "clean": np.array(days) < unclean_from, "assisted": False, "effort": np.nan,
            "pain": np.nan,
        }
    )  # fmt: skip
    return changes_since(sessions, sets, pd.Timestamp("2025-01-06") + pd.Timedelta(days=since))


def test_as_long_a_stretch_before_is_looked_at():
    """Six weeks from day 70 to day 112: the three sessions from day 28 on are held against them."""
    late = [70, 84, 98, 112]
    words = "clean sets 100 % then 0 %"
    assert words in said_of([0, 28, 42, 56, *late], 70, unclean_from=70)
    assert said_of([0, 27, 42, 56, *late], 70, unclean_from=70) == ""  # two sessions tell nothing
    # A stretch of days is held against three weeks, one of a year against twelve.
    assert words in said_of([0, 49, 56, 63, 70, 72, 74], 70, unclean_from=70)
    assert said_of([0, 48, 56, 63, 70, 72, 74], 70, unclean_from=70) == ""
    year = list(range(200, 560, 14))
    assert words in said_of([0, 116, 144, 172, *year], 200, unclean_from=200)
    assert said_of([0, 115, 144, 172, *year], 200, unclean_from=200) == ""


def test_a_week_before_is_the_least_to_be_held_against():
    late = [70, 72, 74]
    assert "clean sets" in said_of([63, 65, 67, *late], 70, unclean_from=70)
    assert said_of([64, 65, 67, *late], 70, unclean_from=70) == ""
