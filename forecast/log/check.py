"""What was understood of a log and what was not."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from forecast.errors import LogError
from forecast.log.cells import counted
from forecast.log.problems import say
from forecast.log.read import TrainingLog
from forecast.log.rows import SESSION
from forecast.log.sizes import MAX_XLSX_CELL
from forecast.log.writing import csv_bytes, without_formulas, write_whole

_SHOWN = 20
"""Longest table or list in the text; the data hold all of it."""


@dataclass(frozen=True, slots=True)
class LogReport:
    """The account of a log: athletes, rungs, kinds of trouble, and all of it as ``text``."""

    athletes: pd.DataFrame
    rungs: pd.DataFrame
    problems: pd.DataFrame
    text: str

    def __str__(self) -> str:
        """Return the text."""
        return self.text


def describe_log(log: TrainingLog) -> LogReport:
    """Say what was understood of a log, what was not, and how to correct it.

    Parameters
    ----------
    log
        A log as ``read_log`` returns it.

    Returns
    -------
    LogReport
        Tables, and one text of them with what was understood.
    """
    sets = log.sets.assign(session=log.sets.groupby(SESSION).ngroup())
    sizes = {"sessions": ("session", "nunique"), "sets": ("value", "size")}
    dated = {"first": ("date", "min"), "last": ("date", "max")}
    athletes = sets.groupby("athlete").agg(rungs=("rung", "nunique"), **sizes, **dated)
    athletes = athletes.reset_index()
    counts = sets.groupby("rung").agg(athletes=("athlete", "nunique"), **sizes)
    rungs = pd.DataFrame({"rung": log.ladder.keys, "name": [r.name for r in log.ladder.rungs]})
    rungs = rungs.join(counts.reindex(log.ladder.keys).fillna(0).astype("int64"), on="rung")
    problems = _problems(log)

    def listed(title: str, lines: Sequence[str]) -> str:
        shown = [f"  - {line}" for line in lines[:_SHOWN]]
        more = [f"  and {len(lines) - _SHOWN} more."] if len(lines) > _SHOWN else []
        return "\n".join([title, *shown, *more]) if lines else ""

    def table(title: str, rows: pd.DataFrame) -> str:
        more = f"\nand {len(rows) - _SHOWN} more." if len(rows) > _SHOWN else ""
        return f"{title}\n{rows.head(_SHOWN).to_string(index=False)}{more}" if len(rows) else ""

    troubles = [
        f"{counted(int(row['rows']), 'row')} ({row['where']}): {row['reason']}"
        for row in problems.to_dict("records")
    ]
    blocks = [
        f"{counted(log.rows_in, 'row')} in = {counted(len(sets), 'set')} + {len(log.rejected)} "
        "rejected.",
        listed("Understood:", log.understood),
        say(
            "of_the_sets",
            unclean=(~sets["clean"]).sum(),
            assisted=sets["assisted"].sum(),
            loads=sets["load_kg"].count(),
            pains=sets["pain"].count(),
        ),
        table("Rungs:", rungs),
        table("Athletes:", athletes),
        listed("Worth a look:", log.warnings),
        listed("Not understood:", troubles),
        say("correct") if problems["kind"].isin(["rung", "word", "reading"]).any() else "",
    ]
    return LogReport(athletes, rungs, problems, "\n\n".join(block for block in blocks if block))


def _problems(log: TrainingLog) -> pd.DataFrame:
    """Return a row a kind of trouble: each word is corrected on its own, notations by meaning."""
    rejected = log.rejected.assign(
        place=log.rejected["file"] + " row " + log.rejected["row"].astype("str"),
        word=log.rejected["value"].where(log.rejected["kind"].isin(["rung", "word"]), ""),
    )
    if log.problems:
        keys = pd.Series([row[0].key for row in log.problems], index=rejected.index, dtype="str")
        rejected["word"] = rejected["word"].mask(rejected["kind"] == "reading", keys)
    table = rejected.groupby(["kind", "column", "word"], sort=False).agg(
        rows=("row", "size"),
        where=("place", lambda places: ", ".join(places.unique()[:3])),
        example=("value", "first"),
        reason=("reason", "first"),
    )
    table = table.reset_index().sort_values("rows", ascending=False, kind="stable")
    return table.drop(columns="word").reset_index(drop=True)


def write_rejected(log: TrainingLog, path: str | Path) -> Path:
    """Write the rejected rows to a file, and return its path.

    Parameters
    ----------
    log
        The log that was read.
    path
        A ``.csv`` (UTF-8 with a mark) or ``.xlsx`` file.

    Raises
    ------
    LogError
        The ending is another, or the file can't be written.
    """
    path = Path(path)
    suffix = path.suffix.casefold()
    if suffix not in {".csv", ".xlsx"}:
        raise LogError(f"{path}: rejected rows are written as .csv or .xlsx; name it so.")
    if suffix == ".csv":
        return write_whole(path, csv_bytes(log.rejected, mark=True), LogError)
    longest = int(log.rejected["value"].str.len().max()) if len(log.rejected) else 0
    if longest > MAX_XLSX_CELL:
        raise LogError(
            f"{path}: a cell of {longest} characters does not fit into a workbook, which holds "
            f"{MAX_XLSX_CELL} at most; write the rejected rows as .csv."
        )
    book = io.BytesIO()
    without_formulas(log.rejected).to_excel(book, index=False, sheet_name="rejected")
    return write_whole(path, book.getvalue(), LogError)
