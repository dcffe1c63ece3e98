"""What was learnt, moved to other dates, says on those what it said on its own."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pytest

from forecast.growth import PRIORS, GrowthConstants, GrowthFit, Pooled
from forecast.histories import Absences
from forecast.readiness import moved_back
from forecast.survival import HazardModel
from forecast.types import YEAR

SEASON = {"season_cos": 0.3, "season_sin": -0.1}
NAMES = ["fatigue", "season_sin", "season_cos"]


def fitted(names, chol):
    constants = GrowthConstants({n: p.mean for n, p in PRIORS.items()} | SEASON, seasonal=True)
    pooled = Pooled(np.zeros(6), np.eye(6), 0.0, np.zeros(1))
    return GrowthFit(constants, pooled, 1, names, chol, 0.0, 1)


def weeks(constants, day):
    return constants.clock.dose(1.5, 4.0, day)


@pytest.mark.parametrize("days", [1, 100, 800])
def test_the_season_of_the_training_clock_goes_along(days):
    fit = fitted(NAMES, np.diag([0.02, 0.1, 0.2]) + 0.01)
    moved = moved_back(fit, days)
    for day in (20000, 20100, 20300):
        assert weeks(moved.constants, day - days) == pytest.approx(weeks(fit.constants, day))
    # And of every draw of the constants: their value and the root times a normal one.
    for z in np.eye(3):
        ours, theirs = (
            one.constants.replaced(NAMES, one.constants.vector(NAMES) + one.chol @ z)
            for one in (fit, moved)
        )
        assert weeks(theirs, 20000 - days) == pytest.approx(weeks(ours, 20000))
        assert theirs.values["fatigue"] == pytest.approx(ours.values["fatigue"])
    alone = moved_back(fitted(["fatigue"], np.eye(1)), days)
    assert alone.chol.tolist() == [[1.0]]  # a log too short for a season
    assert fit.constants.values["season_cos"] == 0.3  # what was given stays as it was


def test_the_season_of_the_hazard_goes_along():
    days = 77
    model = HazardModel(
        centre=np.array([0.2, 0.1, -0.3]), scale=np.array([1.5, 0.6, 0.8]),
        names=["level", "season_cos", "season_sin"],
        weights=np.array([-2.0, 0.4, 0.5, -0.7, 9.0]), n_rungs=1, n_landmarks=9, n_events=3,
    )  # fmt: skip
    moved = moved_back(model, days)

    def told(model, day):
        turn = 2.0 * np.pi * day / YEAR
        x = np.array([0.5, np.cos(turn), np.sin(turn)])
        return model.weights[0] + model.weights[1:4] @ ((x - model.centre) / model.scale)

    for day in (20000, 20100, 20300):
        assert told(moved, day - days) == pytest.approx(told(model, day))
    assert moved.weights[[0, 1, 4]].tolist() == [-2.0, 0.4, 9.0]
    assert model.weights[2] == 0.5  # what was given stays as it was


@dataclass(frozen=True)
class Dated:
    day: np.ndarray
    other: np.ndarray


def test_dates_and_day_numbers_go_back_and_nothing_else():
    law = Absences(np.array([30.0]), np.array([20000.0]), np.array([0.1]), 0.01)
    made = {"law": law, "cut": pd.Timestamp("2025-03-10"), "rungs": ("a",), "seen": 5,
            "record": Dated(np.array([20000]), np.array([20000]))}  # fmt: skip
    moved = moved_back(made, 10)
    assert moved["cut"] == pd.Timestamp("2025-02-28")
    assert moved["law"].began.tolist() == [19990.0]
    assert moved["law"].length.tolist() == [30.0]
    assert (moved["record"].day[0], moved["record"].other[0]) == (20000, 20000)
    assert (moved["rungs"], moved["seen"]) == (("a",), 5)
    assert law.began[0] == 20000.0
    assert moved_back(Dated, 10) is Dated
