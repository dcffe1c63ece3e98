"""The last fitted model, kept beside the club file, so that the same question needs no new fit."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

import forecast
from forecast.errors import ForecastError
from forecast.log import TrainingLog

if TYPE_CHECKING:
    from forecast.model import ReadinessForecaster

NAME = "last_model-{}.zip"
PACKAGE = Path(forecast.__file__).parent


def kept_path(
    home: Path, settings: Mapping[str, int], log: TrainingLog, as_of: pd.Timestamp | None
) -> Path:
    """Return where a model of these records is kept, in the club's folder.

    The name tells records, cut date, the command's settings and the package's own code apart, so
    a model found there is the one that a fit would give.
    """
    said = hashlib.sha256()
    for part in (version("rungwise"), log.ladder, as_of, sorted(settings.items())):
        said.update(repr(part).encode())
    for frame in (log.sets, log.roster.reset_index()):
        said.update(repr(list(frame.columns)).encode())
        said.update(pd.util.hash_pandas_object(frame, index=False).to_numpy().tobytes())
    for path in sorted(PACKAGE.rglob("*.py")):
        said.update(path.read_bytes())
    return home / NAME.format(said.hexdigest()[:16])


def keep_model(path: Path, model: ReadinessForecaster) -> str:
    """Keep the model in place of the one before; return why not, where it can't be kept."""
    try:
        model.save(path)
        for old in path.parent.glob(NAME.format("*")):
            if old != path:
                old.unlink(missing_ok=True)
    except (ForecastError, OSError) as error:
        return f"the model is not kept for the next run: {error}"
    return ""
