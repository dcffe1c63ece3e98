"""XLSX workbooks: one sheet as typed cells."""

from __future__ import annotations

import datetime as dt
import io
import warnings
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import ParseError

import openpyxl
from openpyxl.utils.datetime import CALENDAR_MAC_1904
from openpyxl.utils.exceptions import InvalidFileException

from forecast.errors import LogError
from forecast.log.cells import counted, is_empty
from forecast.log.limits import MAX_COLUMNS, MAX_SHEET_ROWS
from forecast.log.packed import check_packed
from forecast.log.raw import Opening, RawTable, find_header, table_at


def read_workbook(path: Path, file: str, how: Opening) -> list[RawTable]:
    """Read the sheets named; else, where it is known what a header holds, every sheet that has one.

    For the header see ``find_header``. Blank rows after the last content are no rows: a sheet's
    used range includes mere formatting. Where no sheet has a known header the first is read.
    Raises ``LogError`` if the file is not a workbook, a sheet is not there, or is empty.
    """
    book = _open(path, file)
    try:
        names = [ws.title for ws in book.worksheets]
        asked = [how.sheet] if isinstance(how.sheet, str) else list(how.sheet or ())
        for name in asked:
            if name not in names:
                raise LogError(f"{file} has no sheet {name!r}; its sheets are {', '.join(names)}.")
        if not names:
            raise LogError(f"{file} has no sheet with cells; save the log in a plain sheet.")
        chosen = asked or (names if how.known else names[:1])
        sheets = {name: _cells(book[name], file) for name in chosen}
        date1904 = book.epoch == CALENDAR_MAC_1904
    finally:
        book.close()
    headers = {
        n: find_header(records, how.known, how.header_row) for n, (records, _) in sheets.items()
    }
    if not asked and how.known:
        best = max(score for _, score in headers.values())
        good = [n for n, (_, score) in headers.items() if score > max(1, best - 2)]
        chosen = good or names[:1]
    skipped = [name for name in names if name not in chosen] if not asked else []
    several = len(chosen) > 1
    tables = []
    for name in chosen:
        records, shown = sheets[name]
        while records and all(map(is_empty, records[-1])):
            records.pop()
        if not records:
            raise LogError(f"{file}, sheet {name!r} is empty; its first row must name the columns.")
        notes = []
        if skipped and name == chosen[0]:
            notes.append(
                f"{file}: of its sheets {', '.join(map(repr, chosen))} "
                f"{'were' if several else 'was'} read, not {', '.join(map(repr, skipped))}. "
                "Name others with sheet."
            )
        if shown:
            notes.append(
                f"{file}: clock times without seconds, such as 0:12, in {counted(shown, 'cell')}; "
                "read as minutes and seconds, as shown."
            )
        label = f"{file} [{name}]" if several else file
        tables.append(
            table_at(
                label,
                records,
                range(1, len(records) + 1),
                headers[name][0],
                understood=(f"{file}: workbook, sheet {name!r}.",),
                warnings=tuple(notes),
                date1904=date1904,
                sheet=name,
            )
        )
    return tables


_TIMES = (dt.time, dt.timedelta)
_FOREIGN = (
    zipfile.BadZipFile, zipfile.LargeZipFile, InvalidFileException, ParseError, zlib.error,
    LookupError, ValueError, TypeError, AttributeError, AssertionError, ArithmeticError, EOFError,
    RuntimeError, OSError, MemoryError,
)  # fmt: skip
"""What openpyxl, the XML parser and the unpacker raise on damaged files, as fuzzing showed."""


def _open(path: Path, file: str) -> Any:
    try:
        # read at once: openpyxl leaves a damaged file open
        content = io.BytesIO(path.read_bytes())
        check_packed(content, file)
        with warnings.catch_warnings():
            # openpyxl reports styles and menus it drops; cells are all that is read here
            warnings.simplefilter("ignore", UserWarning)
            return openpyxl.load_workbook(content, read_only=True, data_only=True)
    except _FOREIGN as error:
        raise _unreadable(file) from error


def _unreadable(file: str) -> LogError:
    return LogError(
        f"{file} is not a readable XLSX workbook (damaged, locked by a password, or another "
        "format); save it anew as .xlsx or .csv."
    )


def _cells(sheet: Any, file: str) -> tuple[list[list[Any]], int]:
    """Return the rows of cells, and how many clock times were read as minutes and seconds."""
    records: list[list[Any]] = []
    shown = 0
    for row in _rows(sheet, file):
        if len(records) >= MAX_SHEET_ROWS or len(row) > MAX_COLUMNS:
            raise LogError(
                f"{file}, row {len(records) + 1}: a sheet is read up to {MAX_SHEET_ROWS} rows and "
                f"{MAX_COLUMNS} columns; delete what is beyond, or save the log as .csv."
            )
        record = []
        for value, number_format in row:
            if isinstance(value, _TIMES):
                value, as_shown = _clock(value, number_format)
                shown += as_shown
            record.append(value)
        records.append(record)
    return records, shown


def _rows(sheet: Any, file: str) -> Iterator[list[tuple[Any, str]]]:
    """Yield each row as values with their formats; only openpyxl's own work can fail in it."""
    try:
        # some programs write a wrong used range, which would cut rows off
        sheet.reset_dimensions()
        rows = iter(sheet.iter_rows())
    except _FOREIGN as error:
        raise _unreadable(file) from error
    while True:
        try:
            row = next(rows, None)
            cells = [
                (cell.value, str(cell.number_format) if isinstance(cell.value, _TIMES) else "")
                for cell in row or ()
            ]
        except _FOREIGN as error:
            raise _unreadable(file) from error
        if row is None:
            return
        yield cells


def _clock(value: dt.time | dt.timedelta, number_format: str) -> tuple[str, bool]:
    """Return the clock time as its cell shows it.

    Whoever types 0:12 for twelve seconds gets twelve minutes past midnight, shown as 0:12; what
    was typed and is seen counts, not what the spreadsheet made of it.
    """
    if isinstance(value, dt.time):
        value = dt.timedelta(hours=value.hour, minutes=value.minute, seconds=value.second)
    minutes, seconds = divmod(round(value.total_seconds()), 60)
    hours, minutes = divmod(minutes, 60)
    if seconds == 0 and "s" not in number_format.casefold():
        return f"{hours}:{minutes:02d}", True
    return f"{hours}:{minutes:02d}:{seconds:02d}", False
