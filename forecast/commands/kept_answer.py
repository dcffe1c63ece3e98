"""The last forecast, kept in the file of the model it came from: asked again, it is just read.

That file's name stands for records, cut date, settings and code, so what is read back is what
would be worked out anew; and it goes when the model goes.
"""

from __future__ import annotations

import io
import json
import zipfile
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import pyarrow as pa

from forecast.errors import ForecastError
from forecast.log import write_whole
from forecast.readiness import ReadinessForecast

_TABLES = ("summary", "curve", "reasons")
_STAMP = (1980, 1, 1, 0, 0, 0)
"""A fixed time in the archive, as the model's own."""
_FOREIGN = (
    zipfile.BadZipFile, pa.ArrowException, LookupError, TypeError, ValueError, EOFError, OSError,
    RuntimeError,
)  # fmt: skip
"""What a damaged archive, or one that was tampered with, raises."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What ``weeks`` shows: a forecast, the states behind its marks, and who has nothing open.

    ``states`` is the table of ``plateau.plateaus`` with ``usual`` beside; ``nothing_open`` says of
    each athlete without a row why there is none.
    """

    forecast: ReadinessForecast
    states: pd.DataFrame
    nothing_open: dict[str, str]


def read_answer(model: Path, engine: str) -> Answer | None:
    """Return the answer kept with a model; nothing where there is none that can be read."""
    if not model.exists():
        return None
    try:
        with zipfile.ZipFile(model) as archive:
            said = json.loads(archive.read(f"{engine}.json"))
            summary, curve, reasons, states = (
                pd.read_parquet(io.BytesIO(archive.read(f"{engine}-{name}.parquet")))
                for name in (*_TABLES, "states")
            )
        forecast = ReadinessForecast(
            summary, curve, reasons, pd.Timestamp(said["as_of"]), int(said["horizon_weeks"]), engine
        )
        return Answer(forecast, states, dict(said["nothing_open"]))
    except _FOREIGN:
        return None  # whoever asks has to look at the model itself, and says what is wrong with it


def keep_answer(model: Path, answer: Answer) -> None:
    """Keep an answer in its model's file; where none is kept, it is worked out again."""
    told = answer.forecast
    tables = {name: getattr(told, name) for name in _TABLES} | {"states": answer.states}
    said = {
        "as_of": told.as_of.isoformat(),
        "horizon_weeks": told.horizon_weeks,
        "nothing_open": answer.nothing_open,
    }
    try:
        packed = io.BytesIO(model.read_bytes())
        with zipfile.ZipFile(packed, "a", zipfile.ZIP_DEFLATED) as archive:
            if f"{told.engine}.json" in archive.namelist():
                return
            for name, table in tables.items():
                entry = zipfile.ZipInfo(f"{told.engine}-{name}.parquet", _STAMP)
                archive.writestr(entry, table.to_parquet())
            archive.writestr(zipfile.ZipInfo(f"{told.engine}.json", _STAMP), json.dumps(said))
        write_whole(model, packed.getvalue())
    except (ForecastError, OSError):
        return  # as the model itself, which was not kept either, and a note said so
