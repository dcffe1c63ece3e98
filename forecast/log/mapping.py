"""Our columns, and their column names and words to ours: a small TOML, and the obvious synonyms."""

from __future__ import annotations

import datetime as dt
import difflib
import json
import re
from collections.abc import Callable
from collections.abc import Mapping as Table
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Annotated, Any, Literal

import pandas as pd
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from forecast.errors import LONGEST_QUOTE, MappingError
from forecast.ladder_file import bounds, breach, read_toml, stranger
from forecast.log import cells, numbers
from forecast.log.cells import tidy, vocabulary
from forecast.log.numbers import UNITS
from forecast.log.problems import QUESTIONS, say
from forecast.log.tables import REQUIRED


@dataclass(frozen=True, slots=True)
class Column:
    """A column: its type, the reader of its cells if it may be left out, and its blank.

    The reader takes the file's decimal mark, the unit of a load that names none, and a cell.
    """

    kind: str
    read: Callable[[str | None, str, Any], Any] | None = None
    blank: Any = None


def _of_ten(decimal: str | None, _: str, cell: Any) -> Any:
    return numbers.out_of_ten(cell, decimal)


COLUMNS: dict[str, Column] = {
    "athlete": Column("str"),
    "date": Column("datetime64[ns]"),  # midnight of the day, no time zone
    "rung": Column("str"),  # a key of the ladder
    "set": Column("int64"),  # 1, 2, ... within athlete, day and rung
    "value": Column("float64"),  # in the unit of the rung's measure
    "clean": Column("bool", lambda _, __, cell: cells.clean_word(cell), True),
    "assisted": Column("bool"),
    "assist": Column("str", lambda _, __, cell: cells.assist_word(cell), "none"),  # or what helped
    "load_kg": Column("float64", lambda d, unit, c: numbers.load(c, d, unit)),  # NaN: not noted
    "stopped": Column("str", lambda _, __, cell: cells.stopped_word(cell), "unknown"),
    "effort": Column("float64", _of_ten),  # 0 to 10
    "pain": Column("float64", _of_ten),  # 0 to 10
    "note": Column("str", lambda _, __, cell: cells.note_text(cell), ""),
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


OPTIONAL = ("set", *NOTED, "sets", "side", "unit")
"""Columns a log may have; ``sets`` tells how many sets alike a row stands for, ``side`` which side
of the body, ``unit`` that of the value."""
_HEADER_UNITS = frozenset(UNITS) - {
    "in", "m", "x", "r", "times", "mal", "fois", "veces", "volte", "vezes", "keer", "gange", "razy",
    "foot", "feet", "metro", "livres",
}  # fmt: skip
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
    start: dt.date | None = None
    year: Annotated[int, bounds("year")] | None = None
    roster_sheet: str | None = None
    last_date: dt.date | None = None


class Mapping(BaseModel):
    """How a foreign file is to be read; ``docs/my-log.md`` tells what goes in each table.

    ``columns`` has for ``value`` also a list: with different units one of them counts, else they
    are sets side by side. A list for ``athlete`` names a column each for athletes side by side, or,
    with one of ``VIRTUAL`` in it, is searched for the first that a table has. In ``values``, ``""``
    stands for a blank cell.
    """

    model_config = ConfigDict(extra="forbid", strict=True)

    columns: dict[str, str | list[str]] = Field(default_factory=dict)
    values: dict[str, dict[str, Scalar]] = Field(default_factory=dict)
    ignore: list[str] = Field(default_factory=list)
    right: list[str] = Field(default_factory=list)
    cells: dict[str, str] = Field(default_factory=dict)
    words: dict[str, str] = Field(default_factory=dict)
    notes: dict[
        str, Literal["assisted", "unclean", "note"] | Annotated[float, Field(ge=0, le=10)]
    ] = Field(default_factory=dict)
    units: dict[str, str] = Field(default_factory=dict)
    roster: dict[str, str] = Field(default_factory=dict)
    read: _Read = Field(default_factory=_Read)


@dataclass(frozen=True, slots=True)
class Columns:
    """Which of their columns holds what: our column name to the header in the file.

    ``values`` are headers of values, each with the unit it tells, such as ``s`` in ``Hold (s)``;
    ``load_unit`` is ``kg``, ``lb`` or none; nothing was taken from those ``unused``.
    """

    ours: dict[str, str]
    values: tuple[tuple[str, str], ...]
    load_unit: str
    unused: tuple[str, ...]


def load_mapping(mapping: str | Path | Table[str, Any] | Mapping | None) -> Mapping:
    """Read a mapping from TOML or a dictionary; ``MappingError`` where a key or value is wrong."""
    if mapping is None or isinstance(mapping, Mapping):
        return mapping or Mapping()
    where = "the mapping"
    if isinstance(mapping, str | Path):
        where = str(mapping)
        absent = say("no_mapping", where=where)
        mapping, _ = read_toml(Path(mapping), absent, MappingError)
    try:
        plan = Mapping.model_validate(dict(mapping))
    except ValidationError as error:
        lines = []
        for one in error.errors():
            if "list[str]" not in one["loc"]:
                types = {"str", "bool", "int", "float"}  # of the members of a union
                loc = [str(place) for place in one["loc"] if place not in types]
                table = f"{where}, [{'.'.join(loc[:-1])}]" if len(loc) > 1 else where
                fields = (_Read if loc[0] == "read" else Mapping).model_fields
                lines.append(f"{table}: {breach(one, loc[-1], list(fields))}")
        raise MappingError("\n".join(lines)) from error
    names = (*REQUIRED, *OPTIONAL)
    checks = [("[columns]", name, names) for name in plan.columns]
    checks += [("[values]", name, names) for name in plan.values]
    for key, answer in plan.cells.items():
        checks.append(("[cells]", key, tuple(QUESTIONS)))
        checks.append((f"[cells], {key!r}", answer, tuple(QUESTIONS.get(key, ()))))
    for table, name, choices in checks:
        if name not in choices:
            raise MappingError(f"{where}, {table}: {stranger(name, choices)}")
    for header, unit in plan.units.items():
        if unit not in UNITS and unit != OF_THE_RUNG:
            raise MappingError(
                f"{where}, [units], {header!r}: {unit!r} is not a unit; write s, min, reps, kg, "
                f'lb, cm, m or "{OF_THE_RUNG}", for what each row\'s rung counts.'
            )
    return plan


def plain_header(header: str) -> str:
    """Header without case, punctuation and doubled space: ``Load_KG`` is ``load kg``."""
    return " ".join(re.sub(r"[^\w#]|_", " ", tidy(header).casefold()).split())


def header_unit(header: str) -> str:
    """Unit at the end of a header: ``Load (lb)`` -> ``lb``, ``hold_s`` -> ``s``; else empty."""
    words = plain_header(header).split()
    return UNITS[words[-1]] if words and words[-1] in _HEADER_UNITS else ""


def told_unit(header: str, mapping: Mapping) -> str:
    """Unit of a column of values: as the mapping says, else as its header tells; else empty."""
    units = {plain_header(name): unit for name, unit in mapping.units.items()}
    unit = units.get(plain_header(header))
    if unit is None:
        return header_unit(header)
    return "" if unit == OF_THE_RUNG else UNITS[unit]


def match_columns(
    headers: list[str],
    mapping: Mapping,
    file: str,
    given: frozenset[str] = frozenset(),
    misfits: Callable[[str, str], bool] = lambda name, header: False,
) -> Columns:
    """Find our columns among the headers of a file, or raise ``MappingError``.

    The mapping comes first, then our own name, then a synonym, all without regard to case,
    space and a unit at the end. ``given`` are columns of ours that are found elsewhere; a header
    ``misfits`` a column of ours where the cells below it are words of another.
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
            if len(fits) > 1 or name in {"athlete", "value"}:
                better = [h for h in fits if plain_header(h) == name or not misfits(name, h)]
                fits = better if better or name == "athlete" else fits
            if len(fits) > 1 and not by_unit(name, fits):
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
    values = found.get("value", [])
    units = [told_unit(h, mapping) or (len(values) > 1 and _implied_unit(h)) or "" for h in values]
    return Columns(
        ours=ours,
        values=tuple(zip(values, units, strict=True)),
        load_unit=load_unit if load_unit in {"kg", "lb"} else "",
        unused=unused,
    )


def _mapped(
    name: str, theirs: str | list[str], by_plain: dict[str, list[str]], file: str
) -> list[str]:
    """Headers that the mapping names for one of our columns."""
    headers = [header for alike in by_plain.values() for header in alike]
    listed = [theirs] if isinstance(theirs, str) else theirs
    if name == "athlete" and not set(VIRTUAL).isdisjoint(listed):
        there = [one for one in listed if one in headers or plain_header(one) in by_plain]
        listed = there[:1] or listed
    fits = []
    for one in listed:
        alike = [one] if one in headers else by_plain.get(plain_header(one), [])
        if len(alike) != 1:
            near = difflib.get_close_matches(one, headers, n=1)
            hint = f"did you mean {quoted(near[0])}? Its" if near and not alike else "its"
            raise MappingError(
                f"{file} has {'more than one' if alike else 'no'} column {one!r}, which the "
                f"mapping names for {name}; {hint} columns are "
                f"{_listed([h for h in headers if h not in VIRTUAL])}."
            )
        fits += alike
    if not fits or (len(fits) > 1 and not by_unit(name, fits)):
        raise MappingError(
            f"[columns], {name}: name one column. Only value may have several, each with its own "
            'unit in the header, such as "Hold (s)" and "Reps".'
        )
    return fits


def by_unit(name: str, headers: list[str]) -> bool:
    """Whether several headers share the values out among them, each with a unit of its own."""
    units = [header_unit(header) or _implied_unit(header) for header in headers]
    return name == "value" and all(units) and len(set(units)) == len(units)


def _implied_unit(header: str) -> str:
    """Unit of a column of times that stands beside one of reps, or so, ``s``; else empty."""
    return "s" if plain_header(header) in vocabulary("others", "seconds") else ""


def _candidates(name: str, by_plain: dict[str, list[str]]) -> list[str]:
    """Headers that fit, our own name first; a synonym counts only where our name is absent."""
    fits = [
        header
        for plain, own in by_plain.items()
        if is_called(plain, synonyms(name))
        for header in own
    ]
    return by_plain.get(plain_header(name)) or fits


def synonyms(name: str) -> frozenset[str]:
    """Headers that mean one of our columns, in all languages, without a unit."""
    ours = {name.removesuffix("_kg")} if name in (*REQUIRED, *OPTIONAL) else set()
    return vocabulary("columns", name) | ours


def is_called(header: str, words: frozenset[str]) -> bool:
    """Whether a header, or what stands before a unit at its end, is one of these words."""
    plain = plain_header(header)
    head, _, tail = plain.rpartition(" ")
    return plain in words or (tail in _HEADER_UNITS and head in words)


@cache
def header_meaning(header: str) -> str | None:
    """Our column that a header means by itself, ``None`` if it tells none."""
    plain = plain_header(header)
    names = (*REQUIRED, *OPTIONAL)
    return next(
        (n for n in names if plain == plain_header(n) or is_called(plain, synonyms(n))), None
    )


def _missing(missing: list[str], headers: list[str], unused: tuple[str, ...], file: str) -> str:
    lines = ["[columns]"]
    for name in missing:
        by_plain = {plain_header(header): header for header in unused}
        near = difflib.get_close_matches(name, by_plain, n=1, cutoff=0.5)
        guess = by_plain[near[0]] if near else "THEIR COLUMN"
        lines.append(f"{name} = {quoted(guess)}  # one of: {_listed(list(unused))}")
    return say(
        "no_column", file=file, names=" and ".join(missing), columns=_listed(headers),
        lines="\n".join(lines),
    )  # fmt: skip


def _listed(names: list[str]) -> str:
    cut = [name if len(name) <= LONGEST_QUOTE else f"{name[:LONGEST_QUOTE]}..." for name in names]
    return ", ".join(map(quoted, cut)) or "(none)"


def quoted(text: str) -> str:
    """Text as TOML writes it: the escapes of JSON are among those of TOML."""
    return json.dumps(text, ensure_ascii=False)


def value_words(mapping: Mapping, column: str) -> dict[str, Scalar]:
    """Their words in lower case to ours; ``MappingError`` where one is given two meanings."""
    words: dict[str, Scalar] = {}
    for theirs, value in mapping.values.get(column, {}).items():
        key = tidy(theirs).casefold()
        if words.setdefault(key, value) != value:
            raise MappingError(f"[values.{column}]: {theirs!r} is given twice; keep one.")
    return words
