"""Pages for coach, analyst and athlete: self-contained HTML that can be mailed or printed."""

from forecast.report.advice import STOP
from forecast.report.cards import RungCard, athlete_cards
from forecast.report.coach import rung_table, rung_words
from forecast.report.cohort_tables import (
    clear_curves,
    ends,
    growth_table,
    named_effects,
    rung_names,
    waits,
    with_rung_names,
)
from forecast.report.data import AthleteData, ReportData, gather
from forecast.report.files import make_folder
from forecast.report.paragraphs import Paragraphs, paragraphs
from forecast.report.tables import OpenTables, open_tables
from forecast.report.why import watch_table
from forecast.report.words import HEADINGS
from forecast.report.write import READERS, write_report

__all__ = [
    "HEADINGS",
    "READERS",
    "STOP",
    "AthleteData",
    "OpenTables",
    "Paragraphs",
    "ReportData",
    "RungCard",
    "athlete_cards",
    "clear_curves",
    "ends",
    "gather",
    "growth_table",
    "make_folder",
    "named_effects",
    "open_tables",
    "paragraphs",
    "rung_names",
    "rung_table",
    "rung_words",
    "waits",
    "watch_table",
    "with_rung_names",
    "write_report",
]
