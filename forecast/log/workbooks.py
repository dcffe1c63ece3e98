"""XLSX workbooks: one sheet as typed cells."""

from __future__ import annotations

import datetime as dt
import warnings
import zipfile
from pathlib import Path
from typing import Any

import openpyxl
from openpyxl.utils.datetime import CALENDAR_MAC_1904
from openpyxl.utils.exceptions import InvalidFileException

from forecast.errors import LogError
from forecast.log.cells import counted, is_empty
from forecast.log.raw import RawTable, from_records


def read_workbook(path: Path, file: str, sheet: str | None = None) -> RawTable:
    """Read a sheet; the first row with content is the header.

    Blank rows after the last content are no rows: a sheet's used range includes mere
    formatting.

    Raises
    ------
    LogError
        If the file is no workbook, the sheet is not there, or is empty.
    """
    book = _open(path, file)
    try:
        names = [ws.title for ws in book.worksheets]
        if sheet is not None and sheet not in names:
            raise LogError(f"{file} has no sheet {sheet!r}; its sheets are {', '.join(names)}.")
        if not names:
            raise LogError(f"{file} has no sheet with cells; save the log in a plain sheet.")
        chosen = sheet or names[0]
        records, shown = _cells(book[chosen])
        date1904 = book.epoch == CALENDAR_MAC_1904
    finally:
        book.close()
    filled = [n for n, record in enumerate(records) if not all(map(is_empty, record))]
    if not filled:
        raise LogError(f"{file}, sheet {chosen!r} is empty; its first row must name the columns.")
    notes = []
    if sheet is None and len(names) > 1:
        notes.append(
            f"{file} has several sheets; the first, {chosen!r}, was read. Name another with sheet."
        )
    if shown:
        notes.append(
            f"{file}: clock times without seconds, such as 0:12, in {counted(shown, 'cell')}; "
            "read as minutes and seconds, as shown."
        )
    return from_records(
        file,
        records[filled[0]],
        records[filled[0] + 1 : filled[-1] + 1],
        range(filled[0] + 2, filled[-1] + 2),
        understood=(f"{file}: workbook, sheet {chosen!r}.",),
        warnings=tuple(notes),
        date1904=date1904,
    )


def _open(path: Path, file: str) -> Any:
    try:
        with warnings.catch_warnings():
            # openpyxl reports styles and menus it drops; cells are all that is read here
            warnings.simplefilter("ignore", UserWarning)
            return openpyxl.load_workbook(path, read_only=True, data_only=True)
    except (zipfile.BadZipFile, InvalidFileException, KeyError, ValueError) as error:
        raise LogError(
            f"{file} is no readable XLSX workbook (damaged, locked by a password, or another "
            "format); save it anew as .xlsx or .csv."
        ) from error


def _cells(sheet: Any) -> tuple[list[list[Any]], int]:
    """Return the rows of cells, and how many clock times were read as minutes and seconds."""
    # some programs write a wrong used range, which would cut rows off
    sheet.reset_dimensions()
    records: list[list[Any]] = []
    shown = 0
    for row in sheet.iter_rows():
        record = []
        for cell in row:
            value = cell.value
            if isinstance(value, dt.time | dt.timedelta):
                value, as_shown = _clock(value, str(cell.number_format))
                shown += as_shown
            record.append(value)
        records.append(record)
    return records, shown


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
