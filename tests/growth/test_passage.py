"""First passage against a literal simulation: every set drawn, every rule applied in words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import expit

from forecast.growth.fitting import prior_constants
from forecast.growth.motion import Dynamics, transition_covariance
from forecast.growth.passage import Habits, Targets, simulate_passage

HORIZON, LITERAL, PATHS, SEEDS = 84, 40_000, 1024, 4
NOISE = replace(prior_constants().noise, slip=0.1, day_down=0.9)
MOTION = Dynamics(alpha=0.12, swing_sd=0.03, wiggle_sd=0.03, detraining=0.02)
GAPS = np.r_[np.full(20, 2.0), np.full(8, 4.0), np.full(4, 25.0)]


def targets_of(confirm, run, level=-0.25):
    root = np.array([[0.08, 0.0, 0.0], [0.005, 0.02, 0.0], [0.0, 0.0, 0.01]])
    return Targets(
        mean=np.array([[level, 0.01, 0.02]]),
        cov=(root @ root.T)[None],
        threshold=np.zeros(1),
        measure=np.zeros(1, dtype=np.int64),
        grace=np.full(1, 2.0),
        confirm=np.array([confirm]),
        run=np.array([run]),
        wait=np.array([3.0]),
        gaps=GAPS[None],
        first_gaps=np.maximum(GAPS, 3.0)[None],
        habits=Habits(np.array([1.2]), 0.4, np.tile([2.0, 3.0, 4.0, 6.0], 8)[None]),
    )


def literal(targets, rng):
    """Days to clearing (LITERAL,), infinite past the horizon, and whether the next one met."""
    n = LITERAL
    state = rng.multivariate_normal(targets.mean[0], targets.cov[0], n)
    level, swing, pace = state.T
    day = np.full(n, -targets.wait[0])
    run = np.full(n, targets.run[0])
    cleared = np.full(n, np.inf)
    next_met = None
    while (day <= HORIZON).any():
        table = targets.first_gaps[0] if next_met is None else targets.gaps[0]
        gap = rng.choice(table, n)
        day = day + gap
        tau = np.minimum(gap / 7.0, targets.grace[0])
        excess = gap / 7.0 - tau
        shrink = np.exp(-MOTION.alpha * tau)
        level_var, cross, swing_var = transition_covariance(MOTION, tau)
        level_var = level_var + MOTION.wiggle_sd**2 * excess
        push = _pushes(rng, level_var, cross, swing_var)
        level = level + pace * tau + swing * (1 - shrink) / MOTION.alpha
        level = level - MOTION.detraining * excess + push[0]
        swing = swing * shrink + push[1]
        met = _session_meets(targets, rng, level)
        next_met = met if next_met is None else next_met
        run = np.where(met, run + 1, 0)
        done = (run >= targets.confirm[0]) & np.isinf(cleared) & (day <= HORIZON)
        cleared = np.where(done, day, cleared)
    return cleared, next_met


def _session_meets(targets, rng, level):
    n = len(level)
    down, up = rng.exponential(NOISE.day_down, n), rng.exponential(NOISE.day_up, n)
    form = rng.standard_normal(n) + up - NOISE.day_up - (down - NOISE.day_down)
    form = NOISE.day_sd[0] * form
    sets = rng.choice(targets.habits.sets[0], n)
    can_count = expit(targets.habits.intercept[0] + targets.habits.slope * np.clip(level, -2, 0.7))
    met = np.zeros(n, dtype=bool)
    for k in range(int(sets.max())):
        capacity = level + form + NOISE.fatigue * min(k, 4)
        capacity = capacity + NOISE.set_sd[0] * rng.standard_normal(n)
        counts = rng.random(n) < can_count * (1 - NOISE.slip)
        met |= (k < sets) & counts & (capacity >= targets.threshold[0])
    return met


def _pushes(rng, level_var, cross, swing_var):
    """Correlated normal pushes of level and swing, by the textbook two-by-two root."""
    z = rng.standard_normal((2, len(level_var)))
    first = np.sqrt(level_var)
    slope = cross / np.maximum(first, 1e-300)
    second = np.sqrt(np.maximum(swing_var - slope**2, 0.0))
    return first * z[0], slope * z[0] + second * z[1]


@pytest.mark.parametrize(
    ("confirm", "run"), [(1, 0), (2, 0), (2, 1), (3, 1)], ids=lambda value: str(value)
)
def test_chances_agree_with_every_set_drawn(confirm, run):
    targets = targets_of(confirm, run)
    cleared, next_met = literal(targets, np.random.default_rng(20))
    runs = [
        simulate_passage(
            targets,
            MOTION,
            NOISE,
            horizon_days=HORIZON,
            paths=PATHS,
            rng=np.random.default_rng(seed),
        )
        for seed in range(SEEDS)
    ]
    ours = np.array([passage.by_day[0] for passage in runs])
    for day in (7, 14, 28, 56, HORIZON):
        share = (cleared <= day).mean()
        literal_error = np.sqrt(max(share * (1 - share), 1e-4) / LITERAL)
        our_error = ours[:, day].std(ddof=1) / np.sqrt(SEEDS)
        tolerance = 4 * np.hypot(literal_error, max(our_error, 0.003))
        assert ours[:, day].mean() == pytest.approx(share, abs=tolerance), day
    chance = np.mean([passage.next_session[0] for passage in runs])
    assert chance == pytest.approx(next_met.mean(), abs=0.015)


def test_given_paths_are_less_noisy_than_drawn_sets():
    """What Rao-Blackwellisation is for: spread over seeds below that of as many drawn courses."""
    targets = targets_of(2, 0)
    ours = [
        simulate_passage(
            targets, MOTION, NOISE, horizon_days=HORIZON, paths=128, rng=np.random.default_rng(seed)
        ).by_day[0, 56]
        for seed in range(24)
    ]  # fmt: skip
    share = np.mean(ours)
    assert np.std(ours) < 0.8 * np.sqrt(share * (1 - share) / 128)


def test_a_run_half_done_is_worth_something_and_more_sessions_asked_for_cost():
    def chance(confirm, run):
        passage = simulate_passage(
            targets_of(confirm, run),
            MOTION,
            NOISE,
            horizon_days=HORIZON,
            paths=512,
            rng=np.random.default_rng(1),
        )
        return passage.by_day[0]

    assert (chance(2, 1) >= chance(2, 0) - 1e-12).all()
    assert (chance(1, 0) >= chance(2, 0) - 1e-12).all()
    assert (chance(2, 0) >= chance(3, 0) - 1e-12).all()
    assert chance(1, 0)[56] > chance(2, 0)[56] + 0.02


def test_one_target_does_not_see_another():
    one, other = targets_of(2, 0), targets_of(1, 0, level=-0.9)
    both = Targets(
        **{
            name: np.concatenate([getattr(one, name), getattr(other, name)])
            for name in (
                "mean", "cov", "threshold", "measure", "grace", "confirm", "run", "wait", "gaps",
                "first_gaps",
            )
        },
        habits=Habits(
            np.concatenate([one.habits.intercept, other.habits.intercept]),
            one.habits.slope,
            np.concatenate([one.habits.sets, other.habits.sets]),
        ),
    )  # fmt: skip
    settings = {"horizon_days": HORIZON, "paths": 128}
    together = simulate_passage(
        both, MOTION, NOISE, rng=np.random.default_rng(3), **settings
    ).by_day
    for place, target in enumerate((one, other)):
        alone = simulate_passage(
            target, MOTION, NOISE, rng=np.random.default_rng(3), **settings
        ).by_day[0]
        np.testing.assert_allclose(together[place], alone, atol=1e-12)
