"""A club: one file that binds ladder, logs and roster; rows kept between runs; a club to share."""

from __future__ import annotations

import contextlib
import datetime as dt
import hashlib
import hmac
import io
from dataclasses import asdict, dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from forecast.errors import ForecastError, LogError
from forecast.ladder import BOUNDS, LARGEST, Ladder
from forecast.ladder_file import breach, checked_path, read_ladder, read_toml
from forecast.log import read
from forecast.log.cells import visible
from forecast.log.dates import EARLIEST, LATEST, DateOrder, as_day
from forecast.log.draft import draft
from forecast.log.drafts import Draft
from forecast.log.mapping import SET_COLUMNS, load_mapping, quoted
from forecast.log.problems import Problem, say
from forecast.log.read import TrainingLog
from forecast.log.rows import Rows, parse_rows, typed
from forecast.log.sources import file_labels, open_one
from forecast.log.writing import add_tables, csv_bytes, read_tables, write_whole

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
    parsed: list[tuple[str, Rows]] = []
    used: set[Path] = set()
    right_until, right = [plan.last_date], []
    labels = file_labels(entry.file for entry in plan.log)
    for entry, label in zip(plan.log, labels, strict=True):
        mapping = load_mapping(folder / entry.mapping if entry.mapping else None)
        read.check_rungs(mapping, ladder)
        right_until.append(mapping.read.last_date)
        right += mapping.right
        order = entry.date_order or date_order
        asked = (label, entry, order, mapping, ladder)
        file = folder / entry.file
        place = kept_at(folder, file, *asked) if keep else None
        rows = read_kept(place, ladder) if place is not None else None
        if rows is None:
            how = read.opening(mapping, ladder, entry.sheet, entry.encoding)
            opened = open_one(file, label, how)
            rows = [(raw.file, parse_rows(raw, ladder, mapping, order)) for raw in opened]
            if place is not None and place == kept_at(folder, file, *asked):
                keep_rows(place, rows)  # the file is still the one that was read
        if place is not None:
            used.add(place)
        parsed += rows
    if keep:
        forget_others(folder, used)
    people = None
    if plan.roster:
        about = load_mapping(folder / plan.roster_mapping if plan.roster_mapping else None)
        people = read.read_roster(folder / plan.roster, about)
    as_of = as_day(plan.as_of, "as_of", LogError) if plan.as_of else None
    name = visible(plan.name or folder.resolve().name)
    until = max((day for day in right_until if day is not None), default=None)
    log = read.join_rows(parsed, ladder, roster=people, today=today, right_until=until)
    return Club(name, replace(log, right=tuple(right)), as_of)


def draft_club(path: str | Path, *, date_order: DateOrder | None = None) -> list[tuple[str, Draft]]:
    """Draft the mapping of every log of a club, each from its own mapping if it has one.

    Returns each log's file, as the club file names it, and its draft; errors as in ``read_club``,
    but for words and columns, which the drafts ask about.
    """
    plan, folder, ladder = _plan(path)
    return [
        (
            entry.file,
            draft(
                folder / entry.file,
                ladder,
                roster=folder / plan.roster if plan.roster else None,
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
    path = checked_path(path, LogError)
    path = path / CLUB_FILE if path.is_dir() else path
    absent = say("no_club", path=path, file=CLUB_FILE)
    content, _ = read_toml(path, absent, LogError)
    try:
        plan = _ClubFile.model_validate(content)
    except ValidationError as error:
        lines = []
        for one in error.errors():
            place, where = list(one["loc"]), str(path)
            if len(place) > 1 and isinstance(place[1], int):
                where += f", [[log]] number {place[1] + 1}"
            fields = (_LogTable if len(place) > 2 else _ClubFile).model_fields
            lines.append(f"{where}: {breach(one, str(place[-1]), list(fields))}")
            if one["type"] == "missing" and place == ["log"]:
                lines[-1] = say("no_log", where=where)
        raise LogError("\n".join(lines)) from error
    return plan, path.parent, read_ladder(path.parent / plan.ladder)


KEPT_NAME, _KEPT = "last_read-{}.zip", "rows"
_MAY_BE_BLANK = ["load_kg", "effort", "pain"]
PACKAGE = Path(__file__).parents[1]


@cache
def code_digest(folder: Path) -> bytes:
    """Return a digest of the package's code below a folder: other code may read otherwise."""
    digest = hashlib.sha256()
    for path in sorted(folder.rglob("*.py")):
        digest.update(path.read_bytes())
    return digest.digest()


def kept_at(home: Path, file: Path, *asked: object) -> Path | None:
    """Return where rows are kept, by the file's content and all that was ``asked`` of it.

    Nothing where the file can't be read: reading it will say why.
    """
    digest = hashlib.sha256(code_digest(PACKAGE / "log"))
    digest.update(repr(asked).encode())
    try:
        with file.open("rb") as content:
            digest.update(hashlib.file_digest(content, "sha256").digest())
    except OSError:
        return None
    return home / KEPT_NAME.format(digest.hexdigest()[:16])


def read_kept(path: Path, ladder: Ladder) -> list[tuple[str, Rows]] | None:
    """Return the rows kept, by file or sheet; nothing where they are not there or not sound."""

    def problem(record: dict[str, Any]) -> Problem:
        choices = tuple((str(answer), str(means)) for answer, means in record.pop("choices"))
        one = Problem(**record, choices=choices)
        if not isinstance(one.row, int) or not one.reason:
            raise ValueError("not a problem")
        return one

    kept = []
    try:
        if path.is_symlink():
            return None  # nothing of ours is a link
        about, tables = read_tables(path, _KEPT)
        for number, (file, rejected, understood, warnings, rows_in) in enumerate(about["parts"]):
            problems = [tuple(map(problem, row)) for row in rejected]
            sets = tables[f"{number}-sets"]
            if not _are_sound(sets, ladder) or rows_in != len(sets) + len(problems):
                return None
            kept.append((file, Rows(sets, problems, tuple(understood), tuple(warnings), rows_in)))
    except (OSError, LookupError, TypeError, ValueError, AttributeError):
        return None
    return kept


def _are_sound(sets: pd.DataFrame, ladder: Ladder) -> bool:
    """Whether kept sets are what reading could have made: columns, types, nothing out of range."""
    kinds = {name: str(kind) for name, kind in sets.dtypes.items()}
    if kinds != SET_COLUMNS | {"clock": "int64"}:
        return False
    highest = {rung.key: LARGEST[rung.criterion.measure] for rung in ladder.rungs}
    ranges = {
        "value": (0, sets["rung"].map(highest)),
        "date": (pd.Timestamp(EARLIEST), pd.Timestamp(LATEST)),
        "load_kg": BOUNDS["load_kg"],
        "effort": (0, 10),
        "pain": (0, 10),
        "set": (0, np.inf),
    }
    within = all(
        (sets[name].between(low, high) | (sets[name].isna() & (name in _MAY_BE_BLANK))).all()
        for name, (low, high) in ranges.items()
    )
    return bool(within and sets.drop(columns=_MAY_BE_BLANK).notna().all(axis=None))


def keep_rows(path: Path, parts: list[tuple[str, Rows]]) -> None:
    """Keep the rows of a file; a folder that can't be written to keeps none."""
    about, content = [], io.BytesIO()
    for file, rows in parts:
        rejected = [[asdict(one) for one in row] for row in rows.rejected]
        about.append((file, rejected, rows.understood, rows.warnings, rows.rows_in))
    tables = {f"{number}-sets": typed(rows.sets) for number, (_, rows) in enumerate(parts)}
    add_tables(content, _KEPT, {"parts": about}, tables)
    with contextlib.suppress(ForecastError, OSError):
        if path.is_symlink():
            path.unlink()  # kept here, not wherever a link points
        write_whole(path, content.getvalue())


def forget_others(home: Path, used: set[Path]) -> None:
    """Remove what is kept of files as they were before."""
    with contextlib.suppress(OSError):
        for old in set(home.glob(KEPT_NAME.format("*"))) - used:
            old.unlink(missing_ok=True)


WEEK_YEAR_DAYS, MOST_YEARS = 364, 8
"""Days of a whole year of weeks: a date moved by it stays on its day of the week. Years that dates
are moved back at most: ten days of the season, as a year is 365.25 days."""
LEAST_KEY, _DIGITS = 16, 12
"""Bytes of a key at least, and hexadecimal digits of a pseudonym: among 4,000 names two are alike
once in 30 million keys."""


def pseudonymise(log: TrainingLog, key: bytes | str, *, each: bool = False) -> TrainingLog:
    """Return a log without names, notes and true dates, of which forecasts are the same.

    Names become keyed hashes (HMAC-SHA256), so that who has not the key can't try names. All
    dates move back by one number of years of 364 days, drawn from the key: intervals, days of
    the week and, within ten days, the season stay. Of the roster the covariates known here stay,
    kinds of help become ``assisted``, and where a row stood is dropped, with rows set aside.

    Training days, results, body mass and age stay as they are, and may tell a person to who
    knows them. This is a pseudonym, not anonymity.

    Parameters
    ----------
    log
        A log from ``read_log``.
    key
        At least 16 bytes nobody can guess. The same key gives the same names and dates.
    each
        Move each athlete's dates by a number of years of their own. Intervals within an athlete
        stay; but a forecast is made as of one day, on which most of them then seem to be away, so
        that only what has no common calendar (curves, levels) is the same.

    Raises
    ------
    LogError
        The key is too short, or gives two athletes the same name.
    """
    names = {name: pseudonym(name, key) for name in {*log.athletes, *log.roster.index}}
    if len(set(names.values())) < len(names):
        raise LogError("This key gives two athletes the same pseudonym; take another key.")
    sets = log.sets
    days = sets["athlete"].map(lambda name: shift_days(key, name if each else ""))
    sets = sets.assign(
        athlete=sets["athlete"].map(names),
        date=sets["date"] - pd.to_timedelta(days.astype("int64"), unit="D"),
        assist=sets["assist"].where(~sets["assisted"], "assisted"),
        note="",
        file="shared",
    ).astype(SET_COLUMNS)
    sets = sets.sort_values(["athlete", "date", "rung", "set"], kind="stable", ignore_index=True)
    sets = sets.assign(row=pd.RangeIndex(2, len(sets) + 2).astype("int64"))
    roster = log.roster[[name for name in log.roster if name in read.COVARIATE_LIMITS]]
    return replace(
        log, sets=sets, rejected=log.rejected.iloc[:0], warnings=(), understood=(),
        roster=roster.rename(index=names).sort_index(), rows_in=len(sets),
    )  # fmt: skip


def pseudonym(name: str, key: bytes | str) -> str:
    """Return the name that a keyed hash gives an athlete; errors as in ``pseudonymise``."""
    return "a" + _digest(key, "name", name)[:_DIGITS]


def shift_days(key: bytes | str, athlete: str = "") -> int:
    """Return the days by which dates move back, all of them or an athlete's; errors as above."""
    return WEEK_YEAR_DAYS * (1 + int(_digest(key, "dates", athlete), 16) % MOST_YEARS)


def _digest(key: bytes | str, what: str, of: str) -> str:
    secret = key.encode("utf-8") if isinstance(key, str) else key
    if not isinstance(secret, bytes) or len(secret) < LEAST_KEY:
        raise LogError(f"The key is too short: give {LEAST_KEY} bytes or more nobody can guess.")
    return hmac.new(secret, f"{what}:{of}".encode(), hashlib.sha256).hexdigest()


def club_files(
    log: TrainingLog, folder: Path, as_of: pd.Timestamp | None = None, name: str = "A club"
) -> list[tuple[Path, bytes]]:
    """Return the files of a club that ``read_club`` reads as this log, for ``write_all``."""
    sets = log.sets.drop(columns=["file", "row", "assisted"])
    noted = [column for column in sets if sets[column].notna().any() and (sets[column] != "").any()]
    lines = [f"name = {quoted(name)}", 'ladder = "ladder.toml"']
    lines += ['roster = "roster.csv"'] if len(log.roster) else []
    lines += [f"as_of = {as_of.date()}"] if as_of is not None else []
    lines += [f"last_date = {log.sets['date'].max().date()}"] if len(log.sets) else []
    files = {
        "ladder.toml": ladder_text(log.ladder).encode(),
        "sets.csv": csv_bytes(sets[noted]),
        CLUB_FILE: "\n".join([*lines, "", "[[log]]", 'file = "sets.csv"', ""]).encode(),
    }
    if len(log.roster):
        files["roster.csv"] = csv_bytes(log.roster.reset_index())
    return [(folder / file, content) for file, content in files.items()]


def ladder_text(ladder: Ladder) -> str:
    """Return a ladder as TOML, each rung's fields in the order of ``Rung`` and ``Criterion``."""
    lines = ["[ladder]", f"name = {quoted(ladder.name)}"]
    for rung in ladder.rungs:
        lines += ["", "[[rung]]"]
        facts: dict[str, Any] = {}
        for name, value in asdict(rung).items():
            facts |= value if name == "criterion" else {name: value}
        needs = facts.pop("needs")
        for key, value in facts.items():
            if value not in (None, ""):
                lines.append(f"{key} = {quoted(value) if isinstance(value, str) else value}")
        lines.append(f"needs = [{', '.join(map(quoted, needs))}]")
    return "\n".join(lines) + "\n"
