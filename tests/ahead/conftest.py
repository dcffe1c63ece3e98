"""A look up the ladder of the small cohort, taken once a worker, with few paths."""

from __future__ import annotations

import copy

import pytest

from forecast.ahead import LadderAhead, ladder_ahead, look_up, settings_of, walk
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


@pytest.fixture(scope="session")
def ground(light_model, small_log, small_cut):
    """Where everybody of the small log stands, the pooled chances, and the forecast."""
    return look_up(light_model.view(small_log, small_cut))


@pytest.fixture(scope="session")
def walked(light_model, ground):
    """A walk of the small cohort, and its settings."""
    settings = settings_of(light_model, HORIZON)
    return walk(ground[0], settings, pooled=ground[1]), settings
