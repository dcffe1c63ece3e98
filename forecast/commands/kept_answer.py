"""The last forecast, kept in the file of the model it came from: asked again, it is just read.

That file's name stands for records, cut date, settings and code, so what is read back is what
would be worked out anew; and it goes when the model goes.
"""

from __future__ import annotations

import io
import zipfile
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from forecast.errors import ForecastError
from forecast.log import add_tables, read_tables, write_whole
from forecast.readiness import ReadinessForecast

_TABLES = ("summary", "curve", "reasons")


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
    try:
        said, tables = read_tables(model, engine)
        forecast = ReadinessForecast(
            **{name: tables[name] for name in _TABLES},
            as_of=pd.Timestamp(said["as_of"]),
            horizon_weeks=int(said["horizon_weeks"]),
            engine=engine,
        )
        return Answer(forecast, tables["states"], dict(said["nothing_open"]))
    except (OSError, LookupError, TypeError, ValueError):
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
        add_tables(packed, told.engine, said, tables)
        write_whole(model, packed.getvalue())
    except (ForecastError, OSError, zipfile.BadZipFile):
        return  # as the model itself, which was not kept either, and a note said so
