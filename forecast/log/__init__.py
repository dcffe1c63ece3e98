"""Getting records in: formats, mapping, values and units, checks, and everything set aside."""

from forecast.log import ladder_draft, sanity
from forecast.log.cells import bare, counted, in_percent, visible
from forecast.log.check import describe_log, write_rejected
from forecast.log.club import (
    Club,
    club_files,
    code_digest,
    draft_club,
    pseudonymise,
    read_club,
    shift_days,
)
from forecast.log.dates import as_day
from forecast.log.draft import draft
from forecast.log.drafts import Draft
from forecast.log.mapping import SET_COLUMNS, as_sets, load_mapping
from forecast.log.problems import REJECTED_COLUMNS
from forecast.log.read import TrainingLog, checked_log, load_marks, measurement_log, read_log
from forecast.log.writing import add_tables, csv_bytes, read_tables, write_all, write_whole

__all__ = [
    "REJECTED_COLUMNS", "SET_COLUMNS", "Club", "Draft", "TrainingLog", "add_tables", "as_day",
    "as_sets", "bare", "checked_log", "club_files", "code_digest", "counted", "csv_bytes",
    "describe_log", "draft", "draft_club", "in_percent", "ladder_draft", "load_mapping",
    "load_marks", "measurement_log", "pseudonymise", "read_club", "read_log", "read_tables",
    "sanity", "shift_days", "visible", "write_all", "write_rejected", "write_whole",
]  # fmt: skip
