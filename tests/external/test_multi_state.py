"""Shares of people in each state over time, against R 4.2.2's survival package."""

from __future__ import annotations

import numpy as np
import pytest

from forecast.cohort import aalen_johansen
from forecast.survival import cumulative_incidence, kaplan_meier


def competing(time, kind, names):
    """Stretches from one starting state into those named; others are cut off there."""
    goal = np.array([names.index(k) + 1 if k in names else -1 for k in kind])
    n = len(goal)
    start, origin = np.zeros(n), np.zeros(n, dtype=np.int64)
    return aalen_johansen(start, np.asarray(time, dtype=float), origin, goal, ("entry", *names))


# R: survfit(Surv(t2, factor(kind)) ~ 1) on KMsurv/bmt (Klein & Moeschberger, section 4.7).
def test_relapse_and_death_as_states(load):
    table = load("KMsurv", "bmt")
    kind = np.where(table["d2"] == 1, "relapse", np.where(table["d1"] == 1, "death", "open"))
    shares = competing(table["t2"], kind, ["relapse", "death"]).at([100, 365, 730, 2000])
    np.testing.assert_allclose(shares["relapse"], [0.08029, 0.21217, 0.30120, 0.30870], atol=1e-5)
    np.testing.assert_allclose(shares["death"], [0.09489, 0.20479, 0.27894, 0.29649], atol=1e-5)
    np.testing.assert_allclose(shares.sum(axis=1), 1)


# Printed: Therneau, "Multi-state models and competing risks", vignette of R's survival package:
# men 8.7 years at entry, 1.1 with PCM, 10.3 dead. R: 8.675, 1.0647, 10.260.
def test_mean_years_in_state(gammopathy):
    men = gammopathy[gammopathy["sex"] == "M"]
    found = competing(men["time"], men["kind"], ["pcm", "death"])
    years = found.mean_time(240) / 12
    np.testing.assert_allclose(years, [8.675, 1.0647, 10.260], atol=1e-2)
    np.testing.assert_allclose(years, [8.7, 1.1, 10.3], atol=0.05)


# R survfit and scikit-survival, and our own cumulative incidence by another route.
def test_shares_of_all(gammopathy):
    found = competing(gammopathy["time"], gammopathy["kind"], ["pcm", "death"])
    shares = found.at([60, 120, 240])
    np.testing.assert_allclose(shares["pcm"], [0.034104, 0.063722, 0.099814], atol=1e-6)
    np.testing.assert_allclose(shares["death"], [0.320367, 0.531818, 0.724028], atol=1e-6)
    curves = cumulative_incidence(None, gammopathy["time"], gammopathy["kind"]).at([60, 120, 240])
    np.testing.assert_allclose(shares["pcm"], curves["pcm"], atol=1e-10)


@pytest.fixture
def illness(load):
    """Entry to PCM to death: the same people, who may die with PCM too."""
    table = load("survival", "mgus2")
    ill = (table["pstat"] == 1).to_numpy()
    ptime, ftime = (table[c].to_numpy(dtype=float) for c in ("ptime", "futime"))
    # Some die in the month of progression: that month is put off by a tenth.
    ftime = np.where(ill & (ftime <= ptime), ptime + 0.1, ftime)
    dead = (table["death"] == 1).to_numpy()
    first_goal = np.where(ill, 1, np.where(dead, 2, -1))
    start = np.concatenate([np.zeros(len(table)), ptime[ill]])
    stop = np.concatenate([np.where(ill, ptime, ftime), ftime[ill]])
    origin = np.concatenate([np.zeros(len(table)), np.ones(ill.sum())]).astype(np.int64)
    goal = np.concatenate([first_goal, np.where(dead[ill], 2, -1)])
    return (start, stop, origin, goal), ftime, dead


# Datta & Satten 2001: shares need no Markov property, so the dead are those of Kaplan-Meier; and
# leaving the starting state is one event whatever follows (exact).
def test_three_states_agree_with_two_simpler_curves(illness):
    stretches, time, dead = illness
    found = aalen_johansen(*stretches, ("entry", "pcm", "dead"))
    shares = found.at([60, 120, 240])
    overall = 1 - kaplan_meier(None, time, dead).at([60, 120, 240])
    np.testing.assert_allclose(shares["dead"], overall, atol=0.005)
    first = stretches[2] == 0
    leaving = kaplan_meier(None, stretches[1][first], stretches[3][first] >= 0)
    np.testing.assert_allclose(shares["entry"], leaving.at([60, 120, 240]), atol=1e-10)
    assert (shares["pcm"] < 0.1).all()


def test_without_cutting_off_shares_are_counts():
    # Ten people through three states at known times, none cut off.
    rng = np.random.default_rng(1)
    leave, done = np.sort(rng.uniform(1, 9, (10, 2)).round(2), axis=1).T
    start = np.concatenate([np.zeros(10), leave])
    stop = np.concatenate([leave, done])
    origin = np.repeat([0, 1], 10)
    found = aalen_johansen(start, stop, origin, origin + 1, ("a", "b", "c"))
    for time in (2, 4, 6):
        counted = [(leave > time).mean(), ((leave <= time) & (done > time)).mean(),
                   (done <= time).mean()]  # fmt: skip
        np.testing.assert_allclose(found.at([time]).iloc[0], counted, atol=1e-12)
