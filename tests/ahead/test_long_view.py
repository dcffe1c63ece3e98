"""The long view where nobody has climbed the rungs ahead: wide, neither sure nor hopeless."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import forecast as fc
from forecast.ahead import log_levels
from forecast.ladder import Criterion, Ladder, Rung

KEYS = [f"rung{n}" for n in range(6)]
SIX = Ladder(
    "Six holds",
    tuple(
        Rung(key, key, "holds", Criterion("seconds", 10.0), needs=tuple(KEYS[max(n - 1, 0) : n]))
        for n, key in enumerate(KEYS)
    ),
)
NINETEEN_MONTHS = 578


@pytest.mark.parametrize(
    "values", [(4.0, 5.0), pytest.param((8.0, 9.0), marks=pytest.mark.nightly)]
)
def test_two_sets_leave_the_top_of_six_rungs_wide_open(values):
    days = ["2025-01-06", "2025-01-09"]
    rows = [["Bo", "rung0", day, value] for day, value in zip(days, values, strict=True)]
    log = fc.read_log(pd.DataFrame(rows, columns=["athlete", "rung", "date", "value"]), SIX)
    model = fc.ReadinessForecaster(paths=128, draws=8).fit(log)
    ahead = model.ladder_ahead(log, horizon_weeks=320)
    top = ahead.by_day[-1]
    assert 0.05 <= top[NINETEEN_MONTHS] <= 0.70
    low, high = ((top >= share).argmax() if top[-1] >= share else len(top) for share in (0.1, 0.9))
    assert high / low >= 4


@pytest.mark.parametrize("linear", [-1.0, 0.0, 0.5, 0.85])
def test_levels_are_finite_whatever_the_scale(linear):
    latent = np.array([-1e4, -1.0, 0.0, 0.4, 1e4])
    found = log_levels(latent, linear)
    assert np.isfinite(found).all()
    assert (np.diff(found) >= 0).all()
    assert found[2] == pytest.approx(0.0, abs=1e-12)
    assert np.abs(found).max() <= np.log(1000.0) + 1e-12
