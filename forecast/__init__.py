"""Weeks until the next rung of a strength-skill ladder, from a coach's set-by-set log."""

import sys
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from forecast import cohort
    from forecast.ahead import LadderAhead
    from forecast.backtest import BacktestResult, backtest
    from forecast.errors import ForecastError, ForecastWarning
    from forecast.kept import OpenClub, open_club
    from forecast.ladder import Criterion, Ladder, Rung
    from forecast.ladder_file import read_ladder
    from forecast.log import Club, TrainingLog, describe_log, pseudonymise, read_club, read_log
    from forecast.model import ReadinessForecaster, load_model
    from forecast.parts import forecast_parts, share_out_log
    from forecast.result import ReadinessForecast

__all__ = [
    "BacktestResult", "Club", "Criterion", "ForecastError", "ForecastWarning", "Ladder",
    "LadderAhead", "OpenClub", "ReadinessForecast", "ReadinessForecaster", "Rung", "TrainingLog",
    "backtest", "cohort", "describe_log", "forecast_parts", "load_model", "open_club",
    "pseudonymise", "read_club", "read_ladder", "read_log", "share_out_log",
]  # fmt: skip

_ROOMS = {
    "ahead": ["LadderAhead"],
    "backtest": ["BacktestResult"],
    "errors": ["ForecastError", "ForecastWarning"],
    "kept": ["OpenClub", "open_club"],
    "ladder": ["Criterion", "Ladder", "Rung"],
    "ladder_file": ["read_ladder"],
    "log": ["Club", "TrainingLog", "describe_log", "pseudonymise", "read_club", "read_log"],
    "model": ["ReadinessForecaster", "load_model"],
    "parts": ["forecast_parts", "share_out_log"],
    "result": ["ReadinessForecast"],
}
"""Where each public name lives; it is loaded when first asked for (PEP 562)."""
_HOMES = {name: room for room, names in _ROOMS.items() for name in names}


class _Package(ModuleType):
    """The package: public names on demand, ``backtest`` the function and not the room of its name.

    Python sets a room as an attribute of its package once it has been imported; this one is put
    aside, or the public name would change its meaning then.
    """

    @property
    def backtest(self) -> Any:
        return import_module("forecast.backtest").backtest

    @backtest.setter
    def backtest(self, room: ModuleType) -> None:
        pass

    def __getattr__(self, name: str) -> Any:
        if name == "cohort":
            return import_module("forecast.cohort")
        if name not in _HOMES:
            raise AttributeError(f"module {self.__name__!r} has no attribute {name!r}")
        value = getattr(import_module(f"forecast.{_HOMES[name]}"), name)
        setattr(self, name, value)
        return value

    def __dir__(self) -> list[str]:
        return sorted({*super().__dir__(), *__all__})


sys.modules[__name__].__class__ = _Package
