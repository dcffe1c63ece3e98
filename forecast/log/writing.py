"""Writing files: whole or not at all, with nothing in them that a spreadsheet would run."""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import secrets
import stat
import time
import zipfile
import zlib
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any, BinaryIO

import pandas as pd
import pyarrow as pa

from forecast.errors import ForecastError
from forecast.log.sizes import MAX_BYTES

_FORMULA = re.compile(r"[=+\-@\t\r]")
_NUMBER = re.compile(r"[+-]?(\d+([.,]\d+)*|\d*[.,]\d+)([eE][+-]?\d+)?")


_PART = re.compile(r"\.[0-9a-f]{16}\.part")
STALE = 3600
"""Seconds after which what waits to take a file's place was left by a run that was killed."""


def write_whole(path: Path, content: bytes, error: type[ForecastError] = ForecastError) -> Path:
    """Write a file so that it is there whole or not at all; arguments as for ``write_all``."""
    return write_all([(path, content)], error)[0]


def write_all(
    files: Iterable[tuple[Path, bytes]], error: type[ForecastError] = ForecastError
) -> list[Path]:
    """Write files, each whole or not at all; return their paths, or raise ``error``.

    The new content is put beside the old and takes its place when all of it, in all files, has been
    written, so that a full disk, an interrupt or a kill leave what was there. A link is written
    through to the file it names, and a device or pipe is written to; neither is ever replaced.
    """
    paths: list[Path] = []
    parts: list[tuple[Path, Path]] = []  # where the new content waits, and where it belongs
    try:
        for path, content in files:
            paths.append(path)
            with _in_a_sentence(path, error):
                # other than a plain file: ``/dev/null``, a pipe
                if path.exists() and not stat.S_ISREG(os.stat(path).st_mode):
                    path.write_bytes(content)
                    continue
                target = Path(os.path.realpath(path))
                if target.parent not in {place.parent for _, place in parts}:
                    _sweep(target.parent)
                # a name of its own length: the file's own may be as long as names can be
                part = target.with_name(f".{secrets.token_hex(8)}.part")
                parts.append((part, target))
                with open(part, "xb") as file:
                    file.write(content)
                    file.flush()
                    os.fsync(file.fileno())
                if target.exists():
                    os.chmod(part, stat.S_IMODE(target.stat().st_mode))
        for part, target in parts:
            with _in_a_sentence(target, error):
                os.replace(part, target)
    finally:
        for part, _ in parts:
            with contextlib.suppress(OSError):  # a read-only file system has none of them
                part.unlink(missing_ok=True)
    return paths


def _sweep(folder: Path) -> None:
    """Remove what runs that were killed left half written in a folder."""
    with contextlib.suppress(OSError):
        for old in folder.glob(".*.part"):
            left = time.time() - old.stat(follow_symlinks=False).st_mtime
            if _PART.fullmatch(old.name) and left > STALE:
                old.unlink()


@contextlib.contextmanager
def _in_a_sentence(path: Path, error: type[ForecastError]) -> Iterator[None]:
    """Turn what the system says about a file into one sentence."""
    try:
        yield
    except OSError as fault:
        raise error(f"{path} can't be written: {fault.strerror or fault}.") from fault
    except ValueError as fault:  # a NUL character in a name
        raise error(f"{str(path)!r} is not a file name: {fault}.") from fault


def csv_bytes(frame: pd.DataFrame, *, mark: bool = False) -> bytes:
    """Return CSV in UTF-8 without formulas; spreadsheet programs know UTF-8 by its ``mark``."""
    text = without_formulas(frame).to_csv(index=False, lineterminator="\n", date_format="%Y-%m-%d")
    return text.encode("utf-8-sig" if mark else "utf-8")


def without_formulas(frame: pd.DataFrame) -> pd.DataFrame:
    """Return a table whose text cells no spreadsheet program takes for a formula.

    A text that begins with ``=``, ``+``, ``-``, ``@``, a tab or a carriage return and is not
    a number gets an apostrophe before it, as spreadsheet programs mark text.

    Examples
    --------
    >>> without_formulas(pd.DataFrame({"athlete": ["=1+1", "-4", "Bo"]}))["athlete"].tolist()
    ["'=1+1", '-4', 'Bo']
    """

    def guarded(cell: object) -> object:
        risky = isinstance(cell, str) and _FORMULA.match(cell) and not _NUMBER.fullmatch(cell)
        return f"'{cell}" if risky else cell

    return frame.apply(lambda c: c.map(guarded) if c.dtype.kind == "O" else c)


_STAMP = (1980, 1, 1, 0, 0, 0)
"""A fixed time in the archive: the same content gives the same bytes."""
_ARCHIVE_FAULTS = (
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

    Raises ``NotKept`` if there are none, or they are damaged or unpack to more than ``MAX_BYTES``,
    and ``OSError`` if the file can't be opened.
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
    except _ARCHIVE_FAULTS as error:
        raise NotKept(str(error)) from error
