from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from statsmodels.duration.survfunc import CumIncidenceRight

from forecast.errors import FitError, FitWarning
from forecast.survival import OutsideCurveError, cumulative_incidence, kaplan_meier

SEEDS = range(6)
KINDS = np.array(["open", "cleared", "lapsed"])


def spells(seed: int, n: int = 150):
    rng = np.random.default_rng(seed)
    exit = rng.integers(2, 30, n).astype(float)
    entry = np.where(rng.random(n) < 0.5, 0.0, np.minimum(rng.integers(0, 8, n), exit - 1))
    return entry, exit, KINDS[rng.integers(0, 3, n)]


@pytest.mark.parametrize("seed", SEEDS)
def test_agrees_with_statsmodels_without_late_entry(seed):
    _, exit, kind = spells(seed)
    # statsmodels divides by zero where the last spells watched all end.
    exit, kind = np.append(exit, 31.0), np.append(kind, "open")
    ours = cumulative_incidence(None, exit, kind)
    status = np.select([kind == "cleared", kind == "lapsed"], [1, 2], 0)
    other = CumIncidenceRight(exit, status)
    times = np.asarray(other.times)
    inside = times >= ours.time[0]
    table = ours.at(times)
    errors = ours.std_error[np.searchsorted(ours.time, times[inside], side="right") - 1]
    for column, name in enumerate(["cleared", "lapsed"]):
        np.testing.assert_allclose(table[name][inside], other.cinc[column][inside], atol=1e-12)
        np.testing.assert_allclose(errors[:, column], other.cinc_se[column][inside], atol=1e-10)


@pytest.mark.parametrize("seed", SEEDS)
def test_shares_of_all_kinds_and_the_open_add_up_to_one(seed):
    entry, exit, kind = spells(seed)
    curves = cumulative_incidence(entry, exit, kind)
    open_share = kaplan_meier(entry, exit, kind != "open")
    np.testing.assert_allclose(curves.incidence.sum(axis=1) + curves.survival, 1, atol=1e-10)
    np.testing.assert_allclose(curves.survival, open_share.survival, atol=1e-12)
    assert (np.diff(curves.incidence, axis=0) >= 0).all()


@pytest.mark.parametrize("seed", SEEDS)
def test_one_kind_is_kaplan_meier_with_greenwoods_error(seed):
    entry, exit, kind = spells(seed)
    kind = np.where(kind == "open", "open", "cleared")
    curves = cumulative_incidence(entry, exit, kind)
    plain = kaplan_meier(entry, exit, kind == "cleared")
    alive = plain.survival > 0
    np.testing.assert_allclose(curves.incidence[:, 0], 1 - plain.survival, atol=1e-10)
    np.testing.assert_allclose(curves.std_error[alive, 0], plain.std_error[alive], atol=1e-8)


# Two events of different kinds in four spells, by hand: S is 1, then 3/4, then 3/8.
def test_four_spells_by_hand():
    curves = cumulative_incidence(None, [1, 2, 3, 4], ["lapsed", "open", "cleared", "open"])
    assert curves.kinds == ("cleared", "lapsed")
    assert curves.at([1, 3])["lapsed"].tolist() == [0.25, 0.25]
    assert curves.at([1, 3])["cleared"].tolist() == [0, 0.375]
    assert curves.frame().shape == (4, 7)
    with pytest.raises(OutsideCurveError, match="from 0 to 4"):
        curves.at(5)


# 400 redrawn cohorts: the delta-method error against the spread of the estimates.
def test_standard_error_is_the_spread_over_cohorts():
    rng = np.random.default_rng(0)
    estimates, errors = [], []
    for _ in range(400):
        cleared, lapsed, cut = (rng.exponential(scale, 100) for scale in (8, 15, 20))
        exit = np.minimum(np.minimum(cleared, lapsed), cut)
        kind = np.select([exit == cleared, exit == lapsed], ["cleared", "lapsed"], "open")
        curves = cumulative_incidence(None, exit, kind)
        estimates.append(curves.at(6)["lapsed"].item())
        row = int(np.searchsorted(curves.time, 6, side="right")) - 1
        errors.append(curves.std_error[row, curves.kinds.index("lapsed")])
    rate = 1 / 8 + 1 / 15
    truth = (1 / 15) / rate * -np.expm1(-6 * rate)
    assert np.mean(estimates) == pytest.approx(truth, abs=0.008)
    assert np.mean(errors) == pytest.approx(np.std(estimates), rel=0.12)


def test_since_looks_only_at_what_came_later():
    curves = cumulative_incidence(
        [0, 0, 3, 3], [2, 6, 5, 8], ["lapsed", "cleared", "lapsed", "open"], since=3
    )
    assert curves.start == 3
    assert curves.at([4, 5])["lapsed"].tolist() == pytest.approx([0, 1 / 3])


def test_a_lost_start_warns():
    with pytest.warns(FitWarning, match="0 at 2.*although 2 others"):
        cumulative_incidence([0, 3, 3], [2, 5, 8], ["lapsed", "cleared", "open"])


@pytest.mark.parametrize(
    ("kind", "message"),
    [
        (["open", "open"], "No spell ended"),
        (["cleared", None], "missing at position 1"),
        (["cleared"], "one value a spell"),
    ],
)
def test_unusable_rows_are_refused_in_words(kind, message):
    with pytest.raises(FitError, match=message):
        cumulative_incidence(None, [1, 2], pd.Series(kind, dtype=object))
