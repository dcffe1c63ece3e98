"""Getting records in: formats, mapping, values and units, checks, and everything set aside."""

from forecast.log.read import read_log
from forecast.log.training_log import REJECTED_COLUMNS, SET_COLUMNS, TrainingLog

__all__ = ["REJECTED_COLUMNS", "SET_COLUMNS", "TrainingLog", "read_log"]
