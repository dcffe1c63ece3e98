"""Save and load a fitted forecaster: a zip of one JSON text, no pickle; and move its dates.

Types of a saved model come from the records themselves; here stands what types do not say. A file
that breaks any of it was not written by ``save``.
"""

from __future__ import annotations

import dataclasses
import io
import json
import math
import zipfile
import zlib
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Annotated, Any, get_type_hints

import numpy as np
import pandas as pd
from pydantic import BaseModel, BeforeValidator, ConfigDict, ValidationError, create_model

from forecast.errors import ModelFileError, NotFittedError
from forecast.growth import PRIORS, CohortHabits, GrowthConstants, GrowthFit, GrowthModel, Pooled
from forecast.histories import Absences, CohortRhythm
from forecast.log import write_whole
from forecast.readiness import rules
from forecast.readiness.engines import POOLED
from forecast.readiness.lapse import LapseModel
from forecast.readiness.pool import Combiner, Engines
from forecast.survival import TREE_COLUMNS, TREE_FOLDS, CommonScale, HazardModel, TreeHazard, Trees
from forecast.types import YEAR, Array, Flags, Ints

FORMAT = 7
_ENTRY, _STAMP = "rungwise.json", (1980, 1, 1, 0, 0, 0)
"""A fixed name and time in the archive, so that the same model gives the same bytes."""
_SEASON = ("season_cos", "season_sin")
_RECORDS = {
    kind.__name__: kind
    for kind in (
        Absences, CohortHabits, CohortRhythm, Combiner, Engines, GrowthConstants, GrowthFit,
        GrowthModel, LapseModel, Pooled, CommonScale, HazardModel, TreeHazard,
        Trees, *(engine.record for engine in POOLED),
    )
}  # fmt: skip
_SHAPES: dict[str, dict[str, tuple[int | str, ...]]] = {
    "Absences": {"length": ("M",), "began": ("M",), "share": ("M",)},
    "ClubVerdict": {"shares": (3,), "habits": (11,)},
    "Climbing": {"carry_mean": (2,), "carry_cov": (2, 2), "delays": ("Q",)},
    "CommonScale": {"positions": ("R",)},
    "Combiner": {"weights": ("K", 3)},
    "CohortRhythm": {"ratios": ("Q",), "delays": ("Q",)},
    "Engines": {"edges": ("E",)},
    "GrowthFit": {"chol": ("P", "P")},
    "HazardModel": {"centre": ("F",), "scale": ("F",)},
    "LapseModel": {"weights": (6,), "cov": (6, 6)},
    "Pooled": {"common_mean": ("C",), "common_cov": ("C", "C")},
    "Trees": {
        **dict.fromkeys(("feature", "threshold", "left", "right", "value"), ("N",)),
        "roots": ("M",),
    },
}  # fmt: skip
"""Shapes of arrays; the same letter stands for the same length within a record."""
_POSITIVE = {
    "Absences.length", "Climbing.elasticity_sd", "Climbing.factor_sd", "CohortRhythm.median",
    "CohortRhythm.ratios",
    "GrowthConstants.session_weeks", "GrowthFit.n_rungs", "GrowthModel.reserve",
    "GrowthModel.units",
    "HazardModel.scale", "HazardModel.n_rungs", "ClubVerdict.shares", "CommonScale.scatter",
}  # fmt: skip
_NOT_NEGATIVE = {
    "Absences.share", "Absences.prior", "Climbing.clean_spread",
    "Climbing.delays", "CohortHabits.sets", "CohortRhythm.delays",
    "Combiner.n_athletes", "Combiner.n_landmarks", "Engines.edges", "GrowthFit.rounds",
    "GrowthModel.linear", "HazardModel.n_events", "HazardModel.n_landmarks", "ClubVerdict.looks",
    "SurvivalHazards.tree_share", "Trees.feature", "Trees.roots", "Pooled.lent", "Borrowed.trust",
}  # fmt: skip


def check_record(kind: type, fields: Mapping[str, Any]) -> None:
    """Raise ``ValueError`` if a field is missing, unknown, of another type or shape, or too far."""
    try:
        _schema(kind).model_validate(dict(fields))
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join([kind.__name__, *map(str, first["loc"])])
        raise ValueError(f"{place}: {first['msg'].removeprefix('Value error, ')}") from error
    lengths: dict[str, int] = {}
    for name, shape in _SHAPES.get(kind.__name__, {}).items():
        actual = fields[name].shape
        sized = [lengths.setdefault(n, m) if isinstance(n, str) else n
                 for n, m in zip(shape, actual, strict=False)]  # fmt: skip
        if len(actual) != len(shape) or list(actual) != sized:
            raise ValueError(f"{kind.__name__}.{name} has the shape {actual}")
    if not _fit_together(kind.__name__, fields):
        raise ValueError(f"parts of {kind.__name__} do not fit together")


def _fit_together(kind: str, fields: Mapping[str, Any]) -> bool:
    """Whether what has to fit between the fields of one record does."""
    if kind == "GrowthFit":
        fits = fields["pooled"].common_mean.size == 3 + 3 * fields["n_rungs"]
        fits &= len(fields["names"]) == len(fields["chol"])
        return bool(fits and set(fields["names"]) <= set(PRIORS))
    if kind == "GrowthConstants":
        return set(fields["values"]) == set(PRIORS)
    if kind == "HazardModel":
        return len(fields["weights"]) >= len(fields["centre"]) + fields["n_rungs"]
    if kind == "ClubVerdict":
        return bool(abs(fields["shares"].sum() - 1.0) < 1e-6)
    if kind == "SurvivalHazards":
        return fields["trees"].n_rungs == fields["ridge"].n_rungs and fields["tree_share"] <= 1
    if kind == "TreeHazard":
        fits = len(fields["scale"].positions) == fields["n_rungs"]
        fits &= len(fields["folds"]) in (0, TREE_FOLDS)
        return fits and all(trees.n_features == TREE_COLUMNS for trees in fields["folds"])
    if kind == "Engines":
        edges, learnt = fields["edges"], fields["learnt"]
        if learnt.keys() != {engine.name for engine in POOLED}:
            return False
        if not all(isinstance(learnt[engine.name], engine.record) for engine in POOLED):
            return False
        rungs = {engine.n_rungs(learnt[engine.name]) for engine in POOLED}
        fits = len(edges) > 1 and bool((np.diff(edges) > 0).all()) and len(rungs) == 1
        return fits and len(fields["combiner"].weights) == len(POOLED) - 1
    if kind == "Trees":
        # every step leads on to a later node, so that reading a tree ends
        n, nodes, leaf = len(fields["value"]), np.arange(len(fields["value"])), fields["left"] < 0
        fits = (fields["roots"] < n).all() and (fields["feature"] < fields["n_features"]).all()
        for side in ("left", "right"):
            onward = (fields[side] > nodes) & (fields[side] < n)
            fits = fits and ((fields[side] < 0) == leaf).all() and (leaf | onward).all()
        return bool(fits)
    return True


@cache
def _schema(kind: type) -> type[BaseModel]:
    """A record's types, each with what its field's name asks for beside it."""
    arrays = {str(Array): np.float64, str(Ints): np.int64, str(Flags): np.bool_}
    fields: dict[str, Any] = {}
    for field, hint in get_type_hints(kind).items():
        name, checked = f"{kind.__name__}.{field}", hint
        if str(hint) in arrays or hint in (float, int) or hint == dict[str, float]:
            dtype = arrays.get(str(hint))
            check = BeforeValidator(lambda value, n=name, d=dtype: _checked(n, value, d))
            checked = Annotated[Any if dtype else hint, check]
        fields[field] = (checked, ...)
    strict = ConfigDict(strict=True, extra="forbid", arbitrary_types_allowed=True)
    return create_model(kind.__name__, __config__=strict, **fields)


def _checked(name: str, value: Any, dtype: type[np.generic] | None) -> Any:
    """Return a number, array or table of numbers that is finite and in its range."""
    if dtype is not None and (not isinstance(value, np.ndarray) or value.dtype != dtype):
        raise ValueError(f"it is not an array of {dtype.__name__}")
    if dtype is np.bool_:
        return value
    numbers = np.asarray(list(value.values()) if isinstance(value, dict) else value)
    if numbers.dtype.kind not in "if" and numbers.size:
        raise ValueError("it is not a number")
    finite = np.isfinite(numbers)
    bounded = np.abs(np.where(finite, numbers, 0)) <= rules.LARGEST
    if not (finite & (bounded | name.endswith(".seed"))).all():
        raise ValueError("it holds a number that is not finite, or far too large")
    if name in _POSITIVE and not (numbers > 0).all():
        raise ValueError("it holds a number that is not above 0")
    if name in _NOT_NEGATIVE and not (numbers >= 0).all():
        raise ValueError("it holds a number below 0")
    return value


def save_model(settings: dict[str, Any], learnt: dict[str, Any], path: str | Path) -> Path:
    """Write settings and learnt values to ``path``, whole or not at all, or ``ModelFileError``."""
    if not learnt:
        raise NotFittedError("This forecaster has not been fitted; call fit(log) before saving.")
    if not isinstance(path, str | Path) or not str(path):
        raise ModelFileError(f"path = {path!r}; give the name of the file to write.")
    target = Path(path)
    if target.is_dir() or not target.parent.is_dir():
        raise ModelFileError(
            f"{path}: give the name of a file in a folder that is there; nothing was written."
        )
    content = {"format": FORMAT, "settings": settings, "learnt": _pack(learnt)}
    text = json.dumps(content, sort_keys=True, allow_nan=True)
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(zipfile.ZipInfo(_ENTRY, _STAMP), text, zipfile.ZIP_DEFLATED)
    return write_whole(target, packed.getvalue(), ModelFileError)


def read_model(
    path: str | Path, records: Sequence[type] = ()
) -> tuple[dict[str, Any], dict[str, Any]]:
    """Return the settings and learnt values of a saved model, or raise ``ModelFileError``.

    ``records`` are dataclasses that may stand in it beside those of this room and below.
    """
    if not isinstance(path, str | Path):
        raise ModelFileError(f"path = {path!r}; give the name of a file that save wrote.")
    try:
        with zipfile.ZipFile(path) as archive:
            entry = archive.getinfo(_ENTRY)
            most = min(rules.MAX_BYTES, rules.MOST_PACKED * max(entry.compress_size, 100_000))
            if entry.file_size > most:
                raise _damaged(path, f"it unpacks to {entry.file_size} bytes")
            text = archive.read(entry)
            signs = np.frombuffer(text, dtype=np.uint8)
            steps = np.isin(signs, list(b"[{")).astype(np.int8) - np.isin(signs, list(b"]}"))
            # brackets within texts too: more than there are
            if steps.cumsum(dtype=np.int32).max(initial=0) > rules.MAX_DEPTH:
                raise _damaged(path, "it is nested without end")
            content = json.loads(text)
    except FileNotFoundError as error:
        raise ModelFileError(f"{path}: there is no such file; check the name.") from error
    except (
        zipfile.BadZipFile, zlib.error, KeyError, ValueError, OSError, EOFError,
        RuntimeError,  # locked by a password; an unknown compression; nested without end
    ) as error:  # fmt: skip
        raise _damaged(path) from error
    if not isinstance(content, dict) or "format" not in content:
        raise _damaged(path)
    if content["format"] != FORMAT:
        raise ModelFileError(
            f"{path}: saved by another version (format {content.get('format')}, this one reads "
            f"{FORMAT}); fit and save again."
        )
    kinds = {**_RECORDS, **{kind.__name__: kind for kind in records}}
    try:
        return dict(content["settings"]), dict(_unpack(content["learnt"], kinds))
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
        # what numpy and pandas make of tampered shapes and dates, and what the schema says
        raise _damaged(path, str(error)) from error


def _damaged(path: str | Path, why: str = "") -> ModelFileError:
    reason = f" ({why.splitlines()[0]})" if why.strip() else ""
    return ModelFileError(
        f"{path}: this is not a saved forecaster, or it is damaged{reason}; save it again."
    )


def _pack(value: Any) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = {f.name: _pack(getattr(value, f.name)) for f in dataclasses.fields(value)}
        return {"record": type(value).__name__, "fields": fields}
    if isinstance(value, np.ndarray):
        return {"array": value.tolist(), "dtype": str(value.dtype), "shape": list(value.shape)}
    if isinstance(value, pd.Timestamp):
        return {"date": value.isoformat()}
    if isinstance(value, dict):
        return {"map": {str(k): _pack(v) for k, v in value.items()}}
    if isinstance(value, tuple):
        return {"tuple": [_pack(v) for v in value]}
    if isinstance(value, list):
        return [_pack(v) for v in value]
    return value.item() if isinstance(value, np.generic) else value


def _unpack(value: Any, kinds: dict[str, type]) -> Any:
    if isinstance(value, list):
        return [_unpack(v, kinds) for v in value]
    if not isinstance(value, dict):
        return value
    if "record" in value:
        if value["record"] not in kinds:
            raise ModelFileError(f"The saved model holds an unknown part, {value['record']!r}.")
        fields = {name: _unpack(field, kinds) for name, field in value["fields"].items()}
        check_record(kinds[value["record"]], fields)
        return kinds[value["record"]](**fields)
    if "array" in value:
        if value["dtype"] not in ("float64", "int64", "bool"):
            raise ValueError(f"an array of {value['dtype']!r}")
        # numpy would make 1 of "1" and True alike
        array = np.array(value["array"])
        if array.size and array.dtype != value["dtype"]:
            raise ValueError(f"an array of {value['dtype']} holds {array.dtype}")
        return array.astype(value["dtype"]).reshape(value["shape"])
    if "date" in value:
        return pd.Timestamp(value["date"])
    if "tuple" in value:
        return tuple(_unpack(v, kinds) for v in value["tuple"])
    return {name: _unpack(field, kinds) for name, field in value["map"].items()}


def moved_back(value: Any, days: int) -> Any:
    """Return a learnt value, as learnt from the same log with every date ``days`` earlier.

    The season is turned along: with the angle a of ``days``, cos x and sin x become cos (x + a)
    and sin (x + a), in the constants and in the draws around them alike.
    """
    if isinstance(value, pd.Timestamp):
        return value - pd.Timedelta(days=days)
    if isinstance(value, dict):
        return {name: moved_back(entry, days) for name, entry in value.items()}
    if not dataclasses.is_dataclass(value) or isinstance(value, type):
        return value
    moved = {f.name: moved_back(getattr(value, f.name), days) for f in dataclasses.fields(value)}
    angle = 2.0 * math.pi * days / YEAR
    turn = np.array([[math.cos(angle), math.sin(angle)], [-math.sin(angle), math.cos(angle)]])
    if isinstance(value, Absences):
        moved["began"] = moved["began"] - days
    if isinstance(value, GrowthFit):
        values, chol = dict(value.constants.values), value.chol.copy()
        turned = turn @ np.array([values[name] for name in _SEASON])
        values |= dict(zip(_SEASON, turned.tolist(), strict=True))
        at = [value.names.index(name) for name in _SEASON if name in value.names]
        if len(at) == len(_SEASON):
            chol[at] = turn @ chol[at]
        constants = dataclasses.replace(value.constants, values=values)
        moved |= {"constants": constants, "chol": chol}
    if isinstance(value, HazardModel):
        place = np.array([value.names.index(name) for name in _SEASON])
        weights, centre, scale = value.weights.copy(), value.centre.copy(), value.scale[place]
        # the first weight is the intercept's; the linear columns follow in the order of their names
        weights[1 + place] = (turn @ (weights[1 + place] / scale)) * scale
        centre[place] = turn @ centre[place]
        moved |= {"weights": weights, "centre": centre}
    return dataclasses.replace(value, **moved)
