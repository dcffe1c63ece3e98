"""What every part of a saved model must be: types, finite numbers, shapes and ranges.

The types come from the records themselves; here stands what types do not say. A file that breaks
any of it was not written by ``save``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from typing import Annotated, Any, get_type_hints

import numpy as np
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, create_model

from forecast.growth import PRIORS
from forecast.readiness.engines import GROWTH, POOLED, PooledEngine
from forecast.survival import TREE_COLUMNS, TREE_FOLDS
from forecast.types import Array, Flags, Ints

MAX_WEEKS, MAX_PATHS, MAX_DRAWS, MAX_SEED = 1_040, 65_536, 4_096, 2**63 - 1
"""Largest settings a saved model may bring: a forecast would take gigabytes beyond them."""

_LARGEST = 1e9
"""Bound of every number but day numbers and seeds are far below (judgement)."""

_SHAPES: dict[str, dict[str, tuple[int | str, ...]]] = {
    "Absences": {"length": ("M",), "began": ("M",), "share": ("M",)},
    "ClubVerdict": {"shares": (3,)},
    "Climbing": {"carry_mean": (2,), "carry_cov": (2, 2), "cleared": ("R",), "delays": ("Q",)},
    "CommonScale": {"positions": ("R",)},
    "Combiner": {"weights": ("K", 3)},
    "CohortRhythm": {"ratios": ("Q",), "delays": ("Q",)},
    "Engines": {"edges": ("E",)},
    "GrowthFit": {"chol": ("P", "P")},
    "HazardModel": {"centre": ("F",), "scale": ("F",)},
    "LapseModel": {"weights": (6,), "cov": (6, 6)},
    "Pooled": {"common_mean": ("C",), "common_cov": ("C", "C")},
    "RungTimes": {
        **dict.fromkeys(("base", "slope", "rest", "athlete"), ("K",)),
        "rung": ("K", "R"),
        "shape": ("K", "Q"),
    },
    "Trees": {
        **dict.fromkeys(("feature", "threshold", "left", "right", "value"), ("N",)),
        "roots": ("M",),
    },
}
"""Shapes of arrays; the same letter stands for the same length within a record."""

_POSITIVE = {
    "Absences.length", "Climbing.elasticity_sd", "CohortRhythm.median", "CohortRhythm.ratios",
    "GrowthConstants.session_weeks", "GrowthFit.n_rungs", "GrowthModel.units", "HazardModel.scale",
    "HazardModel.n_rungs", "RungTimes.rest", "RungTimes.athlete",
    "ClubVerdict.shares",
    "CommonScale.scatter",
}  # fmt: skip
_NOT_NEGATIVE = {
    "Absences.share", "Absences.prior", "Climbing.cleared", "Climbing.clean_spread",
    "Climbing.delays", "Climbing.n_carry", "CohortHabits.sets", "CohortRhythm.delays",
    "Combiner.n_athletes", "Combiner.n_landmarks", "Engines.edges", "GrowthFit.rounds",
    "GrowthModel.linear", "HazardModel.n_events", "HazardModel.n_landmarks", "ClubVerdict.looks",
    "RungTimes.n_spells",
    "SurvivalHazards.tree_share", "Trees.feature", "Trees.roots",
}  # fmt: skip


class _Settings(BaseModel):
    """The forecaster's settings; a setting left out keeps what it stands at."""

    model_config = ConfigDict(strict=True, extra="forbid")

    horizon_weeks: Annotated[int, Field(ge=1, le=MAX_WEEKS)] = 52
    random_state: Annotated[int, Field(ge=0, le=MAX_SEED)] = 0
    paths: Annotated[int, Field(ge=4, le=MAX_PATHS)] = 2048
    draws: Annotated[int, Field(ge=2, le=MAX_DRAWS)] = 64
    lapse_weeks: Annotated[float, Field(gt=0, le=MAX_WEEKS)] = 12.0


def check_settings(settings: Mapping[str, Any]) -> None:
    """Check the settings of a saved model.

    Raises
    ------
    ValueError
        One is unknown, of another type, or out of range; said with its name.
    """
    try:
        _Settings.model_validate(dict(settings))
    except ValidationError as error:
        raise ValueError(_said("settings", error)) from error


def check_record(kind: type, fields: Mapping[str, Any]) -> None:
    """Check the fields of a record before it is made.

    Raises
    ------
    ValueError
        One is missing, unknown, of another type or shape, not finite, or out of range.
    """
    try:
        _schema(kind).model_validate(dict(fields))
    except ValidationError as error:
        raise ValueError(_said(kind.__name__, error)) from error
    lengths: dict[str, int] = {}
    for name, shape in _SHAPES.get(kind.__name__, {}).items():
        found = fields[name].shape
        sized = [lengths.setdefault(n, m) if isinstance(n, str) else n
                 for n, m in zip(shape, found, strict=False)]  # fmt: skip
        if len(found) != len(shape) or list(found) != sized:
            raise ValueError(f"{kind.__name__}.{name} has the shape {found}")
    _check_between(kind.__name__, fields)


def _check_between(kind: str, fields: Mapping[str, Any]) -> None:
    """Check what has to fit between the fields of one record."""
    fits = True
    if kind == "GrowthFit":
        fits = fields["pooled"].common_mean.size == 3 + 3 * fields["n_rungs"]
        fits &= len(fields["names"]) == len(fields["chol"]) and set(fields["names"]) <= set(PRIORS)
    elif kind == "GrowthConstants":
        fits = set(fields["values"]) == set(PRIORS)
    elif kind == "HazardModel":
        fits = len(fields["weights"]) >= len(fields["centre"]) + fields["n_rungs"]
    elif kind == "Engines":
        fits = len(fields["edges"]) > 1 and bool((np.diff(fields["edges"]) > 0).all())
        fits &= fields["learnt"].keys() == {engine.name for engine in POOLED}
        fits = fits and len(fields["combiner"].weights) == len(POOLED) - 1
        fits = fits and all(_of_this_ladder(engine, fields) for engine in POOLED)
    elif kind == "ClubVerdict":
        fits = bool(abs(fields["shares"].sum() - 1.0) < 1e-6)
    elif kind == "Trees":
        # every step leads on to a later node, so that reading a tree ends
        n, nodes = len(fields["value"]), np.arange(len(fields["value"]))
        leaf = fields["left"] < 0
        fits = bool((fields["roots"] < n).all()) and bool(
            (fields["feature"] < fields["n_features"]).all()
        )
        for side in ("left", "right"):
            onward = (fields[side] > nodes) & (fields[side] < n)
            fits = fits and bool(((fields[side] < 0) == leaf).all()) and bool((leaf | onward).all())
    elif kind == "SurvivalHazards":
        fits = fields["trees"].n_rungs == fields["ridge"].n_rungs and fields["tree_share"] <= 1
    elif kind == "TreeHazard":
        fits = len(fields["scale"].positions) == fields["n_rungs"]
        fits &= len(fields["folds"]) in (0, TREE_FOLDS)
        fits &= all(trees.n_features == TREE_COLUMNS for trees in fields["folds"])
    if not fits:
        raise ValueError(f"parts of {kind} do not fit together")


def _of_this_ladder(engine: PooledEngine, fields: Mapping[str, Any]) -> bool:
    """Whether what an engine learnt is its record, and of as many rungs as the growth engine's."""
    learnt, n_rungs = fields["learnt"][engine.name], fields["learnt"][GROWTH.name].fit.n_rungs
    return isinstance(learnt, engine.record) and getattr(learnt, "n_rungs", n_rungs) == n_rungs


@cache
def _schema(kind: type) -> type[BaseModel]:
    fields: dict[str, Any] = {
        name: (_checked(f"{kind.__name__}.{name}", hint), ...)
        for name, hint in get_type_hints(kind).items()
    }
    strict = ConfigDict(strict=True, extra="forbid", arbitrary_types_allowed=True)
    return create_model(kind.__name__, __config__=strict, **fields)


def _checked(name: str, hint: Any) -> Any:
    """Return a type with what its name asks for beside it."""
    arrays = {str(Array): np.float64, str(Ints): np.int64, str(Flags): np.bool_}
    if str(hint) in arrays:
        dtype = arrays[str(hint)]
        return Annotated[Any, BeforeValidator(lambda value: _array(name, value, dtype))]
    if hint in (float, int) or hint == dict[str, float]:
        return Annotated[hint, BeforeValidator(lambda value: _number(name, value))]
    return hint


def _array(name: str, value: Any, dtype: type[np.generic]) -> Any:
    if not isinstance(value, np.ndarray) or value.dtype != dtype:
        raise ValueError(f"it is not an array of {dtype.__name__}")
    if value.dtype == np.bool_:
        return value
    return _number(name, value)


def _number(name: str, value: Any) -> Any:
    """Return a number, array or table of numbers that is finite and in its range."""
    numbers = np.asarray(list(value.values()) if isinstance(value, dict) else value)
    if numbers.dtype.kind not in "if" and numbers.size:
        raise ValueError("it is not a number")
    finite = np.isfinite(numbers)
    bounded = np.abs(np.where(np.isfinite(numbers), numbers, 0)) <= _LARGEST
    if not (finite & (bounded | name.endswith(".seed"))).all():
        raise ValueError("it holds a number that is not finite, or far too large")
    if name in _POSITIVE and not (numbers > 0).all():
        raise ValueError("it holds a number that is not above 0")
    if name in _NOT_NEGATIVE and not (numbers >= 0).all():
        raise ValueError("it holds a number below 0")
    return value


def _said(where: str, error: ValidationError) -> str:
    first = error.errors()[0]
    place: Sequence[Any] = first["loc"]
    said = first["msg"].removeprefix("Value error, ")
    return f"{'.'.join([where, *map(str, place)])}: {said}"
