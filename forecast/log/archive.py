"""Tables and a few facts in a zip file: what is kept between runs."""

from __future__ import annotations

import io
import json
import zipfile
import zlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, BinaryIO

import pandas as pd
import pyarrow as pa

from forecast.log.limits import MAX_BYTES

_STAMP = (1980, 1, 1, 0, 0, 0)
"""A fixed time in the archive: the same content gives the same bytes."""
_FOREIGN = (
    zipfile.BadZipFile, zlib.error, pa.ArrowException, LookupError, TypeError, ValueError,
    AttributeError, EOFError, RuntimeError,
)  # fmt: skip
"""What a damaged archive, one that was tampered with, or something else raises."""


class NotKept(ValueError):
    """No such content is in the file, or it can't be read."""


def add_tables(
    file: BinaryIO, name: str, facts: Mapping[str, Any], tables: Mapping[str, pd.DataFrame]
) -> None:
    """Add ``facts``, as JSON, and ``tables`` to an archive, where it has none of that name yet."""
    said = {"tables": list(tables), "facts": dict(facts)}
    with zipfile.ZipFile(file, "a", zipfile.ZIP_DEFLATED) as archive:
        if f"{name}.json" in archive.namelist():
            return
        archive.writestr(zipfile.ZipInfo(f"{name}.json", _STAMP), json.dumps(said))
        for key, table in tables.items():
            entry = zipfile.ZipInfo(f"{name}-{key}.parquet", _STAMP)
            archive.writestr(entry, table.to_parquet())


def read_tables(path: str | Path, name: str) -> tuple[dict[str, Any], dict[str, pd.DataFrame]]:
    """Return the facts and tables that were added under a name.

    Raises
    ------
    NotKept
        There are none, or what is there is damaged or unpacks to more than ``MAX_BYTES``.
    OSError
        The file is not there or can't be opened.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            if sum(part.file_size for part in archive.infolist()) > MAX_BYTES:
                raise NotKept(f"it unpacks to more than {MAX_BYTES} bytes")
            said = json.loads(archive.read(f"{name}.json"))
            tables = {
                key: pd.read_parquet(io.BytesIO(archive.read(f"{name}-{key}.parquet")))
                for key in said["tables"]
            }
            return dict(said["facts"]), tables
    except _FOREIGN as error:
        raise NotKept(str(error)) from error
