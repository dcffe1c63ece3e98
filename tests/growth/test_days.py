"""Clearing days path by path: against the engine's own chances, and against arithmetic."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from forecast.growth.evidence import Noise
from forecast.growth.fitting import prior_constants
from forecast.growth.motion import Clock, Dynamics
from forecast.growth.passage import (
    Coming,
    Habits,
    Targets,
    path_laws,
    simulate_days,
    simulate_passage,
)

PATHS = 4096
GAPS = np.array([[2.0, 2.0, 3.0, 3.0, 4.0, 21.0]])


@pytest.fixture
def opinions():
    """Three rungs: one not begun, two under way, one of which needs two sessions in a row."""
    mean = np.array([[-0.5, 0.01, 0.02], [-0.1, 0.0, 0.02], [-0.2, 0.02, 0.01]])
    cov = np.tile(np.diag([0.02, 2e-4, 1e-4]), (3, 1, 1))
    return mean, cov


def habits(rows):
    sets = np.tile([2.0, 3.0, 3.0, 4.0], (rows, 1))
    return Habits(np.full(rows, 1.5), 0.5, sets, np.full(rows, 0.6))


SHIFT = np.array([0.0, -0.7, 0.5])
"""By how far the log odds of meeting are off on the three rungs."""


def starts_of(mean, cov, begun, confirm, paths=PATHS, seed=1):
    rows = len(mean)
    z = np.random.default_rng(seed).standard_normal((paths, 3))
    state = mean[:, None] + np.einsum("tij,pj->tpi", np.linalg.cholesky(cov), z)
    gaps = np.repeat(GAPS, rows, axis=0)
    coming = Coming(
        threshold=np.full(rows, -0.02), measure=np.zeros(rows, dtype=int), grace=np.full(rows, 2.0),
        confirm=np.asarray(confirm), run=np.zeros(rows, dtype=int), wait=np.zeros(rows),
        untried=~np.asarray(begun), shift=SHIFT[:rows], gaps=gaps, first_gaps=gaps,
        habits=habits(rows),
    )  # fmt: skip
    return coming, state.transpose(2, 0, 1)


@pytest.mark.parametrize("confirm", [1, 2])
@pytest.mark.parametrize("begun", [True, False])
def test_days_agree_with_the_engines_own_chances(opinions, confirm, begun):
    mean, cov = opinions
    constants = prior_constants()
    asked = np.full(3, confirm)
    gaps = np.repeat(GAPS, 3, axis=0)
    targets = Targets(
        mean=mean,
        cov=cov,
        threshold=np.full(3, -0.02),
        measure=np.zeros(3, dtype=int),
        grace=np.full(3, 2.0),
        confirm=asked,
        run=np.zeros(3, dtype=int),
        wait=np.zeros(3),
        gaps=gaps,
        first_gaps=gaps if begun else np.zeros_like(gaps),
        habits=habits(3),
        untried=not begun,
        clock=constants.clock,
        done=np.zeros(3),
        shift=SHIFT,
    )
    told = simulate_passage(
        targets,
        constants.dynamics,
        constants.noise,
        horizon_days=210,
        paths=PATHS,
        rng=np.random.default_rng(4),
    )
    starts = starts_of(mean, cov, np.full(3, begun), asked)
    drawn = simulate_days(*starts, path_laws([constants.laws], PATHS, 5), most_days=210, seed=[5])
    at = np.array([14, 42, 84, 168, 210])
    share = (drawn.days[:, :, None] <= at).mean(axis=1)
    np.testing.assert_allclose(share, told.by_day[:, at], atol=0.035)
    np.testing.assert_allclose(drawn.first, told.next_session, atol=0.02)


def still(paths=4):
    """Constants without any chance: level is a straight line in time."""
    none = np.full(4, 1e-9)
    noise = Noise(none, none, 0.0, 0.0, 0.0, day_down=0.0, day_up=0.0)
    return path_laws([(Clock(), Dynamics(0.1, 1e-9, 1e-9, 0.03), noise)], paths, 1)


def straight(pace, confirm, gap, start=-0.31, paths=4):
    mean = np.array([[start, 0.0, pace]])
    one, state = starts_of(mean, 1e-18 * np.eye(3)[None], [False], [confirm], paths)
    table = np.full((1, 4), gap)
    sure = Habits(np.full(1, 60.0), 0.0, np.full((1, 4), 1.0))
    return replace(one, gaps=table, first_gaps=table, habits=sure, threshold=np.zeros(1)), state


@pytest.mark.parametrize(("gap", "confirm"), [(3.0, 1), (3.0, 3), (7.0, 1), (7.0, 2)])
def test_without_chance_a_rung_is_cleared_when_the_line_has_crossed(gap, confirm):
    found = simulate_days(*straight(0.04, confirm, gap), still(), most_days=400, seed=[1])
    first = np.ceil(0.31 / (0.04 * gap / 7.0)) * gap
    assert found.days == pytest.approx(first + (confirm - 1) * gap)


def test_a_gap_beyond_the_grace_brings_loss_and_no_gain():
    # Gaps of 28 days: two weeks of gain at 0.04, two of loss at 0.03, so 0.02 a session.
    found = simulate_days(*straight(0.04, 1, 28.0), still(), most_days=1000, seed=[1])
    assert found.days == pytest.approx(np.ceil(0.31 / 0.02) * 28.0)


def test_a_path_that_never_clears_is_ordered_by_how_far_it_fell_short():
    far = simulate_days(*straight(-0.01, 1, 3.0, start=-0.6), still(), most_days=100, seed=[1])
    near = simulate_days(*straight(-0.01, 1, 3.0, start=-0.3), still(), most_days=100, seed=[1])
    assert (near.days > 100).all()
    assert (far.days > near.days).all()


def test_what_is_said_of_one_rung_does_not_depend_on_the_others(opinions):
    mean, cov = opinions
    constants = path_laws([prior_constants().laws] * 4, 64, 7)
    three = starts_of(mean, cov, [False, True, True], [1, 1, 2], 64)
    one, state = starts_of(mean[1:2], cov[1:2], [True], [1], 64)
    one = replace(one, shift=SHIFT[1:2]), state
    both = [simulate_days(*s, constants, most_days=300, seed=[7]) for s in (three, one)]
    np.testing.assert_array_equal(both[0].days[1], both[1].days[0])
