"""The measured gain against plain linear algebra; breaks, own scatter, meetings expected."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from scipy.special import ndtr
from unfitted_club import at_the_priors

from forecast.growth import Motion, chance_met, measure_gain, track
from forecast.growth.lately import (
    BREAK_SD,
    GAIN_SD,
    MOST_BEND,
    SPAN,
    START_SD,
    WINDOW,
    gain_ahead,
    motion_of,
    own_scatter,
    session_sites,
)
from forecast.growth.panel import to_log
from forecast.histories import build_histories

MOTION = Motion(bend=0.02, wiggle=0.01)


@dataclass(frozen=True)
class Made:
    number: np.ndarray
    clock: np.ndarray
    excess: np.ndarray
    level: np.ndarray
    var: np.ndarray
    scatter: np.ndarray


def made(clock, level, *, excess=None, var=0.01, scatter=1.0):
    n = len(clock)
    return Made(
        np.arange(n), np.asarray(clock, dtype=float), np.zeros(n) if excess is None else excess,
        np.asarray(level, dtype=float), np.full(n, var), np.full(n, scatter),
    )  # fmt: skip


def by_simulation(clock, level, var, draws=60_000):
    """Posterior mean and sd of the mean gain, by regression on draws of the model as stated.

    The level runs backwards from the last session in small steps, as the module's docstring has it.
    """
    rng = np.random.default_rng(3)
    fine = np.arange(0.0, WINDOW + 1e-9, 0.1)
    gain = GAIN_SD * rng.standard_normal(draws)
    now = START_SD * rng.standard_normal(draws)
    path, at = np.empty((len(fine), draws)), now.copy()
    slope = gain.copy()
    for k in range(len(fine)):
        path[k] = at
        middle = slope + MOTION.bend * np.sqrt(0.05) * rng.standard_normal(draws)
        at = at - 0.1 * middle + MOTION.wiggle * np.sqrt(0.1) * rng.standard_normal(draws)
        slope = middle + MOTION.bend * np.sqrt(0.05) * rng.standard_normal(draws)
    ago = clock[-1] - clock
    place = np.round(ago / 0.1).astype(int)
    seen = path[place] + np.sqrt(var) * rng.standard_normal((len(clock), draws))
    rise = (path[0] - path[round(min(SPAN, ago.max()) / 0.1)]) / min(SPAN, ago.max())
    weight = np.linalg.solve(seen @ seen.T, seen @ rise)
    return weight @ level, np.sqrt(np.mean((rise - weight @ seen) ** 2))


@pytest.mark.parametrize("weeks", [3.0, 9.0])
def test_it_is_the_posterior_of_the_model_stated(weeks):
    clock = np.linspace(0, weeks, 7).round(1)
    level = np.array([-1.0, -0.9, -0.95, -0.7, -0.75, -0.6, -0.5])
    measure = measure_gain(made(clock, level), MOTION, np.array([6]))
    mean, sd = by_simulation(clock, level, 0.01)
    assert measure.gain(level)[0] == pytest.approx(mean, abs=0.003)
    assert measure.sd[0] == pytest.approx(sd, rel=0.03)


@pytest.mark.parametrize("gain", [-0.037, 0.0, 0.1])
def test_a_straight_line_is_read_off_as_it_is(gain):
    clock = np.arange(28) / 3.0
    sessions = made(clock, gain * clock - 1.0, var=0.0025)
    measure = measure_gain(sessions, MOTION, np.arange(28))
    np.testing.assert_allclose(measure.gain(sessions.level)[18:], gain, atol=0.002)
    np.testing.assert_allclose(measure.level(sessions.level)[3:], sessions.level[3:], atol=0.02)
    assert (measure.sd[:2] > 0.05).all()  # young: wide
    assert measure.sd[-1] < 0.02


def test_a_break_neither_dilutes_nor_counts():
    clock = np.arange(28) / 3.0
    straight = made(clock, 0.08 * clock, var=0.0025)
    excess = np.zeros(28)
    excess[20] = 3.0  # three weeks away beyond the grace, and 10 % lower after it
    broken = replace(straight, excess=excess, level=straight.level - 0.1 * (np.arange(28) >= 20))
    for one in (straight, broken):
        measure = measure_gain(one, MOTION, np.array([27]))
        assert measure.gain(one.level)[0] == pytest.approx(0.08, abs=0.012)
    assert pytest.approx(0.15) == BREAK_SD * 3.0
    calm = measure_gain(straight, MOTION, np.array([27])).sd
    assert measure_gain(broken, MOTION, np.array([27])).sd > calm


def test_what_said_nothing_and_what_came_later_change_nothing():
    clock = np.arange(20) / 2.0
    level = 0.03 * clock + 0.05 * np.random.default_rng(1).standard_normal(20)
    sessions = made(clock, level)
    var = sessions.var.copy()
    var[5] = np.inf
    one = measure_gain(replace(sessions, var=var), MOTION, np.array([14]))
    wild = level.copy()
    wild[[5, 15, 19]] = 50.0
    assert one.gain(wild)[0] == pytest.approx(one.gain(level)[0])
    assert (one.source <= 14).all()


def test_own_scatter_follows_the_spell_and_knows_no_future():
    start, length = np.array([0, 40]), np.array([40, 40])
    surprise = np.r_[np.full(40, 0.4), np.full(40, 2.0)]
    scatter = own_scatter(start, length, surprise, np.ones(80, dtype=bool))
    assert scatter[0] < 1.0 < scatter[40]
    assert (np.diff(scatter[:40]) < 0).all()
    assert 0.4 < scatter[39] < 0.7
    assert 1.5 < scatter[79] < 2.0
    wild = surprise.copy()
    wild[20] = 50.0
    again = own_scatter(start, length, wild, np.ones(80, dtype=bool))
    np.testing.assert_array_equal(again[:20], scatter[:20])
    assert again[39] < 0.8  # one wild day does not speak for the others


def test_chances_expected_are_those_of_simulated_sessions(small_model, small_log, small_cut):
    growth = small_model.engines_.growth
    tracked = track(growth, build_histories(small_log, small_cut))
    panel, filtered, noise = tracked.panel, tracked.filtered, growth.fit.constants.noise
    at = np.argsort(-filtered.before_mean)[:40:8]
    chance = chance_met(growth, tracked, at)
    rng = np.random.default_rng(2)
    for one, said in zip(at, chance, strict=True):
        spell = panel.spell[one]
        day_sd = noise.day_sd[panel.measure[spell]] * tracked.filtered.scatter[spell]
        set_sd = noise.set_sd[panel.measure[spell]] * tracked.filtered.scatter[spell]
        better, worse = (
            rng.exponential(noise.day_up, 40_000),
            rng.exponential(noise.day_down, 40_000),
        )
        form = rng.standard_normal(40_000) + better - noise.day_up - (worse - noise.day_down)
        form *= day_sd
        level = filtered.before_mean[one] + np.sqrt(filtered.before_var[one]) * rng.standard_normal(
            40_000
        )
        ability = level + form - panel.threshold[spell]
        missed = np.ones(40_000)
        for k in range(int(panel.eligible[one])):
            missed *= 1 - (1 - noise.slip) * ndtr((ability + min(k, 4) * noise.fatigue) / set_sd)
        assert said == pytest.approx((1 - missed).mean(), abs=0.012)


# by hand --------------------------------------------------------------------------------------


def test_own_scatter_by_hand():
    """Eight sessions' worth of a scatter of one, then squares, none counted above nine."""
    surprise = np.array([0.0, 2.0, 50.0, 1.0, 3.0])
    said = np.array([False, True, True, False, True])
    scatter = own_scatter(np.array([0, 3]), np.array([3, 2]), surprise, said)
    expected = [1.0, (8 + 4) / 9, (8 + 4 + 9) / 10, 1.0, (8 + 9) / 9]
    np.testing.assert_allclose(scatter**2, expected)


def test_what_was_asked_beside_changes_nothing():
    """A young spell measured beside a long one is measured as it is alone."""
    clock = np.r_[np.arange(28) / 3.0, 0.0, 0.5, 1.1]
    level = np.r_[0.05 * np.arange(28) / 3.0, -0.5, -0.45, -0.38]
    sessions = replace(made(clock, level), number=np.r_[np.arange(28), np.arange(3)])
    both = measure_gain(sessions, MOTION, np.array([27, 30]))
    for place, at in enumerate((27, 30)):
        alone = measure_gain(sessions, MOTION, np.array([at]))
        assert both.gain(level)[place] == pytest.approx(alone.gain(level)[0])
        assert both.level(level)[place] == pytest.approx(alone.level(level)[0])
        assert both.sd[place] == pytest.approx(alone.sd[0])
    # Nor does it see the other spell's levels.
    assert both.gain(np.where(np.arange(31) < 28, 9.0, level))[1] == both.gain(level)[1]


def test_sessions_before_the_window_are_not_looked_at():
    clock = np.array([0.0, 1.0, 5.0, 8.0, 11.0])  # the last sees back to 1, ten weeks before
    level = np.array([-0.9, -0.8, -0.6, -0.5, -0.4])
    measure = measure_gain(made(clock, level), MOTION, np.array([4]))
    for place, seen in enumerate([False, True, True, True, True]):
        other = level.copy()
        other[place] += 1.0
        assert (measure.gain(other)[0] != measure.gain(level)[0]) == seen, place


def test_of_many_sessions_the_latest_seventy_are_looked_at():
    clock = np.arange(90) / 20.0
    measure = measure_gain(made(clock, clock * 0.0), MOTION, np.array([89]))
    assert (measure.source.min(), measure.source.max()) == (20, 89)


def test_short_records_are_measured_as_if_a_week_and_long_ones_over_six():
    """A single session tells nothing of the gain: its spread is the opinion's and the bends'.

    Over ``w`` weeks ``w * gain`` less bends and wiggles has the variance
    ``(w GAIN_SD)**2 + bend**2 w**3 / 3 + wiggle**2 w``.
    """
    measure = measure_gain(made(np.zeros(1), np.zeros(1)), MOTION, np.zeros(1, dtype=int))
    expected = GAIN_SD**2 + MOTION.bend**2 / 3.0 + MOTION.wiggle**2
    assert measure.sd[0] ** 2 == pytest.approx(expected)
    blind = replace(made(np.array([0.0, 9.0]), np.zeros(2)), var=np.array([np.inf, 0.01]))
    measure = measure_gain(blind, MOTION, np.array([1]))
    expected = GAIN_SD**2 + MOTION.bend**2 * SPAN / 3.0 + MOTION.wiggle**2 / SPAN
    assert measure.sd[0] ** 2 == pytest.approx(expected)
    wide = measure_gain(replace(blind, scatter=np.full(2, 1.5)), MOTION, np.array([1]))
    assert wide.sd[0] == pytest.approx(1.5 * measure.sd[0])


def test_a_club_by_hand(unfitted, seen):
    """Days 0, 3, 5, 33, 36 with two weeks' grace, between two weeks and one of others."""
    sites = session_sites(unfitted, seen)
    np.testing.assert_allclose(
        7.0 * sites.clock, [0, 7, 14, 0, 3, 5, 19, 22, 0, 7]
    )  # training days
    np.testing.assert_allclose(7.0 * sites.rest, [0, 7, 7, 0, 3, 2, 14, 3, 0, 7])
    np.testing.assert_allclose(7.0 * sites.excess, [0, 0, 0, 0, 0, 0, 14, 0, 0, 0])
    # Al's second hang: 5 s where 9.5 are written as the 10 asked for.
    assert sites.level[4] == pytest.approx(np.log(5.0 / 9.5), abs=0.03)
    noise = unfitted.fit.constants.noise
    day, one = noise.day_sd[0] ** 2 * noise.day_spread**2, noise.set_sd[0] ** 2
    assert sites.var[4] == pytest.approx(day + one + np.log(5.5 / 4.5) ** 2 / 12, rel=0.15)
    filtered = seen.filtered
    first = np.array([0, 3, 8])
    assert (sites.surprise[first] == 0.0).all()  # nothing was expected of a first session
    later = np.setdiff1d(np.arange(10), first)
    threshold = np.log(0.95) * (seen.panel.rung[seen.panel.spell] == 0)
    away = sites.level + threshold - filtered.before_mean
    spread = np.sqrt(filtered.before_var + sites.var)
    np.testing.assert_allclose(sites.surprise[later], (away / spread)[later])
    scatter = own_scatter(np.array([0, 3, 8]), np.array([3, 5, 2]), sites.surprise,
                          ~np.isin(np.arange(10), first))  # fmt: skip
    np.testing.assert_allclose(sites.scatter, scatter)


def test_bends_are_the_swings_of_the_log_up_to_a_bound(club):
    """A swing that reverts at ``alpha`` is pushed ``sd sqrt(2 alpha)`` in a week."""
    calm = at_the_priors(club, log_alpha=np.log(0.5), log_swing_sd=np.log(0.02))
    assert motion_of(calm).bend == pytest.approx(0.02)
    assert motion_of(calm).wiggle == pytest.approx(0.025)  # its prior's middle
    assert motion_of(at_the_priors(club, log_swing_sd=0.0)).bend == MOST_BEND


def test_the_gain_ahead_is_the_motions_mean_over_six_weeks(club):
    plain = at_the_priors(club, practice=-40.0, log_fade=-40.0, log_alpha=np.log(0.3))
    mean, none = np.array([[-0.5, 0.04, 0.02]]), np.zeros(1)
    swung = 0.04 * (1.0 - np.exp(-1.8)) / 0.3
    expected = (0.02 * 6.0 + swung) / 6.0
    assert gain_ahead(plain, mean, none, none, none)[0] == pytest.approx(expected)
    # On the scale half way to the ratio the same position is another log.
    bent = replace(plain, linear=0.5)
    there = to_log(np.array([-0.5, -0.5 + 6.0 * expected]), 0.5)
    found = gain_ahead(bent, mean, none, none, none)[0]
    assert found == pytest.approx((there[1] - there[0]) / 6.0)
