"""Rows read from a file, kept beside the club: a file that stayed as it was is not read again."""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from pathlib import Path

import pandas as pd

from forecast.errors import ForecastError
from forecast.log.limits import MAX_BYTES
from forecast.log.parsing import Rows, typed
from forecast.log.writing import write_whole

NAME = "last_read-{}.zip"
PACKAGE = Path(__file__).parents[1]


def code_digest(folder: Path) -> bytes:
    """Return a digest of the package's code below a folder: other code may read otherwise."""
    said = hashlib.sha256()
    for path in sorted(folder.rglob("*.py")):
        said.update(path.read_bytes())
    return said.digest()


def kept_at(home: Path, file: Path, *asked: object) -> Path | None:
    """Return where the rows of a file are kept in the club's folder.

    The name tells the file's content apart, and everything that was ``asked`` of it: label, ladder,
    mapping and settings. Nothing where the file can't be read: reading it will say why.
    """
    said = hashlib.sha256(code_digest(PACKAGE / "log"))
    said.update(repr(asked).encode())
    try:
        with file.open("rb") as content:
            said.update(hashlib.file_digest(content, "sha256").digest())
    except OSError:
        return None
    return home / NAME.format(said.hexdigest()[:16])


def read_kept(path: Path) -> list[tuple[str, Rows]] | None:
    """Return the rows kept, by file or sheet; nothing where there are none that can be read."""
    if not path.exists():
        return None
    try:
        with zipfile.ZipFile(path) as archive:
            if sum(part.file_size for part in archive.infolist()) > MAX_BYTES:
                return None
            parts = []
            for number, about in enumerate(json.loads(archive.read("about.json"))):
                sets, rejected = (
                    pd.read_parquet(io.BytesIO(archive.read(f"{number}-{name}.parquet")))
                    for name in ("sets", "rejected")
                )
                sentences = (tuple(about["understood"]), tuple(about["warnings"]))
                parts.append((about["file"], Rows(sets, rejected, *sentences, about["rows_in"])))
    except (OSError, ValueError, LookupError, TypeError, zipfile.BadZipFile):
        return None  # a cache that is spoilt is no loss: the file itself is read
    return parts


def keep_rows(path: Path, parts: list[tuple[str, Rows]]) -> None:
    """Keep the rows of a file; a folder that can't be written to keeps none."""
    content, about = io.BytesIO(), []
    with zipfile.ZipFile(content, "w", zipfile.ZIP_STORED) as archive:
        for number, (file, rows) in enumerate(parts):
            for name, frame in (("sets", typed(rows.sets)), ("rejected", rows.rejected)):
                archive.writestr(f"{number}-{name}.parquet", frame.to_parquet(index=False))
            said = {"understood": rows.understood, "warnings": rows.warnings}
            about.append({"file": file, "rows_in": rows.rows_in, **said})
        archive.writestr("about.json", json.dumps(about))
    try:
        write_whole(path, content.getvalue())
    except ForecastError:
        return


def forget_others(home: Path, used: set[Path]) -> None:
    """Remove what is kept of files as they were before."""
    for old in home.glob(NAME.format("*")):
        if old not in used:
            old.unlink(missing_ok=True)
