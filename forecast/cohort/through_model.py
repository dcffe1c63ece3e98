"""A log seen through a fitted forecaster: what the cohort's questions need from its engines."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from forecast.growth import GrowthModel, Tracked, states_table, track
from forecast.histories import Histories
from forecast.log.training_log import TrainingLog
from forecast.readiness import ReadinessForecaster
from forecast.readiness.lapse import chance_flat


@dataclass(frozen=True, slots=True)
class Seen:
    """Histories, and the engine's opinion after every session.

    ``states`` has one row a session of ``histories.sessions``: ``level``, ``gain`` (a week),
    ``gain_sd`` and ``p_flat``, the chance that the gain is below ``FLAT_GAIN``.
    """

    growth: GrowthModel
    histories: Histories
    tracked: Tracked
    states: pd.DataFrame


def see(
    model: ReadinessForecaster, log: TrainingLog, as_of: pd.Timestamp | str | None = None
) -> Seen:
    """Filter the log with a fitted model; nothing dated on or after ``as_of`` is used.

    Raises
    ------
    NotFittedError
        The model was not fitted.
    ForecastError
        The log's ladder has other rungs than the one fitted on.
    HistoryError
        No set is dated before ``as_of``.
    """
    engines, histories = model._ready(log), model._histories(log, as_of)
    tracked = track(engines.growth, histories)
    raw = states_table(tracked, histories)
    gain = (raw["swing"] + raw["pace"]).to_numpy(dtype=float)
    spread = np.sqrt(raw["var_gain"].to_numpy(dtype=float))
    states = pd.DataFrame(
        {
            "level": raw["level"].to_numpy(dtype=float),
            "gain": gain,
            "gain_sd": spread,
            "p_flat": chance_flat(raw),
        },
        index=raw.index,
    )
    return Seen(engines.growth, histories, tracked, states)
