"""Pages for coach, analyst and athlete to open or print, and what notebooks show of them."""

from forecast.report.analyst import question
from forecast.report.cards import athlete_pages, coach_page
from forecast.report.data import ReportData, gather
from forecast.report.page import paragraphs, rates, shown
from forecast.report.tables import open_tables
from forecast.report.today import Sheet, today
from forecast.report.write import READERS, file_names, make_folder, write_report

__all__ = [
    "READERS",
    "ReportData",
    "Sheet",
    "athlete_pages",
    "coach_page",
    "file_names",
    "gather",
    "make_folder",
    "open_tables",
    "paragraphs",
    "question",
    "rates",
    "shown",
    "today",
    "write_report",
]
