"""The last fitted model, kept beside the club file, so that the same question needs no new fit."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

import forecast
from forecast.errors import ForecastError, ModelFileError
from forecast.log import TrainingLog, code_digest

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
    said.update(code_digest(PACKAGE))
    return home / NAME.format(said.hexdigest()[:16])


def settings_of(model: ReadinessForecaster) -> dict[str, int]:
    """Return a model's settings as the commands name them, and any other that is not as usual."""
    mine, usual = model.get_params(), type(model)().get_params()
    named = {"horizon": mine.pop("horizon_weeks"), "seed": mine.pop("random_state")}
    return named | {name: value for name, value in mine.items() if value != usual[name]}


def fit_or_kept(
    model: ReadinessForecaster,
    log: TrainingLog,
    as_of: pd.Timestamp | None,
    home: Path,
    *,
    fresh: bool = False,
    progress: Callable[[str], None] | None = None,
    say: Callable[[str], None] = print,
) -> ReadinessForecaster:
    """Return the model kept in the club's folder for these records, or fit and keep one.

    ``model`` has the settings wanted; ``say`` is called where a kept model can't be read, or the
    new one not be kept. Raises ``ForecastError`` if the records can't be fitted.
    """
    path = kept_path(home, settings_of(model), log, as_of)
    if path.exists() and not fresh:
        try:
            return forecast.load_model(path)
        except ModelFileError as error:
            say(f"note: {error} A new one is fitted.")
    fitted = model.fit(log, as_of, progress=progress)
    if trouble := keep_model(path, fitted):
        say(f"note: {trouble}")
    return fitted


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
