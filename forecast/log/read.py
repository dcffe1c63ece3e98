"""Reading a training log: from what people bring to the one record the other rooms use."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping as Table
from collections.abc import Sequence
from pathlib import Path
from typing import Any, get_args

import pandas as pd

from forecast.errors import LogError, MappingError
from forecast.ladder import Ladder
from forecast.log.cells import Problem, counted
from forecast.log.columns import REJECTED_COLUMNS, SET_COLUMNS
from forecast.log.dates import DateOrder
from forecast.log.days import as_day, latest_today
from forecast.log.far_dates import dates_set_aside, set_aside_dates
from forecast.log.loads import load_warnings
from forecast.log.mapping import Mapping, load_mapping
from forecast.log.parsing import Rows, parse_rows, typed
from forecast.log.raw import Opening
from forecast.log.repeats import number_sets, set_aside_repeats
from forecast.log.roster import empty_roster, read_roster
from forecast.log.shapes import known_headers
from forecast.log.sources import Source, open_sources
from forecast.log.training_log import TrainingLog
from forecast.log.words import RungNames, alike

_PLACE = {"file", "row", "set", "note"}


def read_log(
    source: Source,
    ladder: Ladder,
    *,
    mapping: str | Path | Table[str, Any] | Mapping | None = None,
    roster: Source | None = None,
    date_order: DateOrder | None = None,
    sheet: str | Sequence[str] | None = None,
    encoding: str | None = None,
    today: str | pd.Timestamp | None = None,
) -> TrainingLog:
    """Read sets in whatever shape they stand, and keep account of all that can't be used.

    Parameters
    ----------
    source
        Path of a CSV, TSV, XLSX or Parquet file, a ``DataFrame``, or a list of these. A database
        is a ``DataFrame`` too: ``read_log(pandas.read_sql(...), ladder)``.
    ladder
        The ladder the rungs belong to.
    mapping
        How the file's names and words translate: a TOML path or a dictionary with the tables
        ``columns``, ``values``, ``roster`` and ``read``.
    roster
        One row an athlete with any covariates, in any of the same formats.
    date_order
        ``"dmy"``, ``"mdy"`` or ``"ymd"``; needed only where no date of the file settles it.
        Asked for outright, it also admits years of two digits.
    sheet, encoding
        Sheet of a workbook, encoding of a text file, for the log (the mapping has
        ``roster_sheet``). Each argument goes before its namesake in the mapping.
    today
        The last day that can have happened: rows dated after it are rejected, save up to the
        mapping's ``last_date``. Left out, it is the date now, where on earth it is latest.

    Returns
    -------
    TrainingLog
        Sets, rejected rows with reasons, warnings; rows in = sets + rejected.

    Raises
    ------
    LogError
        If a source can't be opened or read, or ``ladder``, ``date_order`` or ``today`` is no such
        thing.
    MappingError
        If a required column is not found, or the mapping is wrong or does not fit.
    AmbiguousDateError
        If day and month can't be told apart, or some dates contradict the others.
    """
    _check_arguments(ladder, date_order)
    plan = load_mapping(mapping)
    check_rungs(plan, ladder)
    raws = open_sources(source, opening(plan, ladder, sheet, encoding))
    parts = [parse_rows(raw, ladder, plan, date_order) for raw in raws]
    people = read_roster(roster, plan) if roster is not None else None
    return join_rows(
        [raw.file for raw in raws],
        parts,
        ladder,
        roster=people,
        today=today,
        right_until=plan.read.last_date,
    )


def opening(
    plan: Mapping,
    ladder: Ladder,
    sheet: str | Sequence[str] | None = None,
    encoding: str | None = None,
) -> Opening:
    """Return how a mapping has a log opened; each argument goes before its namesake there."""
    read = plan.read
    return Opening(
        sheet or read.sheet,
        encoding or read.encoding,
        read.header_row,
        known_headers(plan, ladder),
    )


def _check_arguments(ladder: object, date_order: object) -> None:
    if not isinstance(ladder, Ladder):
        raise LogError(
            f"ladder = {ladder!r} is not a ladder; give what read_ladder returns for its file."
        )
    orders = get_args(DateOrder)
    if date_order is not None and date_order not in orders:
        raise LogError(f"date_order = {date_order!r}; choose one of {', '.join(orders)}.")


def join_rows(
    files: Sequence[str],
    parts: Sequence[Rows],
    ladder: Ladder,
    *,
    roster: tuple[pd.DataFrame, tuple[str, ...]] | None = None,
    today: str | pd.Timestamp | None = None,
    right_until: dt.date | None = None,
) -> TrainingLog:
    """Make one log of parsed files: repeats set aside, sets numbered, every row accounted for.

    ``files`` names the file or sheet of each of the ``parts``; ``roster`` is what ``read_roster``
    returned. Up to ``right_until`` every date is right, whatever ``today`` is.
    """
    parsed = typed(pd.concat([part.sets for part in parts], ignore_index=True))
    day = latest_today() if today is None else as_day(today, "today", LogError)
    known = None if right_until is None else as_day(right_until, "last_date", LogError)
    parsed, far = set_aside_dates(parsed, day, known)
    kept, repeats = set_aside_repeats(parsed)
    sets = _ordered(kept)
    rejected = _rejected([*(part.rejected for part in parts), far, repeats], list(files))
    people, about_people = roster if roster is not None else (empty_roster(), ())
    warnings = [w for part in parts for w in part.warnings]
    warnings += dates_set_aside(rejected)
    warnings += _worth_a_look(sets, kept, len(repeats))
    warnings += about_people
    strangers = sorted(set(sets["athlete"]) - set(people.index)) if roster is not None else []
    if strangers:
        warnings.append(f"Not in the roster: {', '.join(map(repr, strangers))}.")
    warnings += load_warnings(sets, ladder, people)
    return TrainingLog(
        sets=sets,
        rejected=rejected,
        warnings=tuple(warnings),
        roster=people,
        ladder=ladder,
        rows_in=sum(part.rows_in for part in parts),
        understood=tuple(s for part in parts for s in part.understood),
    )


def check_rungs(plan: Mapping, ladder: Ladder) -> None:
    """Raise ``MappingError`` if a rung that the mapping names is not on the ladder."""
    names = RungNames(ladder)
    for theirs, ours in plan.values.get("rung", {}).items():
        fit = names(ours)
        if isinstance(fit, Problem):
            raise MappingError(f"[values.rung], {theirs!r}: {fit.reason}")


def _ordered(kept: pd.DataFrame) -> pd.DataFrame:
    sets = kept.assign(set=number_sets(kept)).astype({"set": "int64"})
    sets = sets.sort_values(["athlete", "date", "rung", "set", "file", "row"], kind="stable")
    return sets[list(SET_COLUMNS)].reset_index(drop=True)


def _rejected(parts: list[pd.DataFrame], files: list[str]) -> pd.DataFrame:
    """Join the rejected rows in the order of the files and their rows."""
    rejected = pd.concat(parts, ignore_index=True)
    rank = rejected["file"].map({file: n for n, file in enumerate(files)})
    rejected = rejected.assign(rank=rank).sort_values(["rank", "row"], kind="stable")
    types = {name: "int64" if name == "row" else "str" for name in REJECTED_COLUMNS}
    return rejected[list(REJECTED_COLUMNS)].astype(types).reset_index(drop=True)


def _worth_a_look(sets: pd.DataFrame, kept: pd.DataFrame, repeats: int) -> list[str]:
    said = []
    if sets.empty:
        said.append("No usable set was found; see the rejected rows for the reasons.")
    equal = kept[kept["set"] == 0].duplicated([c for c in SET_COLUMNS if c not in _PLACE])
    if equal.any():
        said.append(
            f"Without a set number and equal to another row of the same session: "
            f"{counted(int(equal.sum()), 'row')}, kept as repeated sets."
        )
    if repeats:
        said.append(f"Set aside because they give a set again: {counted(repeats, 'row')}.")
    for names in alike(sets["athlete"].unique()):
        said.append(
            f"The athletes {', '.join(map(repr, names))} differ only in case or accents and were "
            "kept apart; if they are one person, map them under [values.athlete]."
        )
    return said
