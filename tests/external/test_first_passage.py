"""First passage of the simulated level against the inverse Gaussian law.

Formula: Chhikara & Folks 1989, The Inverse Gaussian Distribution; values agreed by the formula,
SciPy and R's statmod. The level is looked at on session days only, so the sought chance is that
of a path seen on a grid: the law at a mark pushed away by 0.5826 s sqrt(dt) (Broadie, Glasserman
& Kou 1997, Mathematical Finance 7:325), a first-order correction.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import invgauss, norm

from forecast.growth.evidence import Noise
from forecast.growth.motion import Dynamics
from forecast.growth.passage import Habits, Targets, simulate_passage

PATHS = 8192
CASES = [
    # gap, drift a week, volatility, weeks, chance of having passed
    (10, 1, 2, 8, 0.47038000),
    (10, 1, 2, 12, 0.72461024),
    (5, 0.5, 1, 10, 0.61616315),
    (5, 0.5, 1, 20, 0.92730928),
    (3, 0.1, 1, 52, 0.85260833),
    (3, -0.1, 1, 52, 0.46792137),
]


def passed_by(t, gap, drift, volatility):
    z = volatility * np.sqrt(t)
    mirror = 2 * drift * gap / volatility**2 + norm.logcdf(-(drift * t + gap) / z)
    return norm.cdf((drift * t - gap) / z) + np.exp(mirror)


def simulated(gap, drift, volatility, weeks, days_between):
    """Chance that a session within ``weeks`` finds the level at or past the mark."""
    targets = Targets(
        mean=np.array([[-float(gap), 0.0, float(drift)]]),
        cov=np.zeros((1, 3, 3)),
        threshold=np.zeros(1),
        measure=np.zeros(1, dtype=np.int64),
        grace=np.full(1, 1000.0),
        confirm=np.ones(1, dtype=np.int64),
        run=np.zeros(1, dtype=np.int64),
        wait=np.zeros(1),
        gaps=np.full((1, 32), float(days_between)),
        first_gaps=np.full((1, 32), float(days_between)),
        # Every set is clean, and there is one a session.
        habits=Habits(np.full(1, 40.0), 0.0, np.ones((1, 32))),
    )
    motion = Dynamics(alpha=1.0, swing_sd=0.0, wiggle_sd=float(volatility), detraining=0.0)
    exact = Noise(np.full(4, 1e-9), np.full(4, 1e-9), 0.0, 0.0, 0.0)
    days = int(weeks * 7)
    passage = simulate_passage(
        targets, motion, exact, horizon_days=days, paths=PATHS, rng=np.random.default_rng(11)
    )
    return passage.by_day[0, -1]


@pytest.mark.parametrize(("gap", "drift", "volatility", "weeks", "expected"), CASES)
def test_the_formula_itself(gap, drift, volatility, weeks, expected):
    assert passed_by(weeks, gap, drift, volatility) == pytest.approx(expected, abs=1e-7)
    if drift > 0:
        shape = (gap / volatility) ** 2
        law = invgauss(mu=(gap / drift) / shape, scale=shape)
        assert law.cdf(weeks) == pytest.approx(expected, abs=1e-7)


@pytest.mark.parametrize(("gap", "drift", "volatility", "weeks", "expected"), CASES)
def test_weekly_sessions_see_the_passage_late(gap, drift, volatility, weeks, expected):
    ours = simulated(gap, drift, volatility, weeks, days_between=7)
    pushed = passed_by(weeks, gap + 0.5826 * volatility, drift, volatility)
    noise = 3 * np.sqrt(pushed * (1 - pushed) / PATHS)
    assert ours == pytest.approx(pushed, abs=0.015 + noise)
    assert ours < expected


# The share past the mark on the day itself is not the answer, and lies far below it.
@pytest.mark.parametrize(("gap", "drift", "volatility", "weeks", "expected"), CASES)
def test_daily_sessions_come_near_the_law(gap, drift, volatility, weeks, expected):
    ours = simulated(gap, drift, volatility, weeks, days_between=1)
    pushed = passed_by(weeks, gap + 0.5826 * volatility / np.sqrt(7), drift, volatility)
    noise = 3 * np.sqrt(pushed * (1 - pushed) / PATHS)
    assert ours == pytest.approx(pushed, abs=0.005 + noise)
    on_the_day = norm.cdf((drift * weeks - gap) / (volatility * np.sqrt(weeks)))
    assert ours > on_the_day + 0.04


# 100,000 paths looked at weekly, drawn elsewhere: .668 against .7246 watched all the time.
def test_weekly_sessions_agree_with_another_simulation():
    ours = simulated(10, 1, 2, 12, days_between=7)
    assert ours == pytest.approx(0.668, abs=3 * np.sqrt(0.668 * 0.332 * (1 / PATHS + 1e-5)))
