"""The filter against brute force: every integral done on a fine grid."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import norm

from forecast.growth.constants import prior_constants
from forecast.growth.dynamics import Dynamics
from forecast.growth.filtering import forward_pass
from forecast.growth.observation import (
    TAIL_SCALE,
    TAIL_WEIGHT,
    interval_probability,
    match_sessions,
)

NOISE = replace(prior_constants().noise, slip=0.0)
DAY_SD, SET_SD = float(NOISE.day_sd[0]), float(NOISE.set_sd[0])


def panel_of(sessions, gaps):
    """One spell; each session is a list of (lower, upper, unclean) in latent units."""
    n, k = len(sessions), max(map(len, sessions))
    lower, upper = np.full((n, k), -np.inf), np.full((n, k), np.inf)
    unclean = np.zeros((n, k))
    for i, sets in enumerate(sessions):
        for j, (low, high, bad) in enumerate(sets):
            lower[i, j], upper[i, j], unclean[i, j] = low, high, bad
    return SimpleNamespace(
        n_sessions=n,
        length=np.array([n]),
        start=np.array([0]),
        spell=np.zeros(n, dtype=int),
        measure=np.array([0]),
        tau=np.asarray(gaps, dtype=float),
        rest=np.asarray(gaps, dtype=float),
        excess=np.zeros(n),
        lower=lower,
        upper=upper,
        fatigue=np.tile(np.arange(k, dtype=float), (n, 1)),
        unclean=unclean,
        assisted=np.zeros((n, k)),
        n_sets=np.array([len(sets) for sets in sessions]),
        scatter=np.ones(1),
    )


def likelihood(sets, level):
    """P(sets | level) on a grid of levels: the day's form is integrated out by brute force."""
    form = np.linspace(-8 * 3 * DAY_SD, 8 * 3 * DAY_SD, 3001)
    weight = (1 - TAIL_WEIGHT) * norm.pdf(form, 0, DAY_SD)
    weight += TAIL_WEIGHT * norm.pdf(form, 0, np.sqrt(TAIL_SCALE) * DAY_SD)
    able = level[:, None] + form
    product = np.ones_like(able)
    for place, (low, high, bad) in enumerate(sets):
        shift = NOISE.fatigue * place + NOISE.unclean * bad
        part = norm.cdf((high - shift - able) / SET_SD) - norm.cdf((low - shift - able) / SET_SD)
        product *= part
    return np.trapezoid(product * weight, form, axis=1)


def by_grid(sets, mean, var):
    level = np.linspace(mean - 8 * np.sqrt(var), mean + 8 * np.sqrt(var), 1201)
    joint = likelihood(sets, level) * norm.pdf(level, mean, np.sqrt(var))
    total = np.trapezoid(joint, level)
    centre = np.trapezoid(level * joint, level) / total
    spread = np.trapezoid((level - centre) ** 2 * joint, level) / total
    return np.log(total), centre, spread


CASES = {
    "one hold": [(-0.36, -0.29, 0)],
    "three sets": [(-0.36, -0.29, 0), (-0.51, -0.43, 0), (-0.6, -0.5, 0)],
    "stopped at the target": [(0.0, np.inf, 0)],
    "less than a third": [(-np.inf, -1.1, 0)],
    "an unclean one beside a clean one": [(-0.36, -0.29, 0), (-0.1, 0.0, 1)],
    "called at the mark twice, then failed": [(0.0, np.inf, 0), (0.0, np.inf, 0), (-0.3, -0.2, 0)],
    "far above what was thought": [(0.5, 0.55, 0)],
}


@pytest.mark.parametrize("sets", CASES.values(), ids=CASES.keys())
@pytest.mark.parametrize(("mean", "var"), [(-0.4, 0.09), (-0.4, 0.004)])
def test_one_session_is_matched_as_on_a_grid(sets, mean, var):
    match = match_sessions(
        panel_of([sets], [0.0]), NOISE, np.array([0]), np.array([mean]), np.array([var])
    )
    log_total, centre, spread = by_grid(sets, mean, var)
    assert match.log_evidence[0] == pytest.approx(log_total, abs=0.05)
    assert match.mean[0] == pytest.approx(centre, abs=0.03 * np.sqrt(var))
    # A surprise can leave more doubt than there was; the filter then keeps to what there was.
    assert np.sqrt(match.var[0]) == pytest.approx(np.sqrt(min(spread, var)), rel=0.03)


def test_a_spell_is_filtered_as_on_a_grid():
    """Four sessions of a wandering level, censored ones among them, all integrated on a grid."""
    sessions = [
        [(-0.7, -0.6, 0), (-0.8, -0.7, 0)],
        [(-0.6, np.inf, 0)],
        [(-0.62, -0.5, 0), (-0.5, np.inf, 0), (-0.6, -0.5, 1)],
        [(-0.36, -0.29, 0)],
    ]
    gaps = [0.0, 0.5, 1.0, 0.4]
    wander = 0.08
    motion = Dynamics(alpha=1.0, swing_sd=0.0, wiggle_sd=wander, detraining=0.0)
    mean, var = -0.6, 0.09
    fit = forward_pass(
        panel_of(sessions, gaps), motion, NOISE, np.array([[mean, 0.0, 0.0]]),
        np.diag([var, 0.0, 0.0])[None],
    )  # fmt: skip
    level = np.linspace(-2.6, 1.4, 1601)
    step = level[1] - level[0]
    belief = norm.pdf(level, mean, np.sqrt(var))
    evidence = []
    for sets, gap in zip(sessions, gaps, strict=True):
        if gap > 0:
            kernel = norm.pdf(np.arange(-400, 401) * step, 0, wander * np.sqrt(gap)) * step
            belief = np.convolve(belief, kernel, mode="same")
        joint = belief * likelihood(sets, level)
        total = joint.sum() * step
        evidence.append(np.log(total))
        belief = joint / total
    centre = (level * belief).sum() * step
    spread = np.sqrt(((level - centre) ** 2 * belief).sum() * step)
    assert fit.mean[-1, 0] == pytest.approx(centre, abs=0.1 * spread)
    assert np.sqrt(fit.cov[-1, 0, 0]) == pytest.approx(spread, rel=0.05)
    assert fit.log_evidence.sum() == pytest.approx(sum(evidence), abs=0.05)


def test_more_sets_never_make_the_level_less_certain():
    spreads = []
    for n in (1, 2, 4, 8):
        panel = panel_of([[(-0.36, -0.29, 0)] * n], [0.0])
        match = match_sessions(panel, NOISE, np.array([0]), np.array([-0.4]), np.array([0.09]))
        spreads.append(match.var[0])
    assert spreads == sorted(spreads, reverse=True)


def test_a_set_stopped_at_the_target_is_no_ceiling():
    low, high = (
        match_sessions(
            panel_of([[(0.0, upper, 0)]], [0.0]), NOISE, np.array([0]), np.array([0.0]),
            np.array([0.09]),
        ).mean[0]
        for upper in (0.05, np.inf)
    )  # fmt: skip
    assert high > low + 0.05


# tails --------------------------------------------------------------------------------------


@pytest.mark.parametrize("far", [0.0, 2.0, 6.0, 12.0, 30.0])
def test_interval_probability_is_exact_in_both_tails(far):
    low, high = np.array([far]), np.array([far + 0.7])
    # log of a difference of tails, by scipy's log survival function
    top, bottom = norm.logsf(low), norm.logsf(high)
    expected = np.exp(top + np.log1p(-np.exp(bottom - top)))
    np.testing.assert_allclose(interval_probability(low, high), expected, rtol=1e-9)
    np.testing.assert_allclose(interval_probability(-high, -low), expected, rtol=1e-9)


def test_interval_probability_of_open_ends():
    inf = np.inf
    ours = interval_probability(np.array([-inf, 1.0, -inf]), np.array([inf, inf, 1.0]))
    np.testing.assert_allclose(ours, [1.0, norm.sf(1.0), norm.cdf(1.0)], rtol=1e-12)
