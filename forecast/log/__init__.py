"""Getting records in: formats, mapping, values and units, checks, and everything set aside."""

from forecast.log.archive import add_tables, read_tables
from forecast.log.cells import chance_in_percent, counted, in_percent, visible
from forecast.log.check import LogReport, describe_log, write_rejected
from forecast.log.club import Club, draft_club, read_club
from forecast.log.columns import REJECTED_COLUMNS, SET_COLUMNS, as_sets
from forecast.log.dates import DateOrder
from forecast.log.days import YEAR_DAYS, as_day
from forecast.log.draft import draft_mapping
from forecast.log.far_dates import dates_set_aside
from forecast.log.given import check_level, check_seed, is_number, is_whole
from forecast.log.kept_rows import code_digest
from forecast.log.limits import MAX_PACKED
from forecast.log.loads import load_marks
from forecast.log.mapping import Mapping, load_mapping
from forecast.log.measurements import measurement_log
from forecast.log.pseudonyms import pseudonymise, shift_days
from forecast.log.read import read_log
from forecast.log.sharing import club_files
from forecast.log.training_log import TrainingLog, checked_log
from forecast.log.words import bare
from forecast.log.writing import csv_bytes, write_all, write_whole

__all__ = [
    "MAX_PACKED",
    "REJECTED_COLUMNS",
    "SET_COLUMNS",
    "YEAR_DAYS",
    "Club",
    "DateOrder",
    "LogReport",
    "Mapping",
    "TrainingLog",
    "add_tables",
    "as_day",
    "as_sets",
    "bare",
    "chance_in_percent",
    "check_level",
    "check_seed",
    "checked_log",
    "club_files",
    "code_digest",
    "counted",
    "csv_bytes",
    "dates_set_aside",
    "describe_log",
    "draft_club",
    "draft_mapping",
    "in_percent",
    "is_number",
    "is_whole",
    "load_mapping",
    "load_marks",
    "measurement_log",
    "pseudonymise",
    "read_club",
    "read_log",
    "read_tables",
    "shift_days",
    "visible",
    "write_all",
    "write_rejected",
    "write_whole",
]
