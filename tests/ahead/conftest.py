"""A look up the ladder of the small cohort, taken once a worker, with few paths."""

from __future__ import annotations

import copy

import pytest

from forecast.ahead import LadderAhead, ladder_ahead
from forecast.model import ReadinessForecaster

HORIZON = 120


@pytest.fixture(scope="session")
def light_model(small_model) -> ReadinessForecaster:
    """The small model, asked with fewer paths; do not change it."""
    return copy.copy(small_model).set_params(paths=256, draws=8)


@pytest.fixture(scope="session")
def small_climbing(light_model):
    """What the small log teaches about climbing."""
    return light_model.climbing_


@pytest.fixture(scope="session")
def small_ahead(light_model, small_log, small_cut) -> LadderAhead:
    """The small cohort's ladders; do not change it."""
    return ladder_ahead(
        light_model,
        small_log,
        small_cut,
        horizon_weeks=HORIZON,
        target_date="2025-12-01",
    )
