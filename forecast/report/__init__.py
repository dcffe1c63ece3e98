"""Pages for coach, analyst and athlete: self-contained HTML that can be mailed or printed."""

from forecast.report.tables import OpenTables, open_tables
from forecast.report.write import READERS, write_report

__all__ = ["READERS", "OpenTables", "open_tables", "write_report"]
