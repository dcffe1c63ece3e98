"""How much is read at most: stated limits, checked before memory is spent."""

from __future__ import annotations

MAX_ROWS = 3_000_000
"""Rows of one source: what 4,000 athletes log in four years, as reckoned from the demo club."""

MAX_COLUMNS = 1_000
"""Columns of one source."""

MAX_CELL = 100_000
"""Characters of one cell; the longest note is a page or two."""

QUERY_SECONDS = 60.0
"""Seconds a database may take for all of its answer, or for one more part of it."""

MAX_QUERY = 20_000
"""Characters of a query."""

MAX_BYTES = 500_000_000
"""Bytes of one text file, or of a workbook or Parquet file once unpacked."""

MAX_SHEET_ROWS = 1_048_576
"""Rows that a sheet of a workbook can have (ECMA-376, as spreadsheet programs keep to it)."""
