"""How much is read at most: stated limits, checked before memory is spent."""

from __future__ import annotations

MAX_ROWS = 3_000_000
"""Rows of one source: what 4,000 athletes log in four years, as reckoned from the demo club."""

MAX_COLUMNS = 1_000
"""Columns of one source."""

MAX_CELL = 100_000
"""Characters of one cell; the longest note is a page or two."""

MAX_BYTES = 500_000_000
"""Bytes of a workbook or Parquet file once unpacked."""

MAX_TEXT = 250_000_000
"""Bytes of one text file: ``MAX_ROWS`` rows of 80 characters."""

MAX_LINE = 1_000_000
"""Bytes of one line of a text file."""

MAX_NAME = 200
"""Characters of an athlete's name."""

MAX_CELLS = 40_000_000
"""Cells of one source, empty ones included: ``MAX_ROWS`` rows of 13 columns."""

MAX_SHEET_ROWS = 1_048_576
"""Rows that a sheet of a workbook can have (ECMA-376, as spreadsheet programs keep to it)."""

MAX_BOOK_CELLS = 5_000_000
"""Cells of a workbook, all sheets together; reading as many takes about a minute."""

MAX_EMPTY_ROWS = 100_000
"""Rows of a sheet without a single cell, beyond as many as it has cells."""

MAX_PACKED = 100
"""How many times its packed size a part of a workbook may unpack to; sheets do 5 to 25 times."""

MAX_XLSX_CELL = 32_767
"""Characters that a cell of a workbook can hold; what is beyond would be lost in writing."""
