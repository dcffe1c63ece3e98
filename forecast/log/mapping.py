"""Our columns, and their column names and words to ours: a small TOML, and the obvious synonyms."""

from __future__ import annotations

import datetime as dt
import difflib
import json
import re
from collections.abc import Callable
from collections.abc import Mapping as Table
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

import pandas as pd
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from forecast.errors import LONGEST_QUOTE, MappingError
from forecast.ladder_file import bounds, breach, read_toml, stranger
from forecast.log import numbers
from forecast.log.cells import (
    assist_word,
    clean_word,
    note_text,
    stopped_word,
    tidy,
    vocabulary,
    word_set,
)
from forecast.log.notation import QUESTIONS
from forecast.log.numbers import UNITS


@dataclass(frozen=True, slots=True)
class Manner:
    """How a file writes numbers: its decimal mark, and the unit of a load that names none."""

    decimal: str | None = None
    load_unit: str = "kg"


@dataclass(frozen=True, slots=True)
class Column:
    """A column: its type, the reader of its cells if it may be left out, and its blank."""

    kind: str
    read: Callable[[Manner, Any], Any] | None = None
    blank: Any = None


def _of_ten(manner: Manner, cell: Any) -> Any:
    return numbers.out_of_ten(cell, manner.decimal)


def _load(manner: Manner, cell: Any) -> Any:
    return numbers.load(cell, manner.decimal, manner.load_unit)


COLUMNS: dict[str, Column] = {
    "athlete": Column("str"),
    "date": Column("datetime64[ns]"),  # midnight of the day, no time zone
    "rung": Column("str"),  # a key of the ladder
    "set": Column("int64"),  # 1, 2, ... within athlete, day and rung
    "value": Column("float64"),  # in the unit of the rung's measure
    "clean": Column("bool", lambda _, cell: clean_word(cell), True),
    "assisted": Column("bool"),
    "assist": Column("str", lambda _, cell: assist_word(cell), "none"),  # or the kind of help
    "load_kg": Column("float64", _load),  # NaN where nothing was noted, as in those below
    "stopped": Column("str", lambda _, cell: stopped_word(cell), "unknown"),  # or see words.py
    "effort": Column("float64", _of_ten),  # 0 to 10
    "pain": Column("float64", _of_ten),  # 0 to 10
    "note": Column("str", lambda _, cell: note_text(cell), ""),
    "file": Column("str"),
    "row": Column("int64"),  # line in the source as a person counts it, header = 1
}
"""Columns of ``TrainingLog.sets``, in order. A new one is a line here, and, where people call it
by other names, its words in ``lexicon.toml``."""

SET_COLUMNS = {name: column.kind for name, column in COLUMNS.items()}
"""Columns of ``TrainingLog.sets`` and their types; no column is ever missing."""

NOTED = tuple(name for name, column in COLUMNS.items() if column.read is not None)
"""Columns that tell of a set beside its value; a log may lack any of them."""


def as_sets(table: pd.DataFrame) -> pd.DataFrame:
    """Return a table with the columns of ``SET_COLUMNS`` alone, typed; those it lacks are blank."""
    blank = {name: COLUMNS[name].blank for name in NOTED if name not in table}
    return table.assign(**blank)[list(SET_COLUMNS)].astype(SET_COLUMNS)


REQUIRED = ("athlete", "date", "rung", "value")
"""Columns a log can't do without."""

OPTIONAL = ("set", *NOTED, "sets", "side")
"""Columns a log may have; ``sets`` tells how many sets alike a row stands for, ``side`` which side
of the body."""

_HEADER_UNITS = frozenset(UNITS) - word_set(
    "in m x r times mal fois veces volte vezes keer gange razy foot feet metro livres"
)
"""Unit words believed at the end of a header; ``in``, ``m`` or ``x`` may mean other things."""

OF_THE_RUNG = "rung"
"""Unit, under [units], of a column whose numbers are in what each row's rung counts."""

VIRTUAL = ("(file)", "(sheet)", "(heading)")
"""Columns every table has beside its own: name of the file, of the sheet, and the last row above
with nothing in it but its first cell."""

Scalar = str | bool | int | float


class _Read(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)

    date_order: Literal["dmy", "mdy", "ymd"] | None = None
    load_unit: Literal["kg", "lb"] | None = None
    decimal: Literal[".", ","] | None = None
    encoding: str | None = None
    sheet: str | list[str] | None = None
    header_row: Annotated[int, bounds("header_row")] | None = None
    fill_down: list[Literal["athlete", "date", "rung", "set", "sets", "side"]] = Field(
        default_factory=list
    )
    athlete: str | None = None
    year: Annotated[int, bounds("year")] | None = None
    roster_sheet: str | None = None
    last_date: dt.date | None = None


class Mapping(BaseModel):
    """How a foreign file is to be read.

    Attributes
    ----------
    columns
        Our column name to theirs, or ``(file)``, ``(sheet)``, ``(heading)``; for ``value`` also a
        list of columns: with different units one of them counts, else they are sets side by side.
    values
        For each of our columns, their word to ours; ``""`` stands for a blank cell.
    ignore
        Exercises that are not rungs: their rows are set aside without complaint.
    cells
        Notations that can be read in two ways, each with its answer (``questions.QUESTIONS``).
    words
        Words behind a value, each with its meaning: ``note``, ``clean``, ``unclean``, ``failed``,
        ``target``, ``choice``, ``none``, a unit, or a kind of help.
    units
        Headers of values that tell another unit than their numbers are in: a unit, or ``rung``
        for that of each row's rung.
    roster
        The roster's column names, ours to theirs.
    read
        ``date_order``, ``year`` of dates without one, ``load_unit``, ``decimal``, ``encoding``,
        ``sheet`` (one or a list), ``header_row``, ``fill_down`` (columns in which a blank means
        the same as above), ``athlete`` of a log of one person, ``roster_sheet``,
        and ``last_date``: every date up to it is right.
    """

    model_config = ConfigDict(extra="forbid", strict=True)

    columns: dict[str, str | list[str]] = Field(default_factory=dict)
    values: dict[str, dict[str, Scalar]] = Field(default_factory=dict)
    ignore: list[str] = Field(default_factory=list)
    cells: dict[str, str] = Field(default_factory=dict)
    words: dict[str, str] = Field(default_factory=dict)
    units: dict[str, str] = Field(default_factory=dict)
    roster: dict[str, str] = Field(default_factory=dict)
    read: _Read = Field(default_factory=_Read)


@dataclass(frozen=True, slots=True)
class Columns:
    """Which of their columns holds what.

    Attributes
    ----------
    ours
        Our column name to the header in the file.
    values
        Headers that hold values, each with the unit it tells, such as ``s`` in ``Hold (s)``.
    load_unit
        Unit that the header of the load tells: ``kg``, ``lb`` or none.
    unused
        Headers that nothing was taken from.
    """

    ours: dict[str, str]
    values: tuple[tuple[str, str], ...]
    load_unit: str
    unused: tuple[str, ...]


def load_mapping(mapping: str | Path | Table[str, Any] | Mapping | None) -> Mapping:
    """Read and check a mapping from a TOML file or a dictionary of the same shape.

    Raises
    ------
    MappingError
        If the file can't be read, is not TOML, or has keys or values not known here.
    """
    if mapping is None:
        return Mapping()
    if isinstance(mapping, Mapping):
        return mapping
    where = "the mapping"
    if isinstance(mapping, str | Path):
        where = str(mapping)
        absent = f"There is no mapping file {where}; check the name."
        mapping, _ = read_toml(Path(mapping), absent, MappingError)
    try:
        found = Mapping.model_validate(dict(mapping))
    except ValidationError as error:
        breaches = [p for p in error.errors() if "list[str]" not in p["loc"]]
        raise MappingError("\n".join(_mapping_breach(p, where) for p in breaches)) from error
    known = (*REQUIRED, *OPTIONAL)
    for table, names in (("columns", found.columns), ("values", found.values)):
        for name in names:
            if name not in known:
                raise MappingError(f"{where}, [{table}]: {stranger(name, known)}")
    for key, answer in found.cells.items():
        if key not in QUESTIONS:
            raise MappingError(f"{where}, [cells]: {stranger(key, QUESTIONS)}")
        if answer not in QUESTIONS[key]:
            said = stranger(answer, QUESTIONS[key])
            raise MappingError(f"{where}, [cells], {key!r}: {said}")
    for header, unit in found.units.items():
        if unit not in UNITS and unit != OF_THE_RUNG:
            raise MappingError(
                f"{where}, [units], {header!r}: {unit!r} is not a unit; write s, min, reps, kg, "
                f'lb, cm, m or "{OF_THE_RUNG}", for what each row\'s rung counts.'
            )
    return found


def _mapping_breach(problem: Any, where: str) -> str:
    loc = [str(part) for part in problem["loc"] if part not in {"str", "bool", "int", "float"}]
    place = f"{where}, [{'.'.join(loc[:-1])}]" if len(loc) > 1 else where
    fields = _Read.model_fields if loc[0] == "read" else Mapping.model_fields
    return f"{place}: {breach(problem, loc[-1], list(fields))}"


def plain_header(header: str) -> str:
    """Header without case, punctuation and doubled space: ``Load_KG`` is ``load kg``."""
    return " ".join(re.sub(r"[^\w#]|_", " ", tidy(header).casefold()).split())


def header_unit(header: str) -> str:
    """Unit at the end of a header: ``Load (lb)`` -> ``lb``, ``hold_s`` -> ``s``; else empty."""
    words = plain_header(header).split()
    return UNITS[words[-1]] if words and words[-1] in _HEADER_UNITS else ""


def told_unit(header: str, mapping: Mapping) -> str:
    """Unit of a column of values: as the mapping says, else as its header tells; else empty."""
    said = {plain_header(name): unit for name, unit in mapping.units.items()}
    unit = said.get(plain_header(header))
    if unit is None:
        return header_unit(header)
    return "" if unit == OF_THE_RUNG else UNITS[unit]


def match_columns(
    headers: list[str], mapping: Mapping, file: str, given: frozenset[str] = frozenset()
) -> Columns:
    """Find our columns among the headers of a file.

    The mapping comes first, then our own name, then a synonym, all without regard to case,
    space and a unit at the end. ``given`` are columns of ours that are found elsewhere.

    Raises ``MappingError`` if a mapped header is not in the file, a required column is not found,
    or two headers could be the same column.
    """
    by_plain: dict[str, list[str]] = {}
    for header in headers:
        by_plain.setdefault(plain_header(header), []).append(header)
    for header in VIRTUAL:
        by_plain.setdefault(header, [header])
    found = {name: _mapped(name, t, by_plain, file) for name, t in mapping.columns.items()}
    for name in (*REQUIRED, *OPTIONAL):
        if name not in found and name not in given:
            taken = {header for fits in found.values() for header in fits}
            fits = [h for h in _candidates(name, by_plain) if h not in taken]
            if len(fits) > 1 and not _by_unit(name, fits):
                raise MappingError(
                    f"{file}: {_listed(fits)} could each be {name}; say which in the mapping:\n"
                    f"[columns]\n{name} = {quoted(fits[0])}",
                    [name],
                )
            if fits:
                found[name] = fits
    unused = tuple(h for h in headers if not any(h in fits for fits in found.values()))
    missing = [name for name in REQUIRED if name not in found and name not in given]
    if missing:
        raise MappingError(_missing(missing, headers, unused, file), missing)
    ours = {name: found[name][0] for name in (*REQUIRED, *OPTIONAL) if name in found}
    load_unit = header_unit(ours.get("load_kg", ""))
    return Columns(
        ours=ours,
        values=tuple((header, told_unit(header, mapping)) for header in found.get("value", ())),
        load_unit=load_unit if load_unit in {"kg", "lb"} else "",
        unused=unused,
    )


def _mapped(
    name: str, theirs: str | list[str], by_plain: dict[str, list[str]], file: str
) -> list[str]:
    """Headers that the mapping names for one of our columns."""
    headers = [header for alike in by_plain.values() for header in alike]
    fits = []
    for one in [theirs] if isinstance(theirs, str) else theirs:
        alike = [one] if one in headers else by_plain.get(plain_header(one), [])
        if len(alike) != 1:
            raise MappingError(
                f"{file} has {'more than one' if alike else 'no'} column {one!r}, which the "
                f"mapping names for {name}; its columns are {_listed(headers)}."
            )
        fits += alike
    if not fits or (len(fits) > 1 and not _by_unit(name, fits)):
        raise MappingError(
            f"[columns], {name}: name one column. Only value may have several, each with its own "
            'unit in the header, such as "Hold (s)" and "Reps".'
        )
    return fits


def _by_unit(name: str, headers: list[str]) -> bool:
    """Whether several headers share the values out among them, each with a unit of its own."""
    units = [header_unit(header) for header in headers]
    return name == "value" and all(units) and len(set(units)) == len(units)


def _candidates(name: str, by_plain: dict[str, list[str]]) -> list[str]:
    """Headers that fit, our own name first; a synonym counts only where our name is absent."""
    own = by_plain.get(plain_header(name), [])
    if own:
        return own
    words = synonyms(name)
    fits = []
    for plain, headers in by_plain.items():
        head, _, tail = plain.rpartition(" ")
        if plain in words or (tail in _HEADER_UNITS and head in words):
            fits += headers
    return fits


def synonyms(name: str) -> frozenset[str]:
    """Headers that mean one of our columns, in all languages, without a unit."""
    ours = {name.removesuffix("_kg")} if name in (*REQUIRED, *OPTIONAL) else set()
    return vocabulary("columns", name) | ours


def header_meaning(header: str) -> str | None:
    """Our column that a header means by itself, ``None`` if it tells none."""
    plain = plain_header(header)
    head, _, tail = plain.rpartition(" ")
    for name in (*REQUIRED, *OPTIONAL):
        if plain == plain_header(name) or plain in synonyms(name):
            return name
        if tail in _HEADER_UNITS and head in synonyms(name):
            return name
    return None


def _missing(missing: list[str], headers: list[str], unused: tuple[str, ...], file: str) -> str:
    lines = ["[columns]"]
    for name in missing:
        by_plain = {plain_header(header): header for header in unused}
        near = difflib.get_close_matches(name, by_plain, n=1, cutoff=0.5)
        guess = by_plain[near[0]] if near else "THEIR COLUMN"
        lines.append(f"{name} = {quoted(guess)}  # one of: {_listed(list(unused))}")
    return (
        f"{file} has no column for {' and '.join(missing)}; its columns are {_listed(headers)}. "
        "Put this in a mapping file, with the right names:\n" + "\n".join(lines)
    )


def _listed(names: list[str]) -> str:
    cut = [name if len(name) <= LONGEST_QUOTE else f"{name[:LONGEST_QUOTE]}..." for name in names]
    return ", ".join(map(quoted, cut)) or "(none)"


def quoted(text: str) -> str:
    """Text as TOML writes it: the escapes of JSON are among those of TOML."""
    return json.dumps(text, ensure_ascii=False)


def value_words(mapping: Mapping, column: str) -> dict[str, Scalar]:
    """Their words to ours for one column, ready for look-up without regard to case.

    Raises ``MappingError`` if two words differ only in case yet mean different things.
    """
    words: dict[str, Scalar] = {}
    for theirs, value in mapping.values.get(column, {}).items():
        key = tidy(theirs).casefold()
        if words.setdefault(key, value) != value:
            raise MappingError(f"[values.{column}]: {theirs!r} is given twice; keep one.")
    return words
