"""What was learnt from a log, as learnt from the same log with other dates."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
import pandas as pd

from forecast.growth import GrowthFit
from forecast.histories import Absences
from forecast.log import YEAR_DAYS
from forecast.survival import HazardModel
from forecast.types import Array

_SEASON = ("season_cos", "season_sin")


def moved_back(value: Any, days: int) -> Any:
    """Return a learnt value with every date in it ``days`` earlier.

    The season is turned along: with the angle a of ``days``, cos x and sin x become cos (x + a)
    and sin (x + a), in the constants and in the draws around them alike.

    Parameters
    ----------
    value
        A record, a date, a table of these by name, or anything without dates.
    days
        Days.
    """
    if isinstance(value, pd.Timestamp):
        return value - pd.Timedelta(days=days)
    if isinstance(value, dict):
        return {name: moved_back(part, days) for name, part in value.items()}
    if not dataclasses.is_dataclass(value) or isinstance(value, type):
        return value
    parts = {field.name: getattr(value, field.name) for field in dataclasses.fields(value)}
    moved = {name: moved_back(part, days) for name, part in parts.items()}
    if isinstance(value, Absences):
        moved["began"] = moved["began"] - days
    if isinstance(value, GrowthFit):
        moved |= _turned_growth(value, days)
    if isinstance(value, HazardModel):
        moved |= _turned_hazard(value, days)
    return dataclasses.replace(value, **moved)


def _turn(days: int) -> Array:
    angle = 2.0 * math.pi * days / YEAR_DAYS
    return np.array([[math.cos(angle), math.sin(angle)], [-math.sin(angle), math.cos(angle)]])


def _turned_hazard(model: HazardModel, days: int) -> dict[str, Any]:
    """Return weights and centres of the scaled columns with the season turned."""
    at = np.array([model.names.index(name) for name in _SEASON])
    weights, centre = model.weights.copy(), model.centre.copy()
    scale = model.scale[at]
    # the first weight is the intercept's; the linear columns follow in the order of their names
    weights[1 + at] = (_turn(days) @ (weights[1 + at] / scale)) * scale
    centre[at] = _turn(days) @ centre[at]
    return {"weights": weights, "centre": centre}


def _turned_growth(fit: GrowthFit, days: int) -> dict[str, Any]:
    """Return the constants and their draws with the season turned."""
    turn = _turn(days)
    values = dict(fit.constants.values)
    turned = turn @ np.array([values[name] for name in _SEASON])
    values |= dict(zip(_SEASON, turned.tolist(), strict=True))
    chol = fit.chol.copy()
    at = [fit.names.index(name) for name in _SEASON if name in fit.names]
    if len(at) == len(_SEASON):
        chol[at] = turn @ chol[at]
    return {"constants": dataclasses.replace(fit.constants, values=values), "chol": chol}
