"""Reading a training log and a roster: from what people bring to the record other rooms use."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping as Table
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any, get_args

import numpy as np
import pandas as pd

from forecast.errors import LogError, MappingError, quote
from forecast.ladder import Criterion, Ladder, Rung
from forecast.log import cells, dates
from forecast.log.cells import alike, show, vocabulary
from forecast.log.dates import DateOrder, as_day, dates_set_aside, latest_today, set_aside_dates
from forecast.log.mapping import (
    SET_COLUMNS,
    Mapping,
    header_unit,
    is_called,
    load_mapping,
    plain_header,
    value_words,
)
from forecast.log.numbers import KG_PER_LB, decimal_number
from forecast.log.problems import Problem, Rejected, problem, rejected_table, say
from forecast.log.roles import RungNames
from forecast.log.rows import Rows, number_sets, parse_rows, set_aside_repeats, typed
from forecast.log.shapes import known_headers
from forecast.log.sources import Source, open_sources
from forecast.log.tables import Opening, RawTable


@dataclass(frozen=True, slots=True)
class TrainingLog:
    """Sets, one row each, with everything set aside and why.

    Attributes
    ----------
    sets
        One row a set with the columns of ``SET_COLUMNS``, sorted by athlete, date, rung, set.
    rejected
        One row for each source row that is not in ``sets`` (exact duplicates too, with
        ``kind == "duplicate"``); columns ``REJECTED_COLUMNS``.
    warnings
        Sentences about what was understood in one of several ways, or is worth a look.
    roster
        One row an athlete, index ``athlete``, any covariates; empty where none was given.
    ladder
        The ladder the log was read against.
    rows_in
        Number of data rows in the source; always ``len(sets) + len(rejected)``.
    understood
        Sentences on how the source was read.
    problems
        The problems of each row of ``rejected``, as records.
    right
        What the mapping calls right, however odd it looks.
    """

    sets: pd.DataFrame = field(repr=False)
    rejected: pd.DataFrame = field(repr=False)
    warnings: tuple[str, ...] = field(repr=False)
    roster: pd.DataFrame = field(repr=False)
    ladder: Ladder = field(repr=False)
    rows_in: int
    understood: tuple[str, ...] = field(default=(), repr=False)
    problems: tuple[Rejected, ...] = field(default=(), repr=False)
    right: tuple[str, ...] = ()

    @property
    def athletes(self) -> list[str]:
        """Names of the athletes with at least one set, sorted."""
        return sorted(self.sets["athlete"].unique())

    def _repr_html_(self) -> str:
        days = self.sets["date"].agg(["min", "max"]).dt.date
        span = f", {days.iloc[0]} to {days.iloc[1]}" if len(self.sets) else ""
        return (
            f"<p>{len(self.sets)} sets of {len(self.athletes)} athletes{span}; "
            f"{len(self.rejected)} of {self.rows_in} rows set aside (.rejected)</p>"
        )

    @property
    def dates_set_aside(self) -> list[str]:
        """A sentence for each kind of rows whose dates can't be right."""
        return dates_set_aside(self.rejected)

    def before(self, as_of: pd.Timestamp | str) -> TrainingLog:
        """Return the log with nothing dated on or after ``as_of``, or raise ``LogError``."""
        day = as_day(as_of, "as_of", LogError)
        return replace(self, sets=self.sets[self.sets["date"] < day].reset_index(drop=True))


def checked_log(log: object) -> TrainingLog:
    """Return the log given, or raise ``LogError`` where it is something else, such as a club."""
    if isinstance(log, TrainingLog):
        return log
    raise LogError(
        f"A {type(log).__name__} was given where a log is needed; give what read_log returned, or "
        "the .log of what read_club returned."
    )


SLACK_KG = 0.5
"""Plates and pound conversions never match to the gram."""
_NAMED = 8
"""Athletes named in one sentence; the rest are counted."""


def load_marks(sets: pd.DataFrame, ladder: Ladder, roster: pd.DataFrame) -> pd.DataFrame:
    """Say for every set whether it was ``loaded`` enough, and on what ground.

    ``load_asked`` is in kg (0 where none is, missing without a body mass), ``load_noted`` says that
    some load was noted for this athlete on this rung. A load never noted is presumed to be the one
    asked for: coaches write down what varies. Without a body mass any noted load passes, and a set
    without one does not.
    """
    marks = {rung.key: rung.criterion for rung in ladder.rungs}
    fraction = sets["rung"].map({key: c.load_bodyweight or 0.0 for key, c in marks.items()})
    fixed = sets["rung"].map({key: c.load_kg or 0.0 for key, c in marks.items()}).astype(float)
    mass = pd.Series(float("nan"), index=sets.index)
    if "body_mass_kg" in roster.columns:
        mass = sets["athlete"].map(roster["body_mass_kg"]).astype(float)
    asked = fixed.where(fraction == 0, fraction.astype(float) * mass)
    noted = sets.groupby(["athlete", "rung"])["load_kg"].transform("count") > 0
    carried = sets["load_kg"].fillna(0.0)
    enough = (carried >= asked - SLACK_KG).where(asked.notna(), carried > 0)
    return pd.DataFrame(
        {"load_asked": asked, "load_noted": noted, "loaded": (asked == 0) | ~noted | enough}
    )


def load_warnings(sets: pd.DataFrame, ladder: Ladder, roster: pd.DataFrame) -> list[str]:
    """Return a sentence for each rung whose load was taken on trust: for whom, and what to do."""
    asking = [r.key for r in ladder.rungs if r.criterion.load_kg or r.criterion.load_bodyweight]
    sets = sets[sets["rung"].isin(asking)]
    marks = load_marks(sets, ladder, roster).join(sets[["athlete", "rung"]])
    marks["unknown"] = marks["load_asked"].isna()
    trusted = marks[marks["unknown"] | ((marks["load_asked"] > 0) & ~marks["load_noted"])]
    lines = []

    def people(rows: pd.DataFrame) -> str:
        names = sorted(rows["athlete"].unique())
        more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
        return ", ".join(map(repr, names[:_NAMED])) + more

    for rung in ladder.rungs:
        here, mark = trusted[trusted["rung"] == rung.key], rung.criterion
        asks = f"{mark.load_kg or 0:g} kg"
        if mark.load_bodyweight:
            asks = f"{100 * mark.load_bodyweight:g} % of body mass"
        light, never = here[here["unknown"] & here["load_noted"]], here[~here["load_noted"]]
        massless = never["unknown"].any()
        for rows, what in ((light, "any_load"), (never, "no_load_mass" if massless else "no_load")):
            if len(rows):
                lines.append(say(what, rung=rung.key, asks=asks, people=people(rows)))
    return lines


COVARIATE_LIMITS = {
    "age": (3.0, 120.0),
    "body_mass_kg": (15.0, 400.0),
    "height_cm": (80.0, 250.0),
    "training_years": (0.0, 100.0),
}
"""Covariates known by name, each with the range (in its unit) outside which it is a slip."""


def read_roster(roster: Source | None, mapping: Mapping) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Read one row an athlete: a table of covariates (index ``athlete``, sorted), and sentences.

    Columns of ``COVARIATE_LIMITS`` are numbers (body mass in pounds is converted); any other is
    numeric where every cell is, else text. A cell that can't be used is left blank, and named in a
    sentence. Errors as in ``read_log``.
    """
    if roster is None:
        return empty_roster(), ()
    lines: list[str] = []  # filled on the way, in the order of the file
    raws = open_sources(roster, Opening(mapping.read.roster_sheet), name="roster")
    people = pd.concat([_one_roster(raw, mapping, lines) for raw in raws], ignore_index=True)
    people = _merge(people, lines).drop(columns=["file", "row"])
    for name, column in people.items():
        if all(isinstance(cell, float) for cell in column.dropna()):
            people[name] = column.astype("float64")
        else:
            people[name] = column.map(lambda c: None if c is None else show(c)).astype("str")
    return people, tuple(lines)


def empty_roster() -> pd.DataFrame:
    """Return a roster that says nothing about anybody."""
    return pd.DataFrame(index=pd.Index([], dtype="str", name="athlete"))


def _one_roster(raw: RawTable, mapping: Mapping, lines: list[str]) -> pd.DataFrame:
    names = _roster_columns(raw, mapping)
    replace = value_words(mapping, "athlete")
    who = cells.parse(
        raw.cells[names.pop("athlete")],
        lambda cell: cells.athlete_name(replace.get(show(cell).casefold(), cell)),
    )
    table: dict[str, Any] = {"athlete": who.values}
    for ours, theirs in names.items():
        pounds = header_unit(theirs) == "lb"
        parsed = cells.parse(
            raw.cells[theirs], partial(_covariate, ours, pounds, mapping.read.decimal)
        )
        for n in np.flatnonzero(parsed.problems):
            lines.append(f"{raw.file} row {raw.rows[n]}, {theirs}: {parsed.problems[n].reason}")
        table[ours] = parsed.values
    table |= {"file": raw.file, "row": raw.rows}
    frame = pd.DataFrame(table, index=raw.cells.index)
    nameless = frame["athlete"].isna() & ~raw.blank
    lines += [say("nameless", file=raw.file, row=row) for row in frame["row"][nameless]]
    return frame[frame["athlete"].notna()]


def _roster_columns(raw: RawTable, mapping: Mapping) -> dict[str, str]:
    """Our column name to the header; a column without a name of ours keeps its own."""
    headers = list(raw.cells.columns)
    ours: dict[str, str] = {}
    for name, theirs in mapping.roster.items():
        if theirs not in headers:
            raise MappingError(
                f"{raw.file} has no column {theirs!r}, which [roster] names for {name}; its "
                f"columns are {', '.join(map(quote, headers))}."
            )
        ours[name] = theirs
    for name in ("athlete", *COVARIATE_LIMITS):
        if name in ours:
            continue
        own = [h for h in headers if plain_header(h) == plain_header(name)]
        fits = own or [h for h in headers if is_called(h, vocabulary("roster", name))]
        if len(fits) > 1 or (name == "athlete" and not fits):
            raise MappingError(
                f"{raw.file}: {'several columns' if fits else 'no column'} could be {name}; its "
                f"columns are {', '.join(map(quote, headers))}. Say which in the mapping:\n"
                f'[roster]\n{name} = "{(fits or ["THEIR COLUMN"])[0]}"'
            )
        if fits:
            ours[name] = fits[0]
    for header in headers:
        if header not in ours.values():
            ours["_".join(plain_header(header).split()) or header] = header
    return ours


def _covariate(name: str, pounds: bool, decimal: str | None, cell: Any) -> Any:
    if cells.is_blank(cell):
        return None
    number = cells.as_number(cell)
    if number is None:
        text = cells.tidy(str(cell)).replace("−", "-")
        try:
            read = decimal_number(text, decimal)
        except ValueError:
            read = problem("number", "not_a_number", text)
        number = None if isinstance(read, Problem) else read
    if name not in COVARIATE_LIMITS:
        return show(cell) if number is None else number
    low, high = COVARIATE_LIMITS[name]
    if number is not None and pounds:
        number *= KG_PER_LB
    if number is None or not low <= number <= high:
        return problem("number", "covariate", show(cell), low=low, high=high)
    return number


def _merge(people: pd.DataFrame, lines: list[str]) -> pd.DataFrame:
    """Make one row an athlete; what two rows contradict in is left blank."""
    covariates = [c for c in people.columns if c not in {"athlete", "file", "row"}]
    for who, rows in people[people.duplicated("athlete", keep=False)].groupby("athlete"):
        places = ", ".join(f"{f} row {r}" for f, r in zip(rows["file"], rows["row"], strict=True))
        differ = [c for c in covariates if rows[c].dropna().nunique() > 1]
        if differ:
            people.loc[rows.index, differ] = None
        what = "twice_differing" if differ else "twice"
        lines.append(say(what, who=who, places=places, names=", ".join(differ)))
    merged = people.groupby("athlete", sort=True).first()
    merged.index = merged.index.astype("str")
    return merged


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
        If a source can't be opened or read, or ``ladder``, ``date_order`` or ``today`` is not such
        thing.
    MappingError
        If a required column is not found, or the mapping is wrong or does not fit.
    AmbiguousDateError
        If day and month can't be told apart, or some dates contradict the others.
    """
    if not isinstance(ladder, Ladder):
        raise LogError(
            f"ladder = {ladder!r} is not a ladder; give what read_ladder returns for its file."
        )
    if date_order is not None and date_order not in (orders := get_args(DateOrder)):
        raise LogError(f"date_order = {date_order!r}; choose one of {', '.join(orders)}.")
    plan = load_mapping(mapping)
    check_rungs(plan, ladder)
    raws = open_sources(source, opening(plan, ladder, sheet, encoding))
    parsed = [(raw.file, parse_rows(raw, ladder, plan, date_order)) for raw in raws]
    people = read_roster(roster, plan) if roster is not None else None
    until = plan.read.last_date
    log = join_rows(parsed, ladder, roster=people, today=today, right_until=until)
    return replace(log, right=tuple(plan.right))


def opening(
    plan: Mapping,
    ladder: Ladder,
    sheet: str | Sequence[str] | None = None,
    encoding: str | None = None,
) -> Opening:
    """Return how a mapping has a log opened; each argument goes before its namesake there."""
    read, known = plan.read, known_headers(plan, ladder)
    return Opening(sheet or read.sheet, encoding or read.encoding, read.header_row, known)


def join_rows(
    parsed: Sequence[tuple[str, Rows]],
    ladder: Ladder,
    *,
    roster: tuple[pd.DataFrame, tuple[str, ...]] | None = None,
    today: str | pd.Timestamp | None = None,
    right_until: dt.date | None = None,
) -> TrainingLog:
    """Make one log of files with their rows: repeats set aside, sets numbered, rows accounted for.

    ``roster`` is what ``read_roster`` returned. Up to ``right_until`` every date is right.
    """
    parts = [rows for _, rows in parsed]
    every = typed(pd.concat([part.sets for part in parts], ignore_index=True))
    day = latest_today() if today is None else as_day(today, "today", LogError)
    until = None if right_until is None else as_day(right_until, "last_date", LogError)
    dated, far = set_aside_dates(every, day, until)
    kept, repeats = set_aside_repeats(dated)
    sets = kept.assign(set=number_sets(kept)).astype({"set": "int64"})
    sets = sets.sort_values(["athlete", "date", "rung", "set", "file", "row"], kind="stable")
    sets = sets[list(SET_COLUMNS)].reset_index(drop=True)
    rank = {file: n for n, (file, _) in enumerate(parsed)}
    rows = [*(row for part in parts for row in part.rejected), *far, *repeats]
    rows.sort(key=lambda row: (rank[row[0].file], row[0].row))
    rejected = rejected_table(rows)
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
        problems=tuple(rows),
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


def _worth_a_look(sets: pd.DataFrame, kept: pd.DataFrame, repeats: int) -> list[str]:
    lines = [say("no_set")] if sets.empty else []
    content = [name for name in SET_COLUMNS if name not in {"file", "row", "set", "note"}]
    equal = int(kept[kept["set"] == 0].duplicated(content).sum())
    lines += [say("equal_sets", count=equal)] if equal else []
    lines += [say("repeats", count=repeats)] if repeats else []
    spelt = (", ".join(map(repr, names)) for names in alike(sets["athlete"].unique()))
    return lines + [say("spelt_alike", names=names) for names in spelt]


RUNG = "threshold"


def measurement_log(
    table: pd.DataFrame,
    *,
    unit: str,
    time: str,
    value: str,
    threshold: float,
    days_per_time: float,
    stagger_days: float = 0.0,
    start: str = "2024-01-01",
) -> TrainingLog:
    """Return a log in which every unit is an athlete and every measurement a session of one set.

    Parameters
    ----------
    table
        One row a measurement.
    unit, time, value
        Names of its columns; time counts from anything, in any unit.
    threshold
        Value that clears the only rung.
    days_per_time
        Days that one step of ``time`` stands for.
    stagger_days
        Days between the first measurements of one unit and the next, in the order in which units
        come in the table: 0 starts all of them together.
    start
        Date of the first unit's first measurement.

    Raises
    ------
    LogError
        A column is missing, the threshold is not above 0, or the start is not a date.
    """
    lacking = [name for name in (unit, time, value) if name not in table.columns]
    if lacking:
        raise LogError(
            f"The table has no column {', '.join(lacking)}; it has "
            f"{', '.join(map(str, table.columns))}."
        )
    if not threshold > 0:
        raise LogError(f"threshold = {threshold!r}; levels are ratios to it, so give one above 0.")
    whole = table[[unit, time, value]].dropna()
    place, names = pd.factorize(whole[unit])
    since = whole[time] - whole.groupby(unit)[time].transform("min")
    days = (since * days_per_time + place * stagger_days).round()
    rows = pd.DataFrame(
        {
            "athlete": [f"{unit} {names[i]}" for i in place],
            "date": as_day(start, "start", LogError) + pd.to_timedelta(days, unit="D"),
            "rung": RUNG,
            "value": whole[value].astype(float).to_numpy(),
        }
    )
    rung = Rung(RUNG, f"{value} of {threshold:g}", "only", Criterion("cm", float(threshold)))
    ladder = Ladder(f"{value} by {unit}", (rung,))
    # days made up from a start: none of them is a slip of the pen
    return read_log(rows, ladder, mapping={"read": {"last_date": dates.LATEST}})
