"""The last forecast, kept in the file of the model it came from: asked again, it is just read.

That file's name stands for records, cut date, settings and code, so what is read back is what
would be worked out anew; and it goes when the model goes.
"""

from __future__ import annotations

import io
import json
import zipfile
from dataclasses import asdict, dataclass
from pathlib import Path

import pandas as pd
from pydantic import TypeAdapter, ValidationError

from forecast.errors import ForecastError
from forecast.log import write_whole
from forecast.result import ReadinessForecast, forecast_of
from forecast.row import Row

_ROWS = TypeAdapter(tuple[Row, ...])
MOST_BYTES = 200_000_000


@dataclass(frozen=True, slots=True)
class Answer:
    """What ``weeks`` shows: a forecast, and why others have nothing open, by name."""

    forecast: ReadinessForecast
    nothing_open: dict[str, str]


def read_answer(model: Path, engine: str) -> Answer | None:
    """Return the answer kept with a model; ``None`` where there is none that holds together."""
    try:
        with zipfile.ZipFile(model) as archive:
            if archive.getinfo(_name(engine)).file_size > MOST_BYTES:
                return None
            kept = json.loads(archive.read(_name(engine)))
        rows = _ROWS.validate_python(kept["rows"])
        curve = pd.DataFrame(kept["curve"]).astype({"athlete": "str", "rung": "str"})
        chances = curve.groupby(["athlete", "rung"], sort=False)["p_cleared"]
        rising = curve["p_cleared"].between(0, 1).all() and (chances.diff().dropna() >= 0).all()
        if not rising or not all(_in_order(row) for row in rows):
            return None
        forecast = forecast_of(
            rows, curve, pd.Timestamp(kept["as_of"]), int(kept["horizon_weeks"]), engine
        )
        return Answer(forecast, {str(k): str(v) for k, v in kept["nothing_open"].items()})
    except (OSError, LookupError, TypeError, ValueError, ValidationError, zipfile.BadZipFile):
        return None  # whoever asks has to look at the model itself, and says what is wrong with it


def _in_order(row: Row) -> bool:
    """Whether weeks and chances of a row rise."""
    if row.wait is None:
        return True
    weeks = pd.Series([row.wait.low, row.wait.mid, row.wait.high]).dropna()
    chances = pd.Series(list(row.wait.chances.values()), dtype=float).dropna()
    return bool(weeks.is_monotonic_increasing and chances.is_monotonic_increasing)


def keep_answer(model: Path, answer: Answer) -> None:
    """Keep an answer in its model's file; where none is kept, it is worked out again."""
    forecast = answer.forecast
    kept = {
        "as_of": forecast.as_of.isoformat(),
        "horizon_weeks": forecast.horizon_weeks,
        "rows": [asdict(row) for row in forecast.rows],
        "curve": forecast.curve.to_dict("list"),
        "nothing_open": answer.nothing_open,
    }
    try:
        packed = io.BytesIO(model.read_bytes())
        with zipfile.ZipFile(packed, "a", zipfile.ZIP_DEFLATED) as archive:
            if _name(forecast.engine) in archive.namelist():
                return
            entry = zipfile.ZipInfo(_name(forecast.engine))  # no time of day: same bytes each run
            entry.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(entry, json.dumps(kept, default=str))
        write_whole(model, packed.getvalue())
    except (ForecastError, OSError, zipfile.BadZipFile):
        return  # as the model itself, which was not kept either, and a note said so


def _name(engine: str) -> str:
    return f"answer-{engine}.json"
