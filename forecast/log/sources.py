"""Opening what people bring: text, workbooks, Parquet files and tables in memory."""

from __future__ import annotations

import contextlib
import datetime as dt
import gzip
import io
import json
import warnings
import zipfile
import zlib
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any, TypeAlias
from xml.etree.ElementTree import ParseError

import numpy as np
import openpyxl
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
from openpyxl.utils.datetime import CALENDAR_MAC_1904
from openpyxl.utils.exceptions import InvalidFileException

from forecast.errors import LogError
from forecast.ladder_file import checked_path
from forecast.log import sizes
from forecast.log.cells import is_empty, visible
from forecast.log.problems import say
from forecast.log.tables import (
    Opening,
    RawTable,
    decode,
    find_header,
    header_names,
    read_text_file,
    table_at,
)

Source: TypeAlias = str | Path | pd.DataFrame | Sequence[str | Path | pd.DataFrame]
"""A path, a table in memory, or a list of these."""
_TEXT = {".csv", ".tsv", ".tab", ".txt"}
_JSON = {".json", ".jsonl", ".ndjson"}
_BOOK = {".xlsx", ".xlsm"}
_PARQUET = {".parquet", ".pq"}
TIMES = (dt.time, dt.timedelta)


def open_sources(source: Source, how: Opening, name: str = "table") -> list[RawTable]:
    """Open each source, or raise ``LogError``; messages call a table in memory by ``name``."""
    if not isinstance(source, str | Path | pd.DataFrame | Sequence):
        raise LogError(
            f"A {type(source).__name__} can't be read; give a path, a DataFrame or a list."
        )
    parts = [source] if isinstance(source, str | Path | pd.DataFrame) else list(source)
    if not parts:
        raise LogError("The list of sources is empty; give at least one file.")
    frames = [name] if len(parts) == 1 else [f"{name} {n}" for n in range(1, len(parts) + 1)]
    labels = file_labels(part if not isinstance(part, pd.DataFrame) else None for part in parts)
    return [
        raw
        for part, label, frame in zip(parts, labels, frames, strict=True)
        for raw in open_one(part, visible(label or frame), how)
    ]


def file_labels(files: Iterable[str | Path | None]) -> list[str]:
    """Name each file for messages: the bare file name, or all of it where two are alike."""
    listed = list(files)
    names = ["" if file is None else Path(file).name for file in listed]
    return [
        name if names.count(name) == 1 or file is None else str(file)
        for file, name in zip(listed, names, strict=True)
    ]


def open_one(part: str | Path | pd.DataFrame, label: str, how: Opening) -> list[RawTable]:
    """Open one source under a name for messages; errors as in ``open_sources``."""
    tables = (
        [_from_frame(part, label, "table in memory")]
        if isinstance(part, pd.DataFrame)
        else _open_file(part, label, how)
    )
    for table in tables:
        sizes.check_cells(table.file, table.cells, table.rows)
    return tables


def _open_file(part: str | Path, label: str, how: Opening) -> list[RawTable]:
    path, shown = checked_path(part, LogError), str(part)
    suffix = path.suffix.casefold()
    try:
        if path.is_dir():
            raise LogError(f"{shown} is a folder; give the file in it, or a list of files.")
        if not path.exists():
            raise LogError(f"There is no file {shown}; check the name.")
        if not path.is_file():
            raise LogError(f"{shown} is a device or a pipe; give a file.")
        if suffix == ".gz":
            suffix = path.with_suffix("").suffix.casefold()
            data = _unpacked(path, label) if suffix in _TEXT | _JSON else b""
        else:
            sizes.check_text(path.stat().st_size, label)
            data = path.read_bytes() if suffix in _TEXT | _JSON else b""
        if suffix in _TEXT:
            return [read_text_file(data, suffix, label, how)]
        if suffix in _JSON:
            return [_from_frame(_records(data, label, how.encoding), label, "JSON")]
        if suffix in _BOOK:
            return read_workbook(path, label, how)
        if suffix in _PARQUET:
            return [_from_frame(_parquet(path, label), label, "Parquet")]
    except OSError as error:
        raise LogError(f"{shown} can't be read: {error.strerror or error}.") from error
    raise LogError(
        f"{shown} is of a kind not read here ({suffix or 'no ending'}); "
        "save it as .csv, .tsv, .xlsx, .json or .parquet."
    )


_FAULTS = (
    LookupError,
    ValueError,
    TypeError,
    AttributeError,
    ArithmeticError,
    RuntimeError,
    MemoryError,
)
_PARQUET_FAULTS = (*_FAULTS, pa.ArrowException)
_BOOK_FAULTS = (
    *_FAULTS, zipfile.BadZipFile, zipfile.LargeZipFile, InvalidFileException, ParseError,
    zlib.error, AssertionError, EOFError, OSError,
)  # fmt: skip
"""What readers of Parquet, and of workbooks, raise on damaged files, as fuzzing showed."""
_BATCH = 1_000
"""Rows of a Parquet file unpacked at a time: cells may be as long as ``MAX_CELL``, and longer."""


def _parquet(path: Path, label: str) -> pd.DataFrame:
    try:
        about = pq.read_metadata(path)
        sizes.check_size(label, about.num_rows, about.num_columns)
        unpacked = sum(about.row_group(n).total_byte_size for n in range(about.num_row_groups))
        if unpacked < 0:
            raise ValueError(f"it says it unpacks to {unpacked} bytes")
        sizes.check_unpacked(label, unpacked)
        batches, held = [], 0
        with pq.ParquetFile(path) as file:
            # one text may stand for many cells, so that what it says of its size is little
            for batch in file.iter_batches(batch_size=_BATCH):
                batches.append(batch)
                held += batch.nbytes
                sizes.check_unpacked(label, held)
            table = pa.Table.from_batches(batches, file.schema_arrow)
            table.validate(full=True)  # text that is no UTF-8 would only be found out later
            return table.to_pandas()
    except _PARQUET_FAULTS as error:
        said = (str(error).splitlines() or [type(error).__name__])[0].rstrip(".")
        raise LogError(f"{label} is not a readable Parquet file: {said}.") from error


def _unpacked(path: Path, label: str) -> bytes:
    try:
        with gzip.open(path) as packed:
            data = packed.read(sizes.MAX_TEXT + 1)
    except (EOFError, gzip.BadGzipFile, zlib.error) as error:
        raise LogError(f"{label} is not a readable gzip file; pack it anew.") from error
    sizes.check_text(len(data), label)
    return data


def _records(data: bytes, label: str, encoding: str | None) -> pd.DataFrame:
    """Read JSON: an array of records, one in an object, or a record a line; lists are sets."""
    text = decode(data, label, encoding)[0].removeprefix("\ufeff").strip()
    try:
        try:
            held = json.loads(text)
        except json.JSONDecodeError:
            held = [json.loads(line) for line in text.splitlines() if line.strip()]
        if isinstance(held, dict):
            held = next((one for one in held.values() if isinstance(one, list)), [held])
        if not all(isinstance(one, dict) for one in held):
            raise ValueError("its entries are not objects")
        frame = pd.json_normalize(held)
    except (ValueError, RecursionError, TypeError) as error:
        raise LogError(
            f"{label} is not a list of JSON records ({error}); write one object a set, in an array "
            "or one a line."
        ) from error
    for name in [name for name in frame if frame[name].map(type).eq(list).any()]:
        if frame[name].map(lambda cell: isinstance(cell, list) and _all_of(dict, cell)).any():
            frame = frame.explode(name, ignore_index=True)
            inner = pd.json_normalize(
                [cell if isinstance(cell, dict) else {} for cell in frame[name]]
            )
            frame = frame.drop(columns=name).join(inner, rsuffix=f" of {name}")
        else:
            frame[name] = frame[name].map(
                lambda cell: "; ".join(map(str, cell)) if isinstance(cell, list) else cell
            )
    return frame


def _all_of(kind: type, cells: list[Any]) -> bool:
    return bool(cells) and all(isinstance(cell, kind) for cell in cells)


def _from_frame(frame: pd.DataFrame, file: str, kind: str) -> RawTable:
    # a named index is a column, unless a column of that name is there already
    named = [name for name in frame.index.names if name not in (None, *frame.columns)]
    try:
        cells = frame.reset_index(level=named) if named else frame
    except UnicodeEncodeError as error:
        raise LogError(
            f"{file}: the index holds a character that is not text ({error.object!r}); correct it."
        ) from error
    sizes.check_size(file, *cells.shape)
    cells = cells.reset_index(drop=True)
    cells.columns = pd.Index(header_names(list(cells.columns)))
    return RawTable(
        file=file,
        cells=cells,
        rows=np.arange(2, len(cells) + 2, dtype=np.int64),
        shape_problems=np.empty(len(cells), dtype=object),
        understood=(f"{file}: {kind}, columns {', '.join(cells.columns)}.",),
    )


def read_workbook(path: Path, file: str, how: Opening) -> list[RawTable]:
    """Read the sheets named; else, where it is known what a header holds, every sheet that has one.

    Where no sheet has a known header the first is read. Blank rows at the end are not rows: a
    sheet's used range includes mere formatting.
    """
    book = _open_book(path, file)
    try:
        names = [ws.title for ws in book.worksheets]
        asked = [how.sheet] if isinstance(how.sheet, str) else list(how.sheet or ())
        for name in asked:
            if name not in names:
                raise LogError(f"{file} has no sheet {name!r}; its sheets are {', '.join(names)}.")
        if not names:
            raise LogError(f"{file} has no sheet with cells; save the log in a plain sheet.")
        chosen = asked or (names if how.known else names[:1])
        sheets = {name: _sheet_cells(book[name], file) for name in chosen}
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
            read, left = (", ".join(map(repr, some)) for some in (chosen, skipped))
            notes.append(
                say("sheets_read" if several else "sheet_read", file=file, read=read, left=left)
            )
        if shown:
            notes.append(say("clocks", file=file, count=shown))
        label, rows = f"{file} [{name}]" if several else file, range(1, len(records) + 1)
        opened = (f"{file}: workbook, sheet {name!r}.",)
        about = {"understood": opened, "warnings": tuple(notes), "date1904": date1904}
        tables.append(table_at(label, records, rows, headers[name][0], sheet=name, **about))
    return tables


@contextlib.contextmanager
def _reading(file: str) -> Iterator[None]:
    """Turn what openpyxl raises on a damaged file into one sentence."""
    try:
        yield
    except _BOOK_FAULTS as error:
        raise LogError(
            f"{file} is not a readable XLSX workbook (damaged, locked by a password, or another "
            "format); save it anew as .xlsx or .csv."
        ) from error


def _open_book(path: Path, file: str) -> Any:
    with _reading(file), warnings.catch_warnings():
        # openpyxl reports styles and menus it drops; cells are all that is read here
        warnings.simplefilter("ignore", UserWarning)
        content = io.BytesIO(path.read_bytes())  # at once: openpyxl leaves a damaged file open
        sizes.check_packed(content, file)
        return openpyxl.load_workbook(content, read_only=True, data_only=True)


def _sheet_cells(sheet: Any, file: str) -> tuple[list[list[Any]], int]:
    """Return the rows of cells, and how many clock times were read as minutes and seconds."""
    records: list[list[Any]] = []
    shown = 0
    for row in _rows(sheet, file):
        if len(records) >= sizes.MAX_SHEET_ROWS or len(row) > sizes.MAX_COLUMNS:
            raise LogError(
                f"{file}, row {len(records) + 1}: a sheet is read up to {sizes.MAX_SHEET_ROWS} rows"
                f" and {sizes.MAX_COLUMNS} columns; delete what is beyond, or save the log as .csv."
            )
        record = []
        for value, number_format in row:
            if isinstance(value, TIMES):
                value, as_shown = _clock(value, number_format)
                shown += as_shown
            record.append(value)
        records.append(record)
    return records, shown


def _rows(sheet: Any, file: str) -> Iterator[list[tuple[Any, str]]]:
    """Yield each row as values with their formats; only openpyxl's own work can fail in it."""
    with _reading(file):
        sheet.reset_dimensions()  # some programs write a wrong used range, which would cut rows off
        rows = iter(sheet.iter_rows())
    while True:
        with _reading(file):
            row = next(rows, None)
            cells = [
                (cell.value, str(cell.number_format) if isinstance(cell.value, TIMES) else "")
                for cell in row or ()
            ]
        if row is None:
            return
        yield cells


def _clock(value: dt.time | dt.timedelta, number_format: str) -> tuple[str, bool]:
    """Return the clock time as its cell shows it: 0:12, typed for twelve seconds, is 12 minutes."""
    if isinstance(value, dt.time):
        value = dt.timedelta(hours=value.hour, minutes=value.minute, seconds=value.second)
    minutes, seconds = divmod(round(value.total_seconds()), 60)
    hours, minutes = divmod(minutes, 60)
    if seconds == 0 and "s" not in number_format.casefold():
        return f"{hours}:{minutes:02d}", True
    return f"{hours}:{minutes:02d}:{seconds:02d}", False
