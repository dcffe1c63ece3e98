"""The informed reference: honest on its own world, and better than a straight line."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from reference.informed import informed_forecast
from slow import day_and_night

from forecast.errors import SimulationError
from forecast.simulate import simulate_cohort

CUT = pd.Timestamp("2025-03-03")
HORIZON = 52


@pytest.fixture(scope="module", params=day_and_night(["steady", "ceiling"], {"steady"}))
def world(request):
    cohort = simulate_cohort(request.param, 40, seed=21, weeks=80, lapse_rate=0.0)
    return cohort, informed_forecast(cohort, CUT, n_particles=1000, seed=3)


def wide(curve):
    return curve.pivot(index=["athlete", "rung"], columns="week", values="p_cleared")


def outcomes(cohort, index):
    truth = cohort.truth.set_index(["athlete", "rung"]).loc[index]
    weeks = (truth["cleared_no_lapse"] - CUT).dt.days / 7
    return weeks.fillna(np.inf).to_numpy()


def crps(p_cleared, weeks):
    """Sum over weeks of (F - 1)^2 or F^2, steps of a week (Gneiting & Raftery 2007, eq. 20)."""
    reached = weeks[:, None] <= np.arange(1, HORIZON + 1)
    return ((p_cleared - reached) ** 2).sum(axis=1)


def straight_line(cohort, index):
    """Date on which a least-squares line through each session's best clean set crosses."""
    sets = cohort.sets[
        (cohort.sets["date"] < CUT) & cohort.sets["clean"] & ~cohort.sets["assisted"]
    ]
    best = sets.groupby(["athlete", "rung", "date"])["value"].max().reset_index()
    weeks = {}
    for key, part in best.groupby(["athlete", "rung"]):
        x = (part["date"] - CUT).dt.days.to_numpy() / 7
        slope, at_cut = np.polyfit(x, part["value"], 1) if len(x) > 1 else (0.0, 0.0)
        target = cohort.ladder.rung(key[1]).criterion.target
        weeks[key] = (target - at_cut) / slope if slope > 0 else np.inf
    crossing = np.array([weeks.get(key, np.inf) for key in index])
    return (crossing[:, None] <= np.arange(1, HORIZON + 1)).astype(float)


def test_curves_are_chances_that_never_fall(world):
    _, curve = world
    table = wide(curve).to_numpy()
    assert table.shape[1] == HORIZON
    assert ((table >= 0) & (table <= 1)).all()
    assert (np.diff(table, axis=1) >= 0).all()


def test_it_covers_just_the_rungs_open_at_the_cut(world):
    cohort, curve = world
    truth, sets = cohort.truth, cohort.sets[cohort.sets["date"] < CUT]
    begun = pd.MultiIndex.from_frame(sets[["athlete", "rung"]].drop_duplicates())
    over = truth[(truth["cleared"] < CUT)][["athlete", "rung"]]
    expected = begun.difference(pd.MultiIndex.from_frame(over))
    assert set(wide(curve).index) == {
        key for key in expected if key in set(zip(truth["athlete"], truth["rung"], strict=True))
    }


def test_it_beats_a_straight_line_by_far(world):
    cohort, curve = world
    table = wide(curve)
    weeks = outcomes(cohort, table.index)
    informed = crps(table.to_numpy(), weeks).mean()
    line = crps(straight_line(cohort, table.index), weeks).mean()
    assert informed < 0.6 * line


def test_it_beats_the_same_curve_for_everybody(world):
    cohort, curve = world
    table = wide(curve)
    weeks = outcomes(cohort, table.index)
    same = np.tile(table.mean(axis=0), (len(table), 1))
    assert crps(table.to_numpy(), weeks).mean() < crps(same, weeks).mean()


def test_its_chances_come_true_about_as_often_as_it_says(world):
    cohort, curve = world
    table = wide(curve)
    weeks = outcomes(cohort, table.index)
    for week in (4, 12, 26):
        said = table[week].to_numpy()
        error = np.sqrt((said * (1 - said)).sum()) / len(said)
        # athletes share rungs and their two open rungs, hence four and not two standard errors
        assert abs((weeks <= week).mean() - said.mean()) < 4 * error + 0.02


def test_same_seed_same_forecast_and_nothing_after_the_cut_matters(world):
    law = world[0].law
    cohort = simulate_cohort(law, 5, seed=21, weeks=80, lapse_rate=0.0)
    sets = cohort.sets[cohort.sets["date"] < CUT]
    truth = cohort.truth.assign(
        cleared=cohort.truth["cleared"].where(cohort.truth["cleared"] < CUT)
    )
    truth["cleared_no_lapse"] = truth["cleared"]
    blind = replace(cohort, sets=sets, truth=truth)
    assert len(sets) < len(cohort.sets)
    again, curve = (informed_forecast(c, CUT, n_particles=200, seed=3) for c in (blind, cohort))
    pd.testing.assert_frame_equal(again, curve)


def test_a_day_without_open_rungs_is_refused(world):
    cohort, _ = world
    with pytest.raises(SimulationError, match="No rung is open on 2023-12-01"):
        informed_forecast(cohort, "2023-12-01", n_particles=10, seed=1)
