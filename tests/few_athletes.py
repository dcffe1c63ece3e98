"""The demo club with a few of its athletes: same files, columns, words and slips, fewer rows."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

DEMO = Path(__file__).parents[1] / "data_demo"


def few_athletes(folder: Path, names: Sequence[bytes], latest: int | None = None) -> Path:
    """Write the demo club's files with the rows of some of its athletes; return the folder.

    ``names``: parts of names, such as are there in whatever spelling of the rough logs;
    ``latest``: so many of the last rows of each file, or all of them.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for path in sorted(DEMO.glob("*.*ml")):
        (folder / path.name).write_bytes(path.read_bytes())
    for path in sorted(DEMO.glob("*.csv")):
        head, *lines = path.read_bytes().splitlines(keepends=True)
        theirs = [line for line in lines if any(name in line for name in names)]
        (folder / path.name).write_bytes(head + b"".join(theirs[-(latest or len(theirs)) :]))
    return folder
