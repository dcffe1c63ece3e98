"""The compiled loops, one by one, against closed forms, quadrature and hand-worked cases."""

from __future__ import annotations

import itertools
import math
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import multivariate_normal, norm

from forecast.growth.evidence import Noise, spell_information
from forecast.growth.judgement import KNEE
from forecast.growth.kernels import (
    OUTLIER,
    as_site,
    carry_spells,
    day_slopes,
    knee_share,
    log_between,
    set_slopes,
)
from forecast.growth.motion import (
    FADE_SESSIONS,
    Clock,
    Dynamics,
    Luck,
    PathLaws,
    Rungs,
    Standing,
    Tables,
    advance_one,
    chance_of_session,
    chance_to_meet,
    clocks_of,
    decay_terms,
    expected_meets,
    lost_levels,
    propagate,
    stretches,
    transition_covariance,
    walk_paths,
)
from forecast.growth.panel import MAX_FATIGUE_STEPS
from forecast.growth.passage import Habits, Targets, simulate_passage
from forecast.types import YEAR as YEAR_DAYS

MOTION = Dynamics(alpha=0.4, swing_sd=0.08, wiggle_sd=0.05, detraining=0.03, regain=0.5)


def timing(gaps, lengths, grace=2.0):
    """Return what a panel holds of dates: ``gaps`` weeks before each session, some past grace."""
    gaps, lengths = np.asarray(gaps, dtype=float), np.asarray(lengths)
    return SimpleNamespace(
        n_sessions=len(gaps),
        n_spells=len(lengths),
        number=np.arange(len(gaps)) - np.repeat(np.cumsum(lengths) - lengths, lengths),
        day=np.zeros(len(gaps), dtype=int),
        length=lengths,
        start=np.cumsum(lengths) - lengths,
        spell=np.repeat(np.arange(len(lengths)), lengths),
        rest=np.minimum(gaps, grace),
        excess=np.maximum(gaps - grace, 0.0),
    )


# the motion -----------------------------------------------------------------------------------


def test_a_layoff_takes_and_training_gives_back():
    """Two spells side by side, by hand: 3 % a week beyond the grace, half of it back a week."""
    gaps = [0.0, 5.0, 1.0, 0.0, 3.0]
    panel = timing(gaps, [3, 2])
    expected = [0.0, 0.09, 0.09 * math.exp(-0.5), 0.0, 0.03]
    np.testing.assert_allclose(lost_levels(panel, MOTION), expected)
    # What the filter charges is the change, the first session of a spell nothing.
    loss = stretches(panel, Clock(), MOTION).loss
    np.testing.assert_allclose(loss, [0.0, 0.09, 0.09 * (math.exp(-0.5) - 1.0), 0.0, 0.03])


def test_one_step_has_the_mean_and_the_spread_of_the_motion():
    """Two normal draws moved at a time: the map is affine, so its matrix can be read off."""
    constants = (MOTION.alpha, MOTION.swing_sd, MOTION.wiggle_sd)

    def moved(z0, z1):
        return np.array(advance_one(-0.5, 0.04, 0.02, 1.5, 3.0, constants, (z0, z1)))

    middle = moved(0.0, 0.0)
    decay, integral = decay_terms(MOTION.alpha, 1.5)
    np.testing.assert_allclose(middle, [-0.5 + 0.02 * 1.5 + 0.04 * integral, 0.04 * decay])
    root = np.column_stack([moved(1.0, 0.0) - middle, moved(0.0, 1.0) - middle])
    level, cross, swing = transition_covariance(MOTION, np.array(1.5))
    level = level + MOTION.wiggle_sd**2 * 3.0  # the level wanders on in a layoff
    np.testing.assert_allclose(root @ root.T, [[level, cross], [cross, swing]], rtol=1e-9)


def dense_spell(times, gaps, noise):
    """Design and covariance of a spell's sessions about (start, swing, pace), all at once.

    The motion from ``times[0]`` on is one process: its covariance between two sessions is that of
    the earlier one, carried on by the swing then (Taylor et al. 1994, JASA 89:727).
    """
    _, integral = decay_terms(MOTION.alpha, times)
    design = np.column_stack([np.ones(len(times)), integral, times])
    level, cross, _ = transition_covariance(MOTION, times)
    wander = MOTION.wiggle_sd**2 * np.cumsum(gaps)
    cov = np.diag(noise)
    for i in range(len(times)):
        for j in range(len(times)):
            first, later = min(i, j), max(i, j)
            _, onward = decay_terms(MOTION.alpha, times[later] - times[first])
            cov[i, j] += level[first] + onward * cross[first] + wander[first]
    return design, cov


def test_what_a_spell_says_is_the_likelihood_of_all_its_sessions_at_once():
    rng = np.random.default_rng(8)
    gaps = np.array([0.0, 1.2, 4.0, 0.3, 1.0, 0.0, 2.5, 0.7])
    values, noise = rng.normal(-0.4, 0.2, 8), rng.uniform(0.01, 0.04, 8)
    noise[3] = np.inf  # said nothing
    panel = timing(gaps, [5, 3])
    between = stretches(panel, Clock(), MOTION)
    info = spell_information(between, values, noise)
    for s, rows in enumerate((slice(0, 5), slice(5, 8))):
        heard = np.isfinite(noise[rows])
        design, cov = dense_spell(
            np.cumsum(panel.rest[rows]), panel.excess[rows], np.where(heard, noise[rows], 1.0)
        )
        design, cov = design[heard], cov[np.ix_(heard, heard)]
        y = (values[rows] + np.cumsum(between.loss[rows]))[heard]
        inverse = np.linalg.inv(cov)
        np.testing.assert_allclose(info.information[s], design.T @ inverse @ design, rtol=1e-8)
        np.testing.assert_allclose(info.score[s], design.T @ inverse @ y, rtol=1e-7)
        law = multivariate_normal(np.zeros(len(y)), cov)
        assert info.constant[s] == pytest.approx(law.logpdf(y), abs=1e-8)


# the clock ------------------------------------------------------------------------------------


def test_weeks_of_training_by_the_week_by_the_session_and_fading():
    plain, half, fading = Clock(), Clock(practice=0.25, session_weeks=0.8), Clock(fade=1.0)
    assert plain.dose(1.5, 7.0, 100.0) == 1.5
    # Three quarters by the week; a quarter by two sessions that stand for 0.8 weeks each.
    assert half.dose(1.5, 7.0, 100.0, 2.0) == pytest.approx(0.75 * 1.5 + 0.25 * 1.6)
    # A session brings half once FADE_SESSIONS are done, a third after twice as many.
    assert fading.dose(1.5, FADE_SESSIONS, 100.0) == pytest.approx(0.75)
    assert fading.dose(1.5, 2 * FADE_SESSIONS, 100.0) == pytest.approx(0.5)


@pytest.mark.parametrize("rest", [0.5, 20.0])
@pytest.mark.parametrize("day", [40.0, 200.0])
def test_a_season_is_the_mean_of_its_wave_over_the_stretch(rest, day):
    clock = Clock(season_cos=0.3, season_sin=-0.2)

    def wave(at):
        turn = 2 * np.pi * at / YEAR_DAYS
        return 1.0 + 0.3 * np.cos(turn) - 0.2 * np.sin(turn)

    weeks, _ = quad(wave, day - 7.0 * rest, day)
    assert clock.dose(rest, 0.0, day) == pytest.approx(weeks / 7.0)
    # However deep the trough, some training is left of it: a twentieth.
    deep = Clock(season_cos=-5.0)
    assert deep.dose(0.1, 0.0, 0.0) == pytest.approx(0.005)
    assert deep.dose(0.0, 0.0, 0.0) == 0.0


def test_what_is_expected_ahead_is_counted_from_the_middle_of_it():
    """Four weeks at three sessions a week: twelve sessions, six of them done half way."""
    clock = Clock(practice=0.5, session_weeks=0.3, fade=1.0)
    fresh = 0.5 * 4.0 + 0.5 * 0.3 * 12.0
    assert clock.ahead(4.0, 4.0, 0.0, 3.0) == pytest.approx(fresh / (1.0 + 10.0 / FADE_SESSIONS))
    wave = Clock(season_cos=1.0, season_sin=0.5)
    assert wave.ahead(4.0, 4.0, 50.0, 3.0) == wave.dose(4.0, 0.0, 78.0)


def test_doses_along_spells_are_those_of_each_stretch():
    """The place in its own spell and the day of each session; nothing before a spell's first."""
    clock = Clock(practice=0.3, session_weeks=0.5, fade=0.8, season_cos=0.2, season_sin=0.1)
    panel = timing([0.0, 1.0, 0.5, 3.0, 0.0, 1.0, 2.0], [4, 3])
    panel.day = np.array([0, 7, 11, 32, 100, 107, 121])
    number = np.array([0, 1, 2, 3, 0, 1, 2])
    expected = np.where(number > 0, clock.dose(panel.rest, number, panel.day), 0.0)
    np.testing.assert_allclose(stretches(panel, clock, MOTION).tau, expected)


def test_means_and_spread_carried_along_spells_are_a_kalman_filter():
    """Two means at once against ``propagate`` and the textbook update, session by session."""
    rng = np.random.default_rng(9)
    gaps = np.array([0.0, 1.2, 4.0, 0.0, 0.7])
    panel = timing(gaps, [3, 2])
    between = stretches(panel, Clock(), MOTION)
    values, noise = rng.normal(-0.4, 0.2, 5), rng.uniform(0.01, 0.04, 5)
    mean = rng.normal(0.0, 0.1, (2, 2, 3))
    root = rng.normal(0.0, 0.2, (2, 3, 3))
    cov = root @ root.transpose(0, 2, 1) + 0.01 * np.eye(3)
    ours, spread = mean.copy(), cov.copy()
    carry_spells(between, values, noise, ours, spread)
    for s, sessions in enumerate(([0, 1, 2], [3, 4])):
        for k in range(2):
            m, v = mean[s, k], cov[s]
            for n in sessions:
                if n != sessions[0]:
                    m, v = propagate(MOTION, m[None], v[None], panel.rest[n : n + 1],
                                     panel.excess[n : n + 1], between.loss[n : n + 1])  # fmt: skip
                    m, v = m[0], v[0]
                gain = v[:, 0] / (v[0, 0] + noise[n])
                m, v = m + gain * (values[n] - m[0]), v - np.outer(gain, v[0])
            np.testing.assert_allclose(ours[s, k], m, rtol=1e-9)
        np.testing.assert_allclose(spread[s], v, rtol=1e-8, atol=1e-12)


# the chance of a session ----------------------------------------------------------------------


def test_the_chance_to_meet_by_hand():
    """Set k is k sets tired, from the fifth on no more than the fifth; one of them is enough."""
    assert chance_to_meet(0.1, 0.2, -0.05, 1.0, 1) == pytest.approx(norm.cdf(0.5))
    assert chance_to_meet(0.1, 0.2, -0.05, 0.5, 1) == pytest.approx(0.5 * norm.cdf(0.5))
    room = 0.1 - 0.05 * np.array([0, 1, 2, 3, 4, 4, 4])
    missed = np.prod(1.0 - 0.9 * norm.cdf(room / 0.2))
    assert MAX_FATIGUE_STEPS == 4
    assert chance_to_meet(0.1, 0.2, -0.05, 0.9, 7) == pytest.approx(1.0 - missed)
    assert chance_to_meet(0.1, 0.2, -0.05, 0.9, 0) == 0.0


def test_the_chance_of_a_coming_session_by_hand():
    """A share of the sets counts, by the level up to where a level tells no more."""

    def chance(level, odds=1.0):
        return chance_of_session(level, 0.1, 0.2, (0.1, -0.05), (1.0, 0.5), 2, odds)

    def by_hand(clean):
        share = 0.9 / (1.0 + np.exp(-1.0 - 0.5 * clean))
        return 1.0 - (1.0 - share * norm.cdf(0.5)) * (1.0 - share * norm.cdf(0.25))

    assert chance(-0.3) == pytest.approx(by_hand(-0.3))
    assert chance(-9.0) == pytest.approx(by_hand(-2.0))
    assert chance(9.0) == pytest.approx(by_hand(0.7))
    odds = by_hand(-0.3) / (1.0 - by_hand(-0.3))
    assert chance(-0.3, 3.0) == pytest.approx(3.0 * odds / (1.0 + 3.0 * odds))


def test_meetings_expected_are_the_integral_over_the_day():
    out = expected_meets(
        np.array([-0.3]), np.array([0.15]), np.array([-0.2]), np.array([0.1]), -0.04, 0.1,
        np.array([3.0]),
    )  # fmt: skip
    whole, _ = quad(
        lambda able: norm.pdf(able, -0.1, 0.15) * chance_to_meet(able, 0.1, -0.04, 0.9, 3), -1, 1
    )
    assert out[0] == pytest.approx(whole, abs=1e-3)  # eleven nodes


# records --------------------------------------------------------------------------------------


@pytest.mark.parametrize(("low", "high"), [(40.0, 40.001), (38.0, np.inf), (45.0, 46.0)])
def test_records_far_above_have_the_chance_of_the_normal_tail(low, high):
    share = knee_share(KNEE)
    tail = norm.logsf(low) + np.log1p(-np.exp(norm.logsf(high) - norm.logsf(low)))
    expected = tail + math.log(share * math.sqrt(2.0 * math.pi))
    assert log_between(low, high, KNEE, share) == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize(("low", "high"), [(-400.0, -399.9), (-np.inf, -380.0), (-500.0, -450.0)])
def test_records_far_below_have_the_chance_of_the_exponential_tail(low, high):
    """Below the knee the density is ``share exp(knee z + knee**2 / 2)``."""
    share = knee_share(KNEE)
    width = np.log1p(-np.exp(KNEE * (low - high)))
    expected = math.log(share / KNEE) + KNEE * high + KNEE**2 / 2 + width
    assert log_between(low, high, KNEE, share) == pytest.approx(expected, rel=1e-9)


def difference(value, at, step=1e-6):
    return (value(at + step) - value(at - step)) / (2.0 * step)


@pytest.mark.parametrize(("low", "high"), [(-1.4, -0.6), (0.3, 0.9), (0.4, np.inf), (-np.inf, 0.5)])
def test_one_sets_chance_and_its_slopes(low, high):
    """A slip says that much or more: two ways to the same record."""
    slip, mass = 0.15, 0.3
    here = math.log(slip)

    def chance(low=low, high=high, log_slip=here):
        share = math.exp(log_slip)
        plain = norm.cdf(high) - norm.cdf(low)
        return math.log((1.0 - share) * plain + share * mass * norm.sf(low))

    found = set_slopes(low, high, slip, mass)
    assert found[0] == pytest.approx(chance())
    assert found[3] == pytest.approx(difference(lambda x: chance(log_slip=x), here))
    if np.isfinite(low):
        assert found[1] == pytest.approx(difference(lambda x: chance(low=x), low))
    if np.isfinite(high):
        assert found[2] == pytest.approx(difference(lambda x: chance(high=x), high))


@pytest.mark.parametrize("away", [-0.5, 0.0, 0.12, 0.9])
def test_a_days_ability_and_its_slopes(away):
    """Normal and exponential parts, the two exponentials integrated by hand and by quadrature.

    U - D has the density exp(-u / rise) / (rise + fall) above 0 and exp(u / fall) / (rise + fall)
    below; both parts are centred.
    """
    rise, fall, root = 0.06, 0.11, 0.14
    fell, rose = math.log(fall), math.log(rise)

    def density(log_fall=fell, log_rise=rose):
        up, down = math.exp(log_rise), math.exp(log_fall)
        middle = away + up - down

        def part(u):
            return norm.pdf(middle - u, 0.0, root) * math.exp(-u / up if u > 0 else u / down)

        below, _ = quad(part, -4.0, 0.0, points=[-0.1], epsabs=1e-13)
        over, _ = quad(part, 0.0, 4.0, points=[0.1], epsabs=1e-13)
        return math.log((below + over) / (up + down))

    found = day_slopes(away, rise, fall, root)
    assert found[0] == pytest.approx(density(), abs=1e-8)
    by_fall = difference(lambda x: density(log_fall=x), fell, 1e-4)
    by_rise = difference(lambda x: density(log_rise=x), rose, 1e-4)
    assert found[1] == pytest.approx(by_fall, abs=1e-5)
    assert found[2] == pytest.approx(by_rise, abs=1e-5)


# sessions as observations ---------------------------------------------------------------------


def test_a_normal_session_is_given_back_as_it_was():
    """Prior N(-0.5, 0.04) and a look at -0.3 with variance 0.01: precisions add."""
    var = 1.0 / (1.0 / 0.04 + 1.0 / 0.01)
    mean = var * (-0.5 / 0.04 - 0.3 / 0.01)
    np.testing.assert_allclose(as_site(-0.5, 0.04, mean, var), (-0.3, 0.01))


def test_a_session_far_off_pulls_as_hard_from_three_of_its_own_deviations():
    site, var = as_site(-0.5, 0.04, -0.1, 0.039)
    assert abs(site + 0.5) / math.sqrt(var) == pytest.approx(OUTLIER)
    assert (site + 0.5) / var == pytest.approx(0.4 / 0.039)  # the pull
    # An opinion narrowed by less than a thousandth was told nothing.
    assert as_site(-0.5, 0.04, -0.5, 0.04 / 1.0009) == (-0.5, np.inf)
    assert np.isfinite(as_site(-0.5, 0.04, -0.5, 0.04 / 1.0011)[1])


# a rung under way -----------------------------------------------------------------------------


def by_enumeration(chances, confirm, run):
    """Chance of clearing at each session: every course of met and missed, the rule in words."""
    cleared = np.zeros(len(chances))
    for course in itertools.product([True, False], repeat=len(chances)):
        weight = np.prod(np.where(course, chances, 1.0 - chances))
        row = run
        for session, met in enumerate(course):
            row = row + 1 if met else 0
            if row >= confirm:
                cleared[session] += weight
                break
    return cleared


@pytest.mark.parametrize(("confirm", "run"), [(1, 0), (2, 0), (2, 1), (3, 2), (3, 9)])
@pytest.mark.parametrize("untried", [False, True])
@pytest.mark.parametrize("first_gap", [10.0, 31.0])
def test_a_course_without_luck_in_the_motion_is_enumerated(confirm, run, untried, first_gap):
    """Level and gain known for certain: each session's chance is that of its sets, by hand.

    Days from the cut: the last session was three days before it. Training counts up to two weeks
    between sessions, a tenth session for half of the first; a week beyond takes 0.03. A rung not
    begun is where it is when it begins, with no session done; the other has four.
    """
    wait, horizon = 3.0, 50
    targets = Targets(
        mean=np.array([[-0.3, 0.0, 0.08]]), cov=np.zeros((1, 3, 3)), threshold=np.array([-0.1]),
        measure=np.zeros(1, dtype=np.int64), grace=np.full(1, 2.0), confirm=np.array([confirm]),
        run=np.array([run]), wait=np.array([wait]), gaps=np.full((1, 4), 7.0),
        first_gaps=np.full((1, 4), first_gap),
        habits=Habits(np.array([1.0]), 0.5, np.full((1, 4), 2.0)), untried=untried,
        clock=Clock(fade=1.0), **({} if untried else {"done": np.full(1, 4.0)}),
    )  # fmt: skip
    noise = Noise(np.full(4, 1e-9), np.full(4, 0.2), -0.05, 0.0, 0.0, slip=0.1)
    motion = Dynamics(alpha=1.0, swing_sd=0.0, wiggle_sd=0.0, detraining=0.03)
    found = simulate_passage(
        targets, motion, noise, horizon_days=horizon, paths=4, rng=np.random.default_rng(1)
    )
    days = np.arange(first_gap - wait, horizon + 1, 7.0)
    weeks = np.r_[0.0 if untried else min(first_gap / 7.0, 2.0), np.ones(len(days) - 1)]
    weeks /= 1.0 + (np.arange(len(days)) + (0 if untried else 4)) / FADE_SESSIONS
    beyond = 0.0 if untried else max(first_gap / 7.0 - 2.0, 0.0)
    level = -0.3 + 0.08 * np.cumsum(weeks) - 0.03 * beyond
    share = 0.9 / (1.0 + np.exp(-1.0 - 0.5 * level))
    room = level + 0.1
    missed = (1 - share * norm.cdf(room / 0.2)) * (1 - share * norm.cdf((room - 0.05) / 0.2))
    cleared = by_enumeration(1.0 - missed, confirm, min(run, confirm - 1))
    expected = np.zeros(horizon + 1)
    expected[days.astype(int)] = cleared
    assert found.next_session[0] == pytest.approx(1.0 - missed[0], abs=1e-6)
    np.testing.assert_allclose(found.by_day[0], np.cumsum(expected), atol=1e-6)


# rungs to come --------------------------------------------------------------------------------


def climbed(first_gap, most_days=200, *, untried=0, confirm=2, form=0.0, blocks=1):
    """Days on which two paths clear: one gains 0.1 a week from -0.25, one stands still.

    Sessions come weekly after ``first_gap`` days; nothing is drawn, so all can be told by hand. A
    layoff (beyond two weeks) takes 0.03 a week, and half of it is back after 1.386 weeks.
    """
    place, sessions = (1, 2), 12
    standing = Standing(
        level=np.full(place, -0.25), swing=np.zeros(place), pace=np.array([[0.1, 0.0]]),
        lost=np.zeros(place), day=np.zeros(place), ends=np.full(place, np.nan),
        runs=np.zeros((1, 2, 1)),
    )  # fmt: skip
    first_gap = 0.0 if untried else float(first_gap)
    tables = Tables(np.full((1, 4), 7.0), np.full((1, 4), first_gap), np.ones((1, 4)))
    forms = np.zeros((sessions, 2))
    forms[3] = form
    luck = Luck(
        np.zeros((sessions, 2, 2), dtype=np.int64), np.zeros((sessions, 2, 2)), forms,
        np.full((sessions, 2), 0.5),
    )  # fmt: skip
    motion = np.repeat([[1.0], [0.0], [0.0], [0.03], [0.5]], 2, axis=1)  # alpha to regain
    day_sd, set_sd, none = np.full((2, 4), 0.2), np.full((2, 4), 1e-9), np.zeros(2)
    laws = PathLaws(
        *motion, day_sd, set_sd, none, np.full(2, -0.01), none, none, none,
        np.zeros(2, dtype=np.int64), clocks_of([Clock()]),
    )  # fmt: skip
    numbers = [np.array([x]) for x in (0.0, 2.0, 3.0, 1.0, 1.0, 40.0, 0.0, 0.0, 1.0)]
    asked = [np.array([n], dtype=np.int64) for n in (0, confirm, 2)]
    rungs = Rungs(*numbers, *asked, np.array([bool(untried)]), np.full(place, 100.0))
    first = np.zeros(1)
    on = walk_paths(
        0, most_days, True, standing, tables, rungs, luck, laws, np.zeros((0, 0)), first
    )
    return standing.ends[0].tolist(), first[0], on


def test_the_day_of_clearing_by_hand():
    """Day 10: -0.107; 17: -0.007; 24: 0.093, met; 31: met again, and two are asked for."""
    (day, other), first, on = climbed(10)
    assert (day, first, on) == (31.0, 0.0, True)
    assert math.isnan(other)  # stands still, and goes on
    assert climbed(10, confirm=1)[0][0] == 24.0
    assert climbed(10, form=-1.0)[0][0] == 45.0  # a bad day on day 31: anew from day 38
    assert climbed(10, most_days=31)[0] == [31.0, np.inf]
    assert climbed(10, most_days=30)[0] == [np.inf, np.inf]
    assert not climbed(10, most_days=30)[2]


def test_a_layoff_on_the_way_by_hand():
    """28 days: two weeks' gain of 0.2 less 0.06 is -0.11; a week on 0.1 and 0.024 more: met."""
    assert climbed(28)[0][0] == 42.0


def test_a_rung_not_begun_is_begun_at_once():
    """The first session is where it stands; day 7: -0.15; 14: -0.05; 21: 0.05, met; 28: again."""
    assert climbed(10, untried=1)[0][0] == 28.0


def test_the_chance_of_the_first_session_is_shared_by_the_paths():
    assert climbed(28 + 14, confirm=1)[1] == 0.0  # gains stop after two weeks: -0.25 + 0.2 - 0.12
    assert climbed(10, form=0.0, confirm=1)[1] == 0.0
