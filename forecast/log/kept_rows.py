"""Rows read from a file, kept beside the club: a file that stayed as it was is not read again."""

from __future__ import annotations

import hashlib
import io
from functools import cache
from pathlib import Path

import pandas as pd

from forecast.errors import ForecastError
from forecast.log.archive import add_tables, read_tables
from forecast.log.parsing import Rows, typed
from forecast.log.writing import write_whole

NAME = "last_read-{}.zip"
NAMED = "rows"
PACKAGE = Path(__file__).parents[1]


@cache
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
    try:
        about, tables = read_tables(path, NAMED)
        return [
            (
                file,
                Rows(
                    tables[f"{number}-sets"], tables[f"{number}-rejected"],
                    tuple(understood), tuple(warnings), rows_in,
                ),
            )
            for number, (file, understood, warnings, rows_in) in enumerate(about["parts"])
        ]  # fmt: skip
    except (OSError, LookupError, TypeError, ValueError):
        return None  # a cache that is spoilt is no loss: the file itself is read


def keep_rows(path: Path, parts: list[tuple[str, Rows]]) -> None:
    """Keep the rows of a file; a folder that can't be written to keeps none."""
    about, content = [], io.BytesIO()
    tables: dict[str, pd.DataFrame] = {}
    for number, (file, rows) in enumerate(parts):
        tables |= {f"{number}-sets": typed(rows.sets), f"{number}-rejected": rows.rejected}
        about.append((file, rows.understood, rows.warnings, rows.rows_in))
    add_tables(content, NAMED, {"parts": about}, tables)
    try:
        write_whole(path, content.getvalue())
    except ForecastError:
        return


def forget_others(home: Path, used: set[Path]) -> None:
    """Remove what is kept of files as they were before."""
    for old in home.glob(NAME.format("*")):
        if old not in used:
            old.unlink(missing_ok=True)
