"""The roster: one row an athlete, with whatever is known about them."""

from __future__ import annotations

from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from forecast.errors import MappingError
from forecast.log import words
from forecast.log.cells import Problem, as_number, is_blank, parse, show, tidy
from forecast.log.mapping import Mapping, plain_header, value_words
from forecast.log.numbers import KG_PER_LB, decimal_number
from forecast.log.raw import Opening, RawTable
from forecast.log.sources import Source, open_sources

LIMITS = {
    "age": (3.0, 120.0),
    "body_mass_kg": (15.0, 400.0),
    "height_cm": (80.0, 250.0),
    "training_years": (0.0, 100.0),
}
"""Covariates known by name, each with the range (in its unit) outside which it is a slip."""

_SYNONYMS = {
    "athlete": "client, person, trainee, member, student, name, athlete name, client name",
    "age": "age years, years old",
    "body_mass_kg": "body mass, bodyweight, body weight, weight, mass, weight kg, bodyweight kg",
    "height_cm": "height",
    "training_years": "years of training, years training, experience years",
}
_POUNDS = {
    f"{mass} {unit}"
    for mass in ("body mass", "bodyweight", "body weight", "weight")
    for unit in ("lb", "lbs")
}


def read_roster(roster: Source | None, mapping: Mapping) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Read one row an athlete: a table of covariates (index ``athlete``, sorted), and sentences.

    Columns of ``LIMITS`` are numbers (body mass in pounds is converted); any other column is
    numeric where every cell is, else text. A cell that can't be used is left blank, and said.
    ``[roster]`` of the mapping gives their column names, ``[values.athlete]`` their spellings of
    names, ``[read]`` the ``roster_sheet`` of a workbook.

    Raises
    ------
    MappingError
        If no column, or more than one, could hold the athlete, or a mapped column is absent.
    LogError
        If the file can't be opened.
    """
    if roster is None:
        return empty_roster(), ()
    said: list[str] = []  # filled on the way, in the order of the file
    read = mapping.read
    raws = open_sources(roster, Opening(read.roster_sheet), name="roster")
    people = pd.concat([_one(raw, mapping, said) for raw in raws], ignore_index=True)
    people = _merge(people, said).drop(columns=["file", "row"])
    for name in people.columns:
        people[name] = _settle_type(people[name])
    return people, tuple(said)


def empty_roster() -> pd.DataFrame:
    """Return a roster that says nothing about anybody."""
    return pd.DataFrame(index=pd.Index([], dtype="str", name="athlete"))


def _one(raw: RawTable, mapping: Mapping, said: list[str]) -> pd.DataFrame:
    names = _columns(raw, mapping)
    replace = value_words(mapping, "athlete")
    who = parse(
        raw.cells[names.pop("athlete")],
        lambda cell: words.athlete(replace.get(show(cell).casefold(), cell)),
    )
    table: dict[str, Any] = {"athlete": who.values}
    for ours, theirs in names.items():
        pounds = plain_header(theirs) in _POUNDS
        parsed = parse(raw.cells[theirs], partial(_covariate, ours, pounds, mapping.read.decimal))
        for n in np.flatnonzero(parsed.problems):
            said.append(f"{raw.file} row {raw.rows[n]}, {theirs}: {parsed.problems[n].reason}")
        table[ours] = parsed.values
    table |= {"file": raw.file, "row": raw.rows}
    frame = pd.DataFrame(table, index=raw.cells.index)
    nameless = frame["athlete"].isna() & ~raw.blank
    said += [
        f"{raw.file} row {row} names no athlete; it was left out." for row in frame["row"][nameless]
    ]
    return frame[frame["athlete"].notna()]


def _columns(raw: RawTable, mapping: Mapping) -> dict[str, str]:
    """Our column name to the header; a column without a name of ours keeps its own."""
    headers = list(raw.cells.columns)
    ours: dict[str, str] = {}
    for name, theirs in mapping.roster.items():
        if theirs not in headers:
            raise MappingError(
                f"{raw.file} has no column {theirs!r}, which [roster] names for {name}; its "
                f"columns are {', '.join(map(repr, headers))}."
            )
        ours[name] = theirs
    for name in _SYNONYMS:
        if name in ours:
            continue
        own = [h for h in headers if plain_header(h) == plain_header(name)]
        fits = own or [
            h
            for h in headers
            if plain_header(h) in _SYNONYMS[name].split(", ")
            or (name == "body_mass_kg" and plain_header(h) in _POUNDS)
        ]
        if len(fits) > 1 or (name == "athlete" and not fits):
            raise MappingError(
                f"{raw.file}: {'several columns' if fits else 'no column'} could be {name}; its "
                f"columns are {', '.join(map(repr, headers))}. Say which in the mapping:\n"
                f'[roster]\n{name} = "{(fits or ["THEIR COLUMN"])[0]}"'
            )
        if fits:
            ours[name] = fits[0]
    for header in headers:
        if header not in ours.values():
            ours["_".join(plain_header(header).split()) or header] = header
    return ours


def _covariate(name: str, pounds: bool, decimal: str | None, cell: Any) -> Any:
    if is_blank(cell):
        return None
    number = as_number(cell)
    if number is None:
        text = tidy(str(cell)).replace("−", "-")
        try:
            found = decimal_number(text, decimal)
        except ValueError:
            found = Problem("number", "")
        number = None if isinstance(found, Problem) else found
    if name not in LIMITS:
        return show(cell) if number is None else number
    low, high = LIMITS[name]
    if number is not None and pounds:
        number *= KG_PER_LB
    if number is None or not low <= number <= high:
        return Problem(
            "number", f"{show(cell)!r} is not a number from {low:g} to {high:g}; it was left blank."
        )
    return number


def _merge(people: pd.DataFrame, said: list[str]) -> pd.DataFrame:
    """Make one row an athlete; what two rows contradict in is left blank."""
    covariates = [c for c in people.columns if c not in {"athlete", "file", "row"}]
    for who, rows in people[people.duplicated("athlete", keep=False)].groupby("athlete"):
        places = ", ".join(f"{f} row {r}" for f, r in zip(rows["file"], rows["row"], strict=True))
        differ = [c for c in covariates if rows[c].dropna().nunique() > 1]
        if differ:
            people.loc[rows.index, differ] = None
            said.append(
                f"{who!r} is in the roster more than once ({places}) with different "
                f"{', '.join(differ)}; those were left blank."
            )
        else:
            said.append(f"{who!r} is in the roster more than once ({places}); taken as one.")
    merged = people.groupby("athlete", sort=True).first()
    merged.index = merged.index.astype("str")
    return merged


def _settle_type(column: pd.Series) -> pd.Series:
    noted = column.dropna()
    if all(isinstance(cell, float) for cell in noted):
        return column.astype("float64")
    return column.map(lambda cell: None if cell is None else show(cell)).astype("str")
