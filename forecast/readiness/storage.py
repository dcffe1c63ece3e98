"""Save and load a fitted forecaster: a zip of one JSON text, no pickle."""

from __future__ import annotations

import dataclasses
import io
import json
import zipfile
import zlib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from forecast.errors import ModelFileError, NotFittedError
from forecast.growth import CohortHabits, GrowthConstants, GrowthFit, GrowthModel, Pooled
from forecast.histories import Absences, CohortRhythm
from forecast.log import MAX_PACKED, write_whole
from forecast.readiness.combine import Combiner
from forecast.readiness.engines import POOLED
from forecast.readiness.lapse import LapseModel
from forecast.readiness.schema import check_record, check_settings
from forecast.readiness.training import Engines
from forecast.survival import CommonScale, HazardModel, TreeHazard, Trees

FORMAT = 5
_ENTRY = "rungwise.json"
MAX_BYTES = 100_000_000
"""Bytes of a model once unpacked; one of the demo club has less than a hundredth of it."""
MAX_DEPTH = 40
"""Brackets within brackets; a saved model has a dozen."""
DTYPES = {"float64", "int64", "bool"}
"""Types of arrays in a saved model."""

_STAMP = (1980, 1, 1, 0, 0, 0)
"""A fixed time in the archive, so that the same model gives the same bytes."""
_RECORDS = {
    kind.__name__: kind
    for kind in (
        Absences, CohortHabits, CohortRhythm, Combiner, Engines, GrowthConstants, GrowthFit,
        GrowthModel, LapseModel, Pooled, CommonScale, HazardModel, TreeHazard,
        Trees, *(engine.record for engine in POOLED),
    )
}  # fmt: skip


def save_model(settings: dict[str, Any], learnt: dict[str, Any], path: str | Path) -> Path:
    """Write settings and learnt values to ``path``; nothing is left half-written.

    Raises
    ------
    NotFittedError
        Nothing has been learnt yet.
    ModelFileError
        Nothing can be written there.
    """
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
    """Return the settings and learnt values of a saved model.

    ``records`` are dataclasses that may stand in it beside those of this room and below.

    Raises
    ------
    ModelFileError
        The file is missing, not ours, damaged, or of another version.
    """
    if not isinstance(path, str | Path):
        raise ModelFileError(f"path = {path!r}; give the name of a file that save wrote.")
    try:
        with zipfile.ZipFile(path) as archive:
            entry = archive.getinfo(_ENTRY)
            if entry.file_size > min(MAX_BYTES, MAX_PACKED * max(entry.compress_size, 100_000)):
                raise _damaged(path, f"it unpacks to {entry.file_size} bytes")
            text = archive.read(entry)
            if _depth(text) > MAX_DEPTH:
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
    known = {**_RECORDS, **{kind.__name__: kind for kind in records}}
    try:
        settings = dict(content["settings"])
        check_settings(settings)
        return settings, dict(_unpack(content["learnt"], known))
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
        # what numpy and pandas make of tampered shapes and dates, and what the schema says
        raise _damaged(path, str(error)) from error


def _damaged(path: str | Path, why: str = "") -> ModelFileError:
    said = f" ({why.splitlines()[0]})" if why.strip() else ""
    return ModelFileError(
        f"{path}: this is not a saved forecaster, or it is damaged{said}; save it again."
    )


def _depth(text: bytes) -> int:
    """Count the deepest nesting of brackets, those within texts too: more than there are."""
    signs = np.frombuffer(text, dtype=np.uint8)
    steps = np.isin(signs, list(b"[{")).astype(np.int8) - np.isin(signs, list(b"]}"))
    return int(steps.cumsum(dtype=np.int32).max(initial=0))


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
    if isinstance(value, np.generic):
        return value.item()
    return value


def _unpack(value: Any, known: dict[str, type]) -> Any:
    if isinstance(value, list):
        return [_unpack(v, known) for v in value]
    if not isinstance(value, dict):
        return value
    if "record" in value:
        if value["record"] not in known:
            raise ModelFileError(f"The saved model holds an unknown part, {value['record']!r}.")
        fields = {name: _unpack(part, known) for name, part in value["fields"].items()}
        check_record(known[value["record"]], fields)
        return known[value["record"]](**fields)
    if "array" in value:
        if value["dtype"] not in DTYPES:
            raise ValueError(f"an array of {value['dtype']!r}")
        # numpy would make 1 of "1" and True alike
        found = np.array(value["array"])
        if found.size and found.dtype != value["dtype"]:
            raise ValueError(f"an array of {value['dtype']} holds {found.dtype}")
        return found.astype(value["dtype"]).reshape(value["shape"])
    if "date" in value:
        return pd.Timestamp(value["date"])
    if "tuple" in value:
        return tuple(_unpack(v, known) for v in value["tuple"])
    return {name: _unpack(part, known) for name, part in value["map"].items()}
