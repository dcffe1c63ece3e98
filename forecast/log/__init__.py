"""Getting records in: formats, mapping, values and units, checks, and everything set aside."""

from forecast.log.check import LogReport, describe_log, write_rejected
from forecast.log.club import Club, read_club
from forecast.log.draft import draft_mapping
from forecast.log.mapping import Mapping, load_mapping
from forecast.log.measurements import measurement_log
from forecast.log.pseudonyms import pseudonymise
from forecast.log.read import read_log
from forecast.log.sharing import club_files
from forecast.log.training_log import REJECTED_COLUMNS, SET_COLUMNS, TrainingLog

__all__ = [
    "REJECTED_COLUMNS",
    "SET_COLUMNS",
    "Club",
    "LogReport",
    "Mapping",
    "TrainingLog",
    "club_files",
    "describe_log",
    "draft_mapping",
    "load_mapping",
    "measurement_log",
    "pseudonymise",
    "read_club",
    "read_log",
    "write_rejected",
]
