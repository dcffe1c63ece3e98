"""How an athlete trains lately: modes found by a general optimiser, tables counted by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import minimize, minimize_scalar
from scipy.special import expit, logit
from unfitted_club import histories_of, rows_of

from forecast.growth.judgement import MAX_SETS, MEMORY_SESSIONS, SHIFT_SD
from forecast.growth.panel import build_panel
from forecast.growth.passage import (
    CohortHabits,
    athlete_habits,
    clip_level,
    cohort_habits,
    logit_shift,
    untried_habits,
)

COHORT = CohortHabits(1.2, 0.7, np.full(32, 3.0))


def panel_of(counts):
    """One spell whose sessions have so many sets, two days apart."""
    sessions = {2 * k: [4.0] * n for k, n in enumerate(counts)}
    return build_panel(histories_of(rows_of("Al", "hang", sessions), as_of=200))


def test_a_level_tells_of_habits_from_a_seventh_to_twice_the_mark():
    np.testing.assert_allclose(np.exp(clip_level(np.array([-9.0, 9.0]))), [0.135, 2.01], rtol=0.01)
    assert clip_level(np.array([-1.0])) == -1.0


def test_the_cohorts_habit_is_the_mode_of_its_penalised_likelihood():
    """Logistic regression with a unit ridge on the slope and two sets of the prior, 3 to 1."""
    rng = np.random.default_rng(2)
    level, sets = rng.uniform(-1.5, 0.5, 60), rng.integers(1, 5, 60).astype(float)
    good = rng.binomial(sets.astype(int), expit(0.5 + 1.5 * level)).astype(float)

    def loss(place):
        chance = expit(place[0] + place[1] * level)
        told = good @ np.log(chance) + (sets - good) @ np.log1p(-chance)
        prior = expit(place[0] - 0.5 * place[1])
        return 0.5 * place[1] ** 2 - told - 1.5 * np.log(prior) - 0.5 * np.log1p(-prior)

    best = minimize(loss, [0.0, 0.0], tol=1e-10).x
    found = cohort_habits(good, sets, level)
    np.testing.assert_allclose([found.intercept, found.slope], best, atol=2e-3)


def test_a_log_without_an_unclean_set_or_any_set_has_finite_habits():
    clean = cohort_habits(np.full(4, 2.0), np.full(4, 2.0), np.full(4, -0.3))
    assert 1.0 < clean.intercept < 6.0
    assert (clean.sets == 2.0).all()
    nothing = cohort_habits(np.empty(0), np.empty(0), np.empty(0))
    # Of the prior's two sets one and a half count: log odds of 3, slope as good as none.
    assert nothing.intercept - 0.5 * nothing.slope == pytest.approx(np.log(3.0), abs=0.02)
    assert (nothing.sets == 3.0).all()


def test_the_cohorts_sets_a_session_are_its_quantiles():
    """One set in a quarter of the sessions, two in half, twelve (read as eight) in a quarter."""
    sets = np.array([1.0, 2.0, 2.0, 12.0])
    table = cohort_habits(sets, sets, np.zeros(4)).sets
    assert (np.diff(table) >= 0).all()
    assert len(table) == 32
    assert (table.min(), np.median(table), table.max()) == (1.0, 2.0, MAX_SETS)


@pytest.mark.parametrize("good", [[0.0, 1.0, 2.0], [2.0, 3.0, 4.0], [0.0, 0.0, 0.0]])
def test_an_athletes_share_is_the_mode_beside_the_cohorts(good):
    panel, level = panel_of([2, 3, 4]), np.array([-0.9, -0.4, 3.0])
    good = np.array(good)
    habits = athlete_habits(replace(panel, eligible=good), level, np.array([2]), COHORT)
    base = 1.2 + 0.7 * np.array([-0.9, -0.4, 0.7])
    sets = np.array([2.0, 3.0, 4.0])

    def loss(shift):
        chance = expit(base + shift)
        return 0.5 * shift**2 - good @ np.log(chance) - (sets - good) @ np.log1p(-chance)

    best = minimize_scalar(loss, bounds=(-8, 8), method="bounded", options={"xatol": 1e-9}).x
    assert habits.intercept[0] == pytest.approx(1.2 + best, abs=1e-5)
    assert habits.slope == 0.7
    # The spread is the curvature's there (Laplace), by a second difference.
    curve = (loss(best + 1e-3) - 2 * loss(best) + loss(best - 1e-3)) / 1e-6
    assert habits.spread[0] == pytest.approx(curve**-0.5, rel=1e-3)


def test_only_the_latest_dozen_sessions_of_the_spell_count():
    panel, level = panel_of([2] * 15), np.full(15, -0.5)
    good = np.full(15, 1.0)

    def told(good):
        shown = replace(panel, eligible=good)
        return athlete_habits(shown, level, np.array([13]), COHORT).intercept[0]

    assert MEMORY_SESSIONS == 12
    for place, counts in [(1, False), (2, True), (13, True), (14, False)]:
        other = good.copy()
        other[place] = 2.0
        assert (told(other) > told(good)) == counts, place


@pytest.mark.parametrize(("sessions", "own"), [(1, 8), (3, 16), (13, 26)])
def test_own_sets_count_for_n_of_n_and_three(sessions, own):
    """Of 32 entries: a quarter after one session, half after three, 26 with twelve and more."""
    counts = [1] * (sessions - 1) + [5]
    panel = panel_of(counts)
    zeros = np.zeros(sessions)
    table = athlete_habits(panel, zeros, np.array([sessions - 1]), COHORT).sets[0]
    assert (table[own:] == 3.0).all()
    latest = min(sessions, MEMORY_SESSIONS)
    assert table[:own].tolist() == [5.0 if k % latest == 0 else 1.0 for k in range(own)]


def test_without_a_session_habits_are_the_cohorts():
    habits = untried_habits(2, COHORT)
    assert habits.intercept.tolist() == [1.2, 1.2]
    assert (habits.sets == 3.0).all()
    assert habits.sets.shape == (2, 32)


def test_the_odds_are_put_right_by_as_much_as_the_sessions_say():
    """Nine of 27 expected and none met; all met; nothing known: the mode by a general optimiser."""
    there = np.zeros((3, 30))
    there[:2, :27] = 1.0
    met = np.zeros((3, 30))
    met[1] = there[1]
    shift, _ = logit_shift(met, there, np.full((3, 30), -np.log(2.0)), SHIFT_SD)

    def mode(hits, chance):
        def loss(by):
            p = expit(np.log(chance / (1.0 - chance)) + by)
            return 0.5 * (by / SHIFT_SD) ** 2 - (np.log(p) if hits else np.log1p(-p)).sum()

        return minimize_scalar(loss, bounds=(-9, 9), method="bounded", options={"xatol": 1e-9}).x

    np.testing.assert_allclose(
        shift, [mode(False, np.full(27, 1 / 3)), mode(True, np.full(27, 1 / 3)), 0.0], atol=1e-5
    )
    certain = np.full((1, 1), logit(1.0 - 1e-6))
    sure, _ = logit_shift(np.zeros((1, 1)), np.ones((1, 1)), certain, SHIFT_SD)
    # A certainty that failed is one set against a prior of one: a step of one, and finite.
    assert sure[0] == pytest.approx(-1.0, abs=1e-4)
