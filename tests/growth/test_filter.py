"""The filter against brute force: every integral done on a fine grid."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.special import erfcx
from scipy.stats import laplace_asymmetric, norm, truncnorm

from forecast.growth.evidence import evidence_slopes, forward_pass
from forecast.growth.fitting import prior_constants
from forecast.growth.judgement import KNEE
from forecast.growth.kernels import above, knee_share, log_between, mills, mills_and_more
from forecast.growth.motion import Clock, Dynamics, stretches

NOISE = prior_constants().noise
MARK = 0.4
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
        ceiling=np.where((lower >= MARK) & (unclean == 0), np.inf, upper),
        n_sessions=n,
        length=np.array([n]),
        start=np.array([0]),
        n_spells=1,
        number=np.arange(n),
        day=np.zeros(n, dtype=int),
        spell=np.zeros(n, dtype=int),
        measure=np.array([0]),
        rest=np.asarray(gaps, dtype=float),
        excess=np.zeros(n),
        lower=lower,
        upper=upper,
        fatigue=np.tile(np.arange(k, dtype=float), (n, 1)),
        unclean=unclean,
        assisted=np.zeros((n, k)),
        n_sets=np.array([len(sets) for sets in sessions]),
    )


def set_noise(z):
    """P(noise <= z): standard normal above -KNEE, exponential below, integrated on a grid."""
    grid = np.linspace(-40.0, 12.0, 26_001)
    fall = np.where(grid > -KNEE, 0.5 * grid**2, -KNEE * grid - 0.5 * KNEE**2)
    mass = np.cumsum(np.exp(-fall))
    return np.interp(z, grid, (mass - 0.5 * np.exp(-fall)) / mass[-1])


def day_density(form, noise=NOISE):
    """Density of the day's form: a normal and an asymmetric Laplace, convolved on a fine grid."""
    step = form[1] - form[0]
    rise, fall = noise.day_up * DAY_SD, noise.day_down * DAY_SD
    kappa, scale = np.sqrt(rise / fall) ** -1, np.sqrt(rise * fall)
    sides = laplace_asymmetric.pdf(form - (fall - rise), kappa, scale=scale)
    density = np.convolve(norm.pdf(form, 0, DAY_SD), sides, mode="same") * step
    return density / np.trapezoid(density, form)


def likelihood(sets, level):
    """P(sets | level) on a grid of levels: the day's form is integrated out by brute force."""
    form = np.linspace(-16 * DAY_SD, 16 * DAY_SD, 3001)
    weight = day_density(form)
    able = level[:, None] + form
    product = np.ones_like(able)
    for place, (low, high, bad) in enumerate(sets):
        shift = NOISE.fatigue * place + NOISE.unclean * bad
        top = 1.0 if low >= MARK and not bad else set_noise((high - shift - able) / SET_SD)
        product *= top - set_noise((low - shift - able) / SET_SD)
    return np.trapezoid(product * weight, form, axis=1)


def by_grid(sets, mean, var):
    level = np.linspace(mean - 8 * np.sqrt(var), mean + 8 * np.sqrt(var), 1201)
    joint = likelihood(sets, level) * norm.pdf(level, mean, np.sqrt(var))
    total = np.trapezoid(joint, level)
    centre = np.trapezoid(level * joint, level) / total
    spread = np.trapezoid((level - centre) ** 2 * joint, level) / total
    return np.log(total), centre, spread


def matched(sets, mean, var):
    """Log evidence of one session, and mean and variance of the level after it."""
    panel = panel_of([sets], [0.0])
    still = stretches(panel, Clock(), Dynamics(1.0, 0.0, 0.0, 0.0))
    before = np.array([[mean, 0.0, 0.0]]), np.diag([var, 0.0, 0.0])[None]
    seen = forward_pass(panel, still, NOISE, *before, 1.0)
    return seen.log_evidence[0], seen.mean[0, 0], seen.cov[0, 0, 0]


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
    log_evidence, centre_found, var_found = matched(sets, mean, var)
    log_total, centre, spread = by_grid(sets, mean, var)
    assert log_evidence == pytest.approx(log_total, abs=0.05)
    assert centre_found == pytest.approx(centre, abs=0.03 * np.sqrt(var))
    # A surprise can leave more doubt than there was; the filter then keeps to what there was.
    assert np.sqrt(var_found) == pytest.approx(np.sqrt(min(spread, var)), rel=0.03)


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
    panel = panel_of(sessions, gaps)
    fit = forward_pass(
        panel, stretches(panel, Clock(), motion), NOISE, np.array([[mean, 0.0, 0.0]]),
        np.diag([var, 0.0, 0.0])[None], 1.0,
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
        spreads.append(matched([(-0.36, -0.29, 0)] * n, -0.4, 0.09)[2])
    assert spreads == sorted(spreads, reverse=True)


def test_a_set_stopped_at_the_target_is_no_ceiling():
    low, high = (
        matched([(0.0, upper, 0)], 0.0, 0.09)[1]
        for upper in (0.05, np.inf)
    )  # fmt: skip
    assert high > low + 0.05


def test_a_day_known_to_the_hair_leaves_the_spread_of_a_days_form():
    """Nothing thought before, and sets without noise: the level is the record less the form.

    The form is centred, so the mean is the record; its variance is ``day_sd**2`` times
    ``1 + down**2 + up**2``, the normal part's and those of two exponentials.
    """
    exact = replace(NOISE, set_sd=np.full(4, 1e-4), day_down=0.9, day_up=0.6)
    panel = panel_of([[(-0.4005, -0.3995, 0)], [(-0.4005, -0.3995, 0)]], [0.0, 0.0])
    panel.start, panel.length, panel.n_spells = np.array([0, 1]), np.array([1, 1]), 2
    panel.spell, panel.measure = np.array([0, 1]), np.zeros(2, dtype=int)
    motion = Dynamics(alpha=1.0, swing_sd=0.0, wiggle_sd=0.0, detraining=0.0)
    between = stretches(panel, Clock(), motion)
    cov = np.tile(np.diag([400.0, 1e-6, 1e-6]), (2, 1, 1))
    prior = np.tile([-0.4, 0.0, 0.0], (2, 1))
    seen = forward_pass(panel, between, exact, prior, cov, np.array([1.0, 2.0]))
    form = 1.0 + 0.9**2 + 0.6**2
    np.testing.assert_allclose(seen.mean[:, 0], -0.4, atol=1e-3)
    np.testing.assert_allclose(seen.cov[:, 0, 0], np.array([1, 4]) * form * DAY_SD**2, rtol=0.01)
    np.testing.assert_allclose(seen.site_var, seen.cov[:, 0, 0], rtol=1e-3)
    np.testing.assert_allclose(seen.tail, form, rtol=0.01)  # all of it is the day's
    density = norm.logpdf(0.0, 0.0, 20.0) + np.log(1e-3)
    np.testing.assert_allclose(seen.log_evidence, density, atol=0.02)  # eleven nodes


@pytest.mark.parametrize("sets", [1, 4])
def test_of_normal_sets_the_day_has_its_own_share(sets):
    """Without tails ``n`` sets are a look with variance ``day_sd**2 + set_sd**2 / n``."""
    plain = replace(NOISE, day_down=1e-4, day_up=1e-4, knee=30.0, fatigue=-0.02)
    record = [(-0.4005 - 0.02 * k, -0.3995 - 0.02 * k, 0) for k in range(sets)]
    panel = panel_of([record], [0.0])
    motion = Dynamics(alpha=1.0, swing_sd=0.0, wiggle_sd=0.0, detraining=0.0)
    seen = forward_pass(
        panel, stretches(panel, Clock(), motion), plain, np.array([[-0.3, 0.0, 0.0]]),
        np.diag([0.09, 1e-6, 1e-6])[None], 1.0,
    )  # fmt: skip
    assert seen.site_mean[0] == pytest.approx(-0.4, abs=2e-3)
    assert seen.site_var[0] == pytest.approx(DAY_SD**2 + SET_SD**2 / sets, rel=0.01)
    assert seen.tail[0] == pytest.approx(1.0, abs=0.02)


# what makes a better set never worse ------------------------------------------------------


@pytest.mark.parametrize(("mean", "var"), [(-0.4, 0.09), (-0.4, 0.004), (0.3, 0.02)])
@pytest.mark.parametrize(
    "beside", [[], [(-0.5, -0.4, 0), (-0.5, np.inf, 0)]], ids=["alone", "with"]
)
def test_the_pull_of_a_session_levels_off_and_never_falls_back(mean, var, beside):
    after = []
    # Beside other sets up to three times the mark: further apart than that is not one day's record.
    for low in np.arange(-6.0, 1.1 if beside else 5.0, 0.05):
        after.append(matched([(low, low + 0.1, 0), *beside], mean, var)[1])
    steps = np.diff(after)
    assert steps.min() > -1e-2 * np.sqrt(var)  # what quadrature leaves
    assert steps.max() > 0.01 * np.sqrt(var)
    # The bound is the slope of an exponential tail: variance over its mean size.
    reach = var / (min(NOISE.day_up, NOISE.day_down) * DAY_SD)
    assert np.abs(np.array(after) - mean).max() <= reach * 1.001


def test_slopes_of_the_evidence_are_its_differences():
    rng = np.random.default_rng(5)
    middle = -0.4 + DAY_SD * rng.standard_normal((40, 1)) + SET_SD * rng.standard_normal((40, 3))
    sessions = [[(m - 0.05, m + 0.05, k == 2) for k, m in enumerate(row)] for row in middle]
    panel = panel_of(sessions, [0.3] * len(sessions))
    panel.assisted[1, 0] = 1.0
    mean, var = np.full(len(sessions), -0.4), np.full(len(sessions), 0.01)
    constants = prior_constants()
    _, slopes = evidence_slopes(panel, constants.noise, mean, var, 1.0)
    for name in ("log_set_sd_seconds", "log_slip", "log_day_down", "log_day_up", "unclean"):
        there = [
            evidence_slopes(
                panel,
                constants.replaced([name], [constants.values[name] + step]).noise,
                mean,
                var,
                1.0,
            )[0]
            for step in (1e-4, -1e-4)
        ]
        assert slopes[name] == pytest.approx(
            (there[0] - there[1]) / 2e-4, rel=0.1, abs=2e-3
        )  # quadrature moves too


@pytest.mark.parametrize("sets", CASES.values(), ids=CASES.keys())
def test_the_evidence_of_records_is_that_on_a_grid(sets):
    """Sets with normal noise or, one in seven, a slip: that much or more, anywhere in one unit.

    A record of width ``w`` has the chance ``w`` given a slip below capacity, an open one a tenth.
    """
    slip, mean, var = 1 / 7, -0.4, 0.02
    noise = replace(NOISE, slip=slip, day_up=0.6, day_down=0.9)
    level = np.linspace(mean - 7 * np.sqrt(var), mean + 7 * np.sqrt(var), 401)
    form = np.linspace(-16 * DAY_SD, 16 * DAY_SD, 2001)
    able = level[:, None] + form
    chance = np.ones_like(able)
    for place, (low, high, bad) in enumerate(sets):
        shift = noise.fatigue * place + noise.unclean * bad
        above_low, above_high = (norm.sf((at - shift - able) / SET_SD) for at in (low, high))
        mass = min(high - low, 1.0) if np.isfinite(high - low) else 0.1
        chance *= (1 - slip) * (above_low - above_high) + slip * mass * above_low
    day = np.trapezoid(chance * day_density(form, noise), form, axis=1)
    expected = np.log(np.trapezoid(day * norm.pdf(level, mean, np.sqrt(var)), level))
    one = np.array([mean]), np.array([var])
    found, _ = evidence_slopes(panel_of([sets], [0.0]), noise, *one, 1.0)
    assert found == pytest.approx(expected, abs=0.05)


# tails --------------------------------------------------------------------------------------


@pytest.mark.parametrize("far", [0.0, 2.0, 6.0, 12.0, 30.0])
def test_interval_probability_is_exact_in_both_tails(far):
    low, high = far, far + 0.7
    # log of a difference of tails, by scipy's log survival function
    expected = norm.logsf(low) + np.log1p(-np.exp(norm.logsf(high) - norm.logsf(low)))
    assert above(low) - above(high) == pytest.approx(np.exp(expected), rel=1e-9)
    assert above(low) == pytest.approx(norm.sf(low), rel=1e-12)


def test_the_table_of_the_normal_tail_agrees_with_scipy():
    # scipy.special's erfcx and norm's sf, at knots of the table, between them, and beyond its end
    for z in np.concatenate(
        [np.arange(0.0, 42.0, 1 / 64), np.random.default_rng(4).uniform(0, 9, 500)]
    ):
        assert mills(z) == pytest.approx(np.sqrt(np.pi / 2) * erfcx(z / np.sqrt(2)), rel=1e-11)
        assert above(z) == pytest.approx(norm.sf(z), rel=1e-11, abs=1e-300)
        assert above(-z) == pytest.approx(norm.sf(-z), rel=1e-12)
    for z in (-36.0, -8.5, -0.3):
        assert mills(z) == pytest.approx(np.sqrt(np.pi / 2) * erfcx(z / np.sqrt(2)), rel=1e-11)
    for z in (-5.0, 0.0, 3.0, 39.0, 41.0, 1e4, 1e9):  # truncnorm's mean above z; 1 / z far out
        more = mills_and_more(z)[1]
        assert more == pytest.approx(truncnorm.mean(z, np.inf) - z if z < 8 else 1 / z, rel=2e-3)
    assert (above(np.inf), above(-np.inf)) == (0.0, 1.0)
    assert np.isnan(above(np.nan))


@pytest.mark.parametrize("at", [-5000.0, -300.0, -2.0, 0.0, 3.0, 60.0, 5000.0])
def test_intervals_have_a_finite_log_chance_however_far(at):
    shape = KNEE, knee_share(KNEE)
    chances = [log_between(at, at + width, *shape) for width in (0.1, 1.0, np.inf)]
    assert np.isfinite(chances).all()
    assert chances == sorted(chances)
    if -30 < at < 10:
        assert np.exp(log_between(-np.inf, at, *shape)) == pytest.approx(set_noise(at), rel=1e-3)
    assert log_between(-np.inf, np.inf, *shape) == 0.0
