"""What was understood of a log, what was not, and how to mend it: data first, then words."""

from __future__ import annotations

import io
from collections.abc import Hashable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from forecast.errors import LogError
from forecast.log.cells import counted
from forecast.log.limits import MAX_XLSX_CELL
from forecast.log.training_log import TrainingLog
from forecast.log.writing import csv_bytes, without_formulas, write_whole

_SHOWN = 20
"""Longest table or list in the text; the data hold all of it."""


_MENDS = (
    "What a word or a notation means can be said in a mapping: check --draft mapping.toml writes "
    "one with everything that is sure and a question for each of these."
)


@dataclass(frozen=True, slots=True)
class LogReport:
    """The account of a log, beside what the log itself tells.

    Attributes
    ----------
    athletes
        One row an athlete: ``athlete, rungs, sessions, sets, first, last``.
    rungs
        One row a rung of the ladder, in its order: ``rung, name, athletes, sessions, sets``.
    problems
        One row a kind of trouble, most frequent first: ``kind, column, rows`` (count),
        ``where`` (the first places), ``example`` (a cell), ``reason`` (of the first one).
    text
        All of this for reading, with the log's own counts and sentences.
    """

    athletes: pd.DataFrame
    rungs: pd.DataFrame
    problems: pd.DataFrame
    text: str

    def __str__(self) -> str:
        """Return the text."""
        return self.text


def describe_log(log: TrainingLog) -> LogReport:
    """Say what was understood of a log, what was not, and how to mend it.

    Parameters
    ----------
    log
        A log as ``read_log`` returns it.

    Returns
    -------
    LogReport
        Tables, and one text of them with what was understood.
    """
    athletes, rungs, problems = _athletes(log), _rungs(log), _problems(log)
    return LogReport(athletes, rungs, problems, _text(log, athletes, rungs, problems))


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
        content = csv_bytes(log.rejected, mark=True)
    else:
        longest = int(log.rejected["value"].str.len().max()) if len(log.rejected) else 0
        if longest > MAX_XLSX_CELL:
            raise LogError(
                f"{path}: a cell of {longest} characters does not fit into a workbook, which holds "
                f"{MAX_XLSX_CELL} at most; write the rejected rows as .csv."
            )
        book = io.BytesIO()
        without_formulas(log.rejected).to_excel(book, index=False, sheet_name="rejected")
        content = book.getvalue()
    return write_whole(path, content, LogError)


def _athletes(log: TrainingLog) -> pd.DataFrame:
    sets = log.sets.assign(session=_session(log.sets))
    return (
        sets.groupby("athlete")
        .agg(
            rungs=("rung", "nunique"),
            sessions=("session", "nunique"),
            sets=("value", "size"),
            first=("date", "min"),
            last=("date", "max"),
        )
        .reset_index()
    )


def _rungs(log: TrainingLog) -> pd.DataFrame:
    sets = log.sets.assign(session=_session(log.sets))
    counts = sets.groupby("rung").agg(
        athletes=("athlete", "nunique"), sessions=("session", "nunique"), sets=("value", "size")
    )
    table = pd.DataFrame(
        {"rung": log.ladder.keys, "name": [rung.name for rung in log.ladder.rungs]}
    )
    return table.join(counts.reindex(log.ladder.keys).fillna(0).astype("int64"), on="rung")


def _session(sets: pd.DataFrame) -> pd.Series:
    return sets.groupby(["athlete", "date", "rung"]).ngroup()


def _problems(log: TrainingLog) -> pd.DataFrame:
    columns = ["kind", "column", "rows", "where", "example", "reason"]
    rejected = log.rejected.assign(
        place=log.rejected["file"] + " row " + log.rejected["row"].astype("str"),
        # each unknown rung or word is mended on its own, the rest goes by column
        word=log.rejected["value"]
        .where(log.rejected["kind"].isin(["rung", "word"]), "")
        .mask(log.rejected["kind"] == "reading", log.rejected["reason"].str[-60:]),
    )
    table = (
        rejected.groupby(["kind", "column", "word"], sort=False)
        .agg(
            rows=("row", "size"),
            where=("place", lambda places: ", ".join(places.unique()[:3])),
            example=("value", "first"),
            reason=("reason", "first"),
        )
        .reset_index()
    )
    return table.sort_values("rows", ascending=False, kind="stable")[columns].reset_index(drop=True)


def _text(
    log: TrainingLog, athletes: pd.DataFrame, rungs: pd.DataFrame, problems: pd.DataFrame
) -> str:
    sets = log.sets
    parts = [
        f"{counted(log.rows_in, 'row')} in = {counted(len(sets), 'set')} + {len(log.rejected)} "
        "rejected.",
        _listed("Understood:", log.understood),
        f"Of the sets {int((~sets['clean']).sum())} are unclean, {int(sets['assisted'].sum())} "
        f"assisted, {int(sets['load_kg'].notna().sum())} have a load, "
        f"{int(sets['pain'].notna().sum())} a pain score.",
        _table("Rungs:", rungs),
        _table("Athletes:", athletes),
        _listed("Worth a look:", log.warnings),
        _listed("Not understood:", [_problem(row) for row in problems.to_dict("records")]),
        _MENDS if problems["kind"].isin(["rung", "word", "reading"]).any() else "",
    ]
    return "\n\n".join(part for part in parts if part)


def _problem(row: dict[Hashable, Any]) -> str:
    return f"{counted(int(row['rows']), 'row')} ({row['where']}): {row['reason']}"


def _listed(title: str, lines: list[str] | tuple[str, ...]) -> str:
    if not lines:
        return ""
    shown = [f"  - {line}" for line in lines[:_SHOWN]]
    if len(lines) > _SHOWN:
        shown.append(f"  and {len(lines) - _SHOWN} more.")
    return "\n".join([title, *shown])


def _table(title: str, table: pd.DataFrame) -> str:
    if table.empty:
        return ""
    text = table.head(_SHOWN).to_string(index=False)
    more = f"\nand {len(table) - _SHOWN} more." if len(table) > _SHOWN else ""
    return f"{title}\n{text}{more}"
