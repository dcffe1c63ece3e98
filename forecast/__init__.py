"""Weeks until the next rung of a strength-skill ladder, from a coach's set-by-set log."""

from forecast.ahead import LadderAhead
from forecast.backtest import BacktestResult, backtest
from forecast.errors import ForecastError, ForecastWarning
from forecast.ladder import Criterion, Ladder, Rung
from forecast.ladder_file import read_ladder
from forecast.log import Club, TrainingLog, describe_log, pseudonymise, read_club, read_log
from forecast.model import ReadinessForecaster, load_model
from forecast.readiness import ReadinessForecast

__all__ = [
    "BacktestResult",
    "Club",
    "Criterion",
    "ForecastError",
    "ForecastWarning",
    "Ladder",
    "LadderAhead",
    "ReadinessForecast",
    "ReadinessForecaster",
    "Rung",
    "TrainingLog",
    "backtest",
    "describe_log",
    "load_model",
    "pseudonymise",
    "read_club",
    "read_ladder",
    "read_log",
]
