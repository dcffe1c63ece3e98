"""Two engines pooled into one forecast for every open rung.

Names load when first used (PEP 562): a table of marks on the screen needs no engine.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from forecast.readiness.facts import comparable_counts
    from forecast.readiness.lapse import FEATURES, FLAT_GAIN, chance_flat, design_of
    from forecast.readiness.marks import (
        AWAY,
        CLIMBING,
        FLAT,
        KEYS,
        LAST_SESSIONS,
        ON_HOLD,
        PAIN,
        SLIPPING,
        UNCLEAR,
        marked,
        most_urgent_first,
        with_usual,
    )
    from forecast.readiness.moving import moved_back
    from forecast.readiness.open_rungs import rungs_behind, untried_rungs
    from forecast.readiness.parts import (
        PartDone,
        forecast_parts,
        forecast_shared_out,
        share_out_log,
    )
    from forecast.readiness.reasons import UNITS, confidence_words
    from forecast.readiness.result import (
        CURVE_COLUMNS,
        DIGITS,
        SUMMARY_COLUMNS,
        ReadinessForecast,
        curve_table,
        time_columns,
    )
    from forecast.readiness.shown import usual_value
    from forecast.readiness.storage import read_model, save_model
    from forecast.readiness.training import Engines, train_engines
    from forecast.readiness.view import ENGINES, Engine, Fitted, LogView, Progress, as_view

__all__ = [
    "AWAY",
    "CLIMBING",
    "CURVE_COLUMNS",
    "DIGITS",
    "ENGINES",
    "FEATURES",
    "FLAT",
    "FLAT_GAIN",
    "KEYS",
    "LAST_SESSIONS",
    "ON_HOLD",
    "PAIN",
    "SLIPPING",
    "SUMMARY_COLUMNS",
    "UNCLEAR",
    "UNITS",
    "Engine",
    "Engines",
    "Fitted",
    "LogView",
    "PartDone",
    "Progress",
    "ReadinessForecast",
    "as_view",
    "chance_flat",
    "comparable_counts",
    "confidence_words",
    "curve_table",
    "design_of",
    "forecast_parts",
    "forecast_shared_out",
    "marked",
    "most_urgent_first",
    "moved_back",
    "read_model",
    "rungs_behind",
    "save_model",
    "share_out_log",
    "time_columns",
    "train_engines",
    "untried_rungs",
    "usual_value",
    "with_usual",
]

_HOMES = {
    "facts": "comparable_counts",
    "lapse": "FEATURES FLAT_GAIN chance_flat design_of",
    "marks": "AWAY CLIMBING FLAT KEYS LAST_SESSIONS ON_HOLD PAIN SLIPPING UNCLEAR marked "
    "most_urgent_first with_usual",
    "moving": "moved_back",
    "open_rungs": "rungs_behind untried_rungs",
    "parts": "PartDone forecast_parts forecast_shared_out share_out_log",
    "reasons": "UNITS confidence_words",
    "result": "CURVE_COLUMNS DIGITS SUMMARY_COLUMNS ReadinessForecast curve_table time_columns",
    "shown": "usual_value",
    "storage": "read_model save_model",
    "training": "Engines train_engines",
    "view": "ENGINES Engine Fitted LogView Progress as_view",
}
"""Where each name lives."""


def __getattr__(name: str) -> Any:
    for home, names in _HOMES.items():
        if name in names.split():
            value = getattr(import_module(f"{__name__}.{home}"), name)
            globals()[name] = value
            return value
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
