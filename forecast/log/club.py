"""A club: one small file that binds a ladder, its logs with their mappings, and a roster."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from forecast.errors import LogError
from forecast.ladder import Ladder
from forecast.ladder_file import read_ladder
from forecast.log.cells import visible
from forecast.log.dates import DateOrder
from forecast.log.days import as_day
from forecast.log.draft import draft_mapping
from forecast.log.kept_rows import forget_others, keep_rows, kept_at, read_kept
from forecast.log.mapping import load_mapping, read_toml
from forecast.log.parsing import Rows, parse_rows
from forecast.log.read import check_rungs, join_rows, opening
from forecast.log.roster import read_roster
from forecast.log.sources import file_labels, open_one
from forecast.log.training_log import TrainingLog

CLUB_FILE = "club.toml"


class _LogTable(BaseModel):
    model_config = ConfigDict(extra="forbid")

    file: str
    mapping: str | None = None
    date_order: DateOrder | None = None
    sheet: str | list[str] | None = None
    encoding: str | None = None


class _ClubFile(BaseModel):
    model_config = ConfigDict(extra="forbid")

    name: str = ""
    ladder: str
    roster: str | None = None
    roster_mapping: str | None = None
    as_of: dt.date | None = None
    last_date: dt.date | None = None
    log: list[_LogTable] = Field(min_length=1)


@dataclass(frozen=True, slots=True)
class Club:
    """A club's records, read.

    Attributes
    ----------
    name
        Name for headings.
    log
        All logs as one; rows in = sets + rejected over all of them.
    as_of
        Cut date the file asks for, or ``None``.
    """

    name: str
    log: TrainingLog
    as_of: pd.Timestamp | None


def read_club(
    path: str | Path,
    *,
    date_order: DateOrder | None = None,
    today: str | pd.Timestamp | None = None,
    keep: bool = False,
) -> Club:
    """Read the ladder, the roster and every log that a club file names, as one log.

    A club file is TOML: ``ladder``, one ``[[log]]`` for each log with its ``file`` and, where
    needed, ``mapping``, ``date_order``, ``sheet``, ``encoding``; and optionally
    ``name``, ``roster``, ``roster_mapping``, ``as_of`` and ``last_date`` (every date up to it is
    right, however far after the others or today). Files are looked for beside it.

    Parameters
    ----------
    path
        The club file, or the folder that holds one named ``club.toml``.
    date_order
        Order of day and month for logs whose own entry does not say.
    today
        As in ``read_log``.
    keep
        Keep the rows of each file beside the club file, and take them from there where file,
        ladder, mapping, settings and code are what they were; the log is the same.

    Raises
    ------
    LogError
        If the club file can't be read or breaks these rules, or a log can't be opened.
    LadderError
        If the ladder is wrong.
    MappingError
        If a mapping is wrong or does not fit.
    AmbiguousDateError
        If day and month can't be told apart in a log.
    """
    plan, folder, ladder = _plan(path)
    found: list[tuple[str, Rows]] = []
    used: set[Path] = set()
    right_until = [plan.last_date]
    labels = file_labels(entry.file for entry in plan.log)
    for entry, label in zip(plan.log, labels, strict=True):
        mapping = load_mapping(folder / entry.mapping if entry.mapping else None)
        check_rungs(mapping, ladder)
        right_until.append(mapping.read.last_date)
        order = entry.date_order or date_order
        asked = (label, entry, order, mapping, ladder)
        file = folder / entry.file
        place = kept_at(folder, file, *asked) if keep else None
        rows = read_kept(place) if place is not None else None
        if rows is None:
            how = opening(mapping, ladder, entry.sheet, entry.encoding)
            opened = open_one(file, label, how)
            rows = [(raw.file, parse_rows(raw, ladder, mapping, order)) for raw in opened]
            if place is not None:
                keep_rows(place, rows)
        if place is not None:
            used.add(place)
        found += rows
    if keep:
        forget_others(folder, used)
    people = None
    if plan.roster:
        about = load_mapping(folder / plan.roster_mapping if plan.roster_mapping else None)
        people = read_roster(folder / plan.roster, about)
    as_of = as_day(plan.as_of, "as_of", LogError) if plan.as_of else None
    name = visible(plan.name or folder.resolve().name)
    log = join_rows(
        [file for file, _ in found],
        [rows for _, rows in found],
        ladder,
        roster=people,
        today=today,
        right_until=max((day for day in right_until if day is not None), default=None),
    )
    return Club(name, log, as_of)


def draft_club(path: str | Path, *, date_order: DateOrder | None = None) -> list[tuple[str, str]]:
    """Draft the mapping of every log of a club, each from its own mapping if it has one.

    Parameters
    ----------
    path, date_order
        As in ``read_club``.

    Returns
    -------
    list of (str, str)
        Each log's file, as the club file names it, and its mapping as TOML.

    Raises
    ------
    LogError, LadderError, MappingError
        As in ``read_club``, but for words and columns, which the drafts ask about.
    """
    plan, folder, ladder = _plan(path)
    return [
        (
            entry.file,
            draft_mapping(
                folder / entry.file,
                ladder,
                mapping=load_mapping(folder / entry.mapping if entry.mapping else None),
                date_order=entry.date_order or date_order,
                sheet=entry.sheet,
                encoding=entry.encoding,
            ),
        )
        for entry in plan.log
    ]


def _plan(path: str | Path) -> tuple[_ClubFile, Path, Ladder]:
    """Read a club file, or the one in a folder; return it with its folder and its ladder."""
    path = Path(path)
    path = path / CLUB_FILE if path.is_dir() else path
    absent = (
        f"There is no {path}; a folder needs a {CLUB_FILE} that names its ladder and logs, "
        "or give the log file itself together with its ladder."
    )
    content = read_toml(path, absent, LogError)
    try:
        plan = _ClubFile.model_validate(content)
    except ValidationError as error:
        raise LogError("\n".join(_breach(path, problem) for problem in error.errors())) from error
    return plan, path.parent, read_ladder(path.parent / plan.ladder)


def _breach(path: Path, problem: Any) -> str:
    place = list(problem["loc"])
    where = str(path)
    if len(place) > 1 and isinstance(place[1], int):
        where += f", [[log]] number {place[1] + 1}"
    model = _LogTable if len(place) > 2 else _ClubFile
    if problem["type"] == "missing" and place == ["log"]:
        return f'{where}: no log is named; add\n[[log]]\nfile = "your_log.csv"'
    if problem["type"] == "missing":
        return f"{where}: {place[-1]!r} is missing; add it."
    if problem["type"] == "extra_forbidden":
        known = ", ".join(model.model_fields)
        return f"{where}: {place[-1]!r} is not known here; known are {known}."
    return f"{where}: {place[-1]!r} can't be {problem['input']!r}. {problem['msg']}."
