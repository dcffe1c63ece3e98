"""How much is read at most: one guard for every format, before memory is spent."""

from __future__ import annotations

import io
import zipfile

import numpy as np
import pandas as pd

from forecast.errors import LogError

MAX_ROWS, MAX_COLUMNS, MAX_CELLS = 3_000_000, 1_000, 40_000_000
"""Of one source: what 4,000 athletes log in four years, as reckoned from the demo club; cells, also
empty ones, are ``MAX_ROWS`` rows of 13 columns."""
MAX_CELL, MAX_NAME = 100_000, 200
"""Characters of one cell (the longest note is a page or two), and of an athlete's name."""
MAX_BYTES, MAX_TEXT, MAX_LINE = 500_000_000, 250_000_000, 1_000_000
"""Bytes of a workbook or Parquet file once unpacked; of a text file, ``MAX_ROWS`` rows of 80
characters; of one of its lines."""
MAX_SHEET_ROWS = 1_048_576
"""Rows that a sheet of a workbook can have (ECMA-376, as spreadsheet programs keep to it)."""
MAX_BOOK_CELLS, MAX_EMPTY_ROWS = 5_000_000, 100_000
"""Cells of a workbook, all sheets together (reading as many takes about a minute); rows of a sheet
without a single cell, beyond as many as it has cells."""
MAX_PACKED = 100
"""How many times its packed size a part of a workbook may unpack to; sheets do 5 to 25 times."""
MAX_XLSX_CELL = 32_767
"""Characters that a cell of a workbook can hold; what is beyond would be lost in writing."""
_MARKS = 6
"""Opening brackets of XML that the longest kind of cell takes."""
_LONGEST = 4 * MAX_CELL
"""Bytes of a cell at most: a character takes four at most in UTF-8."""
_PART = _LONGEST // 2
"""Bytes unpacked at a time: in a longer run at least one part has no bracket at all."""
_DEEPEST = 5_000
"""Elements that may be open at the end of a part; a workbook has some ten, and a few may seem open
where a mark of two characters is cut in two."""
_SMALL, _SMALL_SHEET = 10_000_000, 1_000_000
"""Bytes of a part that may unpack to any multiple: it is little anyway; fewer of a sheet, whose
rows and cells take the parser far longer than styles do."""


def check_packed(content: io.BytesIO, file: str) -> None:
    """Raise ``LogError`` if a workbook, unpacked in parts of which none is kept, is too large.

    Counted are bytes, brackets (which bound the cells), the longest run without a bracket (which
    bounds a cell), elements begun and not ended (which the parser would keep), and rows beyond the
    number of cells (which pack to nothing and take the parser as long as any).
    """
    with zipfile.ZipFile(content) as packed:
        entries = packed.infolist()
        check_unpacked(file, sum(entry.file_size for entry in entries))
        for entry in entries:
            small = _SMALL_SHEET if "worksheets/" in entry.filename else _SMALL
            if entry.file_size > max(small, MAX_PACKED * entry.compress_size):
                raise _too_much(
                    file,
                    f"unpacks to {entry.file_size // max(entry.compress_size, 1)} times its size "
                    f"in {entry.filename!r}; {MAX_PACKED} times are",
                )
        marks = 0
        for entry in entries:
            if entry.filename.endswith((".xml", ".rels")):
                marks = _look_through(packed, entry, file, marks)


def _look_through(packed: zipfile.ZipFile, entry: zipfile.ZipInfo, file: str, marks: int) -> int:
    """Return the number of brackets in this part of the workbook and those before it."""
    run = depth = empty = 0
    with packed.open(entry) as part:
        while piece := part.read(_PART):
            marks += piece.count(b"<")
            if marks > _MARKS * MAX_BOOK_CELLS:
                raise _too_much(file, f"holds more than {MAX_BOOK_CELLS} cells; as many are")
            depth += piece.count(b"<") - sum(map(piece.count, (b"<?", b"<!", b"/>")))
            depth -= 2 * piece.count(b"</")
            if depth > _DEEPEST:
                raise _too_much(file, f"is nested more than {_DEEPEST} deep; as deep are")
            # other letters follow "<c" in what else begins so: <cols>, <cellXfs>
            empty += piece.count(b"<row") - sum(map(piece.count, (b"<c ", b"<c>", b"<c/")))
            if empty > MAX_EMPTY_ROWS:
                raise _too_much(
                    file, f"has more than {MAX_EMPTY_ROWS} rows without a cell; as many are"
                )
            first, last = piece.find(b"<"), piece.rfind(b"<")
            run += len(piece) if first < 0 else first
            if run > _LONGEST:
                raise _too_much(file, f"has a cell of over {MAX_CELL} characters; as many are")
            run = run if last < 0 else len(piece) - last
    return marks


def _too_much(file: str, what: str) -> LogError:
    return LogError(
        f"{file} {what} read at most. Save the sheet of the log alone, or as .csv, without what "
        "is not a log."
    )


def check_size(file: str, rows: int, columns: int) -> None:
    """Raise ``LogError`` if a table has too many rows, columns or cells."""
    if rows > MAX_ROWS or columns > MAX_COLUMNS or rows * columns > MAX_CELLS:
        raise LogError(
            f"{file} has {rows} rows and {columns} columns; {MAX_ROWS} rows and {MAX_COLUMNS} "
            f"columns are read at most, {MAX_CELLS} cells in all. Split it, or leave out what is "
            "not a log."
        )


def check_cells(file: str, cells: pd.DataFrame, rows: np.ndarray) -> None:
    """Raise ``LogError`` if a text is longer than is read; ``rows`` (n,) are for the message."""
    for name in cells.columns:
        column = cells[name]
        if isinstance(column.dtype, pd.StringDtype):
            lengths = column.str.len().fillna(0).to_numpy()
        elif column.dtype == object:
            texts = (len(c) if isinstance(c, str | bytes) else 0 for c in column.array)
            lengths = np.fromiter(texts, np.int64, len(column))
        else:
            continue
        if len(lengths) and lengths.max() > MAX_CELL:
            at = int(lengths.argmax())
            raise LogError(
                f"{file}, row {rows[at]}, column {name!r} holds a cell of "
                f"{int(lengths[at])} characters; {MAX_CELL} are read at most. Shorten it."
            )


def check_unpacked(label: str, size: int) -> None:
    """Raise ``LogError`` if a file unpacks to too many bytes."""
    if size > MAX_BYTES:
        raise LogError(
            f"{label} unpacks to {size // 1_000_000} MB or more; {MAX_BYTES // 1_000_000} MB are "
            "read at most. Split it, or leave out columns that do not belong to the log."
        )


def check_text(size: int, file: str) -> None:
    """Raise ``LogError`` if a text has too many bytes."""
    if size > MAX_TEXT:
        raise LogError(
            f"{file} has {size // 1_000_000} MB; {MAX_TEXT // 1_000_000} MB of text are read at "
            "most. Split it."
        )


def check_lines(data: bytes, file: str) -> None:
    """Raise ``LogError`` if a text has too many lines, or one too long."""
    ends = np.flatnonzero(np.isin(np.frombuffer(data, np.uint8), (10, 13)))
    if len(ends) > 2 * MAX_ROWS or data.count(b"\n") > MAX_ROWS + 20:
        raise LogError(f"{file} has more than {MAX_ROWS} lines, the most that is read; split it.")
    lengths = np.diff(ends, prepend=-1, append=len(data)) - 1
    if lengths.max() > MAX_LINE:
        raise LogError(
            f"{file}, line {int(lengths.argmax()) + 1} or before is longer than {MAX_LINE} bytes; "
            "it is not a log, or lacks its line ends."
        )
