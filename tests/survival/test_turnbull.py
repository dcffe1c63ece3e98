from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize

from forecast.errors import FitError
from forecast.survival import OutsideCurveError, kaplan_meier, turnbull

SEEDS = range(6)


def looks(seed: int, n: int = 80):
    """Clearing times seen only on each spell's own session days; some never seen cleared."""
    rng = np.random.default_rng(seed)
    true = 8 * rng.weibull(1.3, n)
    every = rng.integers(1, 5, n)
    low = np.floor(true / every) * every
    high = low + every
    last_look = rng.integers(0, 20, n).astype(float)
    return np.minimum(low, last_look), np.where(high > last_look, np.inf, high), true


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("late", [False, True])
def test_exact_times_give_kaplan_meier(seed, late):
    rng = np.random.default_rng(seed)
    exit = rng.integers(3, 25, 90).astype(float)
    event = rng.random(90) < 0.6
    # Many are watched from the origin, so that no early risk set dies out.
    entry = np.where(rng.random(90) < 0.5, 0.0, np.minimum(rng.integers(0, 6, 90), exit - 1))
    entry = entry if late else None
    curve = turnbull(exit, np.where(event, exit, np.inf), entry=entry)
    times = np.arange(0, exit[event].max() + 1)
    expected = kaplan_meier(entry, exit, event).at(times)
    np.testing.assert_allclose(curve.at(times), expected, atol=1e-7)


@pytest.mark.parametrize("seed", SEEDS)
def test_times_seen_to_the_week_give_kaplan_meier_of_the_weeks(seed):
    rng = np.random.default_rng(seed)
    exit = rng.integers(1, 25, 90).astype(float)
    event = rng.random(90) < 0.6
    curve = turnbull(np.where(event, exit - 1, exit), np.where(event, exit, np.inf))
    times = np.arange(0, exit[event].max() + 1)
    np.testing.assert_allclose(
        curve.at(times), kaplan_meier(None, exit, event).at(times), atol=1e-7
    )


# Route two: the same likelihood, given to a general-purpose optimiser on the logits of the masses.
@pytest.mark.parametrize("seed", SEEDS[:3])
def test_no_other_masses_are_likelier(seed):
    low, high, _ = looks(seed, n=40)
    curve = turnbull(low, high)
    cuts = np.unique(np.concatenate([low, high[np.isfinite(high)]]))
    left, right = cuts, np.concatenate([cuts[1:], [np.inf]])
    covers = (left >= low[:, None]) & (right <= high[:, None])

    def minus_log_likelihood(logits):
        mass = np.exp(logits - logits.max())
        mass /= mass.sum()
        own = covers @ mass
        slope = (covers / own[:, None]).sum(axis=0)
        return -np.log(own).sum(), -mass * (slope - len(low))

    best = minimize(
        minus_log_likelihood,
        np.zeros(len(left)),
        jac=True,
        method="L-BFGS-B",
        options={"maxiter": 5000, "ftol": 1e-15, "gtol": 1e-9},
    )
    # Logits reach a mass of 0 only in the limit, so the other route ends a little lower.
    assert -1e-9 < curve.log_likelihood + best.fun < 2e-3


@pytest.mark.parametrize("seed", SEEDS)
def test_laws_of_the_masses(seed):
    low, high, _ = looks(seed)
    curve = turnbull(low, high)
    assert (curve.mass > 0).all()
    assert curve.mass.sum() == pytest.approx(1, abs=1e-12)
    assert (curve.right[:-1] <= curve.left[1:]).all()
    assert 0 <= curve.kkt_gap + 1e-15 <= 1e-9
    floor, ceiling = curve.bounds(np.linspace(0, 30, 200))
    assert (floor <= ceiling + 1e-12).all()
    assert (np.diff(ceiling) <= 1e-12).all()
    order = np.random.default_rng(seed).permutation(len(low))
    np.testing.assert_allclose(turnbull(low[order], high[order]).mass, curve.mass, atol=1e-6)


def test_many_spells_recover_the_truth():
    low, high, _ = looks(1, n=6000)
    curve = turnbull(low, high)
    times = np.arange(1.0, 15.0)
    floor, ceiling = curve.bounds(times)
    truth = np.exp(-((times / 8) ** 1.3))
    assert (floor - 0.04 < truth).all()
    assert (truth < ceiling + 0.04).all()


def test_inside_an_interval_the_answer_is_a_range():
    curve = turnbull([0, 4], [4, np.nan])
    assert curve.frame()[["left", "right", "mass"]].to_numpy().tolist() == [
        [0, 4, 0.5],
        [4, np.inf, 0.5],
    ]
    assert curve.at(4) == 0.5
    floor, ceiling = curve.bounds([0, 2, 4, 5])
    assert floor.tolist() == [1, 0.5, 0.5, 0]
    assert ceiling.tolist() == [1, 1, 0.5, 0.5]
    with pytest.raises(OutsideCurveError, match=r"between 0\.500 and 1\.000"):
        curve.at([0, 2])
    with pytest.raises(OutsideCurveError, match="starts at 0"):
        curve.bounds(-1)


def test_a_fit_that_has_not_converged_raises():
    low, high, _ = looks(0)
    with pytest.raises(FitError, match="not converged after 2 iterations"):
        turnbull(low, high, max_iterations=2)


@pytest.mark.parametrize(
    ("lower", "upper", "entry", "message"),
    [
        ([1, 2], [2], None, "one value a spell"),
        ([], [], None, "no spells"),
        ([1, np.nan], [2, 3], None, "position 1"),
        ([1, -1], [2, 3], None, "negative"),
        ([1, 5], [2, 3], None, "before they were last known open.*position 1"),
        ([1, 2], [2, 3], [0, 2.5], "after their lower time.*position 1"),
        ([1, 2], [2, 3], [0, -np.inf], "infinite entry"),
    ],
)
def test_unusable_rows_are_refused_in_words(lower, upper, entry, message):
    with pytest.raises(FitError, match=message):
        turnbull(lower, upper, entry=entry)


def test_arguments_stay_as_they_are():
    upper = np.array([2.0, np.nan])
    turnbull([1, 2], upper)
    assert np.isnan(upper[1])
