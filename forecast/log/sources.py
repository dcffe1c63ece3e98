"""Opening what people bring: a file or a table in memory, as raw tables."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TypeAlias

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from forecast.errors import LogError
from forecast.log.cells import visible
from forecast.log.limits import MAX_BYTES
from forecast.log.raw import Opening, RawTable, check_cells, check_size, header_names
from forecast.log.text_files import read_text_file

Source: TypeAlias = str | Path | pd.DataFrame | Sequence[str | Path | pd.DataFrame]
"""A path, a table in memory, or a list of these."""

_TEXT = {".csv", ".tsv", ".tab", ".txt"}
_BOOK = {".xlsx", ".xlsm"}
_PARQUET = {".parquet", ".pq"}


def open_sources(source: Source, how: Opening, name: str = "table") -> list[RawTable]:
    """Open each source; messages call a table in memory by ``name``.

    Raises ``LogError`` if a source is not there, can't be opened, or is of no known kind.
    """
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
    return [check_cells(table) for table in _opened(part, label, how)]


def _opened(part: str | Path | pd.DataFrame, label: str, how: Opening) -> list[RawTable]:
    if isinstance(part, pd.DataFrame):
        return [_from_frame(part, label, "table in memory")]
    path, shown = Path(part), str(part)
    suffix = path.suffix.casefold()
    try:
        if path.is_dir():
            raise LogError(f"{shown} is a folder; give the file in it, or a list of files.")
        if not path.exists():
            raise LogError(f"There is no file {shown}; check the name.")
        if not path.is_file():
            raise LogError(f"{shown} is a device or a pipe; give a file.")
        if suffix in _TEXT:
            return [read_text_file(path, label, how)]
        if suffix in _BOOK:
            from forecast.log.workbooks import read_workbook

            return read_workbook(path, label, how)
        if suffix in _PARQUET:
            return [_from_frame(_parquet(path, label), label, "Parquet")]
    except OSError as error:
        raise LogError(f"{shown} can't be read: {error.strerror or error}.") from error
    raise LogError(
        f"{shown} is of a kind not read here ({suffix or 'no ending'}); "
        "save it as .csv, .tsv, .xlsx or .parquet."
    )


_FOREIGN = (
    pa.ArrowException, ValueError, TypeError, LookupError, AttributeError, ArithmeticError,
    RuntimeError, MemoryError,
)  # fmt: skip
"""What pyarrow and pandas raise on damaged Parquet files, as fuzzing showed."""


_BATCH = 1_000
"""Rows of a Parquet file unpacked at a time: cells may be as long as ``MAX_CELL``, and longer."""


def _parquet(path: Path, label: str) -> pd.DataFrame:
    try:
        about = pq.read_metadata(path)
        check_size(label, about.num_rows, about.num_columns)
        unpacked = sum(about.row_group(n).total_byte_size for n in range(about.num_row_groups))
        if unpacked < 0:
            raise ValueError(f"it says it unpacks to {unpacked} bytes")
        _check_unpacked(label, unpacked)
        batches, held = [], 0
        with pq.ParquetFile(path) as file:
            # one text may stand for many cells, so that what it says of its size is little
            for batch in file.iter_batches(batch_size=_BATCH):
                batches.append(batch)
                held += batch.nbytes
                _check_unpacked(label, held)
            table = pa.Table.from_batches(batches, file.schema_arrow)
            table.validate(full=True)  # text that is no UTF-8 would only be found out later
            return table.to_pandas()
    except _FOREIGN as error:
        said = (str(error).splitlines() or [type(error).__name__])[0].rstrip(".")
        raise LogError(f"{label} is not a readable Parquet file: {said}.") from error


def _check_unpacked(label: str, size: int) -> None:
    if size > MAX_BYTES:
        raise LogError(
            f"{label} unpacks to {size // 1_000_000} MB or more; {MAX_BYTES // 1_000_000} MB are "
            "read at most. Split it, or leave out columns that do not belong to the log."
        )


def _from_frame(frame: pd.DataFrame, file: str, kind: str) -> RawTable:
    # a named index is a column, unless a column of that name is there already
    named = [name for name in frame.index.names if name not in (None, *frame.columns)]
    try:
        cells = frame.reset_index(level=named) if named else frame
    except UnicodeEncodeError as error:
        raise LogError(
            f"{file}: the index holds a character that is no text ({error.object!r}); mend it."
        ) from error
    check_size(file, *cells.shape)
    cells = cells.reset_index(drop=True)
    cells.columns = pd.Index(header_names(list(cells.columns)))
    return RawTable(
        file=file,
        cells=cells,
        rows=np.arange(2, len(cells) + 2, dtype=np.int64),
        shape_problems=np.empty(len(cells), dtype=object),
        understood=(f"{file}: {kind}, columns {', '.join(cells.columns)}.",),
    )
