"""Pages for coach, analyst and athlete: self-contained HTML that can be mailed or printed."""

from forecast.report.analyst import question
from forecast.report.cohort_tables import (
    clear_curves,
    ends,
    growth_table,
    named_effects,
    rung_names,
    waits,
)
from forecast.report.data import AthleteData, ReportData, gather
from forecast.report.page import Paragraphs, Table, paragraphs, rates, shown, table
from forecast.report.tables import open_tables
from forecast.report.write import READERS, make_folder, write_report

__all__ = [
    "READERS",
    "AthleteData",
    "Paragraphs",
    "ReportData",
    "Table",
    "clear_curves",
    "ends",
    "gather",
    "growth_table",
    "make_folder",
    "named_effects",
    "open_tables",
    "paragraphs",
    "question",
    "rates",
    "rung_names",
    "shown",
    "table",
    "waits",
    "write_report",
]
