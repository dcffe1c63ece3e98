"""Names of files that any system takes, and writing them whole."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Iterable
from pathlib import Path

from forecast.errors import ForecastError
from forecast.log import write_all

LONGEST = 48


def slug(name: str) -> str:
    """Return the name in small ASCII letters, digits and hyphens.

    A name of which nothing is left that way becomes a short digest of itself.
    """
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode("ascii")
    text = re.sub(r"[^a-z0-9]+", "-", plain.lower()).strip("-")[:LONGEST].strip("-")
    return text or hashlib.sha256(name.encode("utf-8")).hexdigest()[:8]


def file_names(names: Iterable[str], prefix: str) -> dict[str, str]:
    """Return a distinct file name for each name: ``athlete-arvo-w.html``.

    Names that look alike get a digest of their own behind the common part, so that a name keeps
    its file whoever else is in the club.
    """
    listed = list(dict.fromkeys(names))
    slugs = {name: slug(name) for name in listed}
    counts: dict[str, int] = {}
    for value in slugs.values():
        counts[value] = counts.get(value, 0) + 1
    result = {}
    for name, value in slugs.items():
        digest = hashlib.sha256(name.encode("utf-8")).hexdigest()[:6]
        result[name] = f"{prefix}-{value}{'' if counts[value] == 1 else '-' + digest}.html"
    return result


def make_folder(path: str | Path) -> Path:
    """Return the folder, made where it is not there yet.

    Raises
    ------
    ForecastError
        It can't be made, or is a file.
    """
    folder = Path(path)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ForecastError(
            f"The folder {folder} can't be made ({error.strerror}); name another with --out."
        ) from error
    return folder


def write_pages(folder: Path, pages: Iterable[tuple[str, str]]) -> list[Path]:
    """Write pages, each its name and text, as UTF-8 with plain line ends: all of them, or none.

    Raises
    ------
    ForecastError
        A file can't be written.
    """
    return write_all((folder / name, text.encode("utf-8")) for name, text in pages)
