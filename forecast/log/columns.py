"""The columns of a log, each told once: its type, how a cell is read, what a blank stands for."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import pandas as pd

from forecast.log import numbers, words


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
    "clean": Column("bool", lambda _, cell: words.clean(cell), True),
    "assisted": Column("bool"),
    "assist": Column("str", lambda _, cell: words.assist(cell), "none"),  # or the kind of help
    "load_kg": Column("float64", _load),  # NaN where nothing was noted, as in those below
    "stopped": Column("str", lambda _, cell: words.stopped(cell), "unknown"),  # or see words.py
    "effort": Column("float64", _of_ten),  # 0 to 10
    "pain": Column("float64", _of_ten),  # 0 to 10
    "note": Column("str", lambda _, cell: words.note(cell), ""),
    "file": Column("str"),
    "row": Column("int64"),  # line in the source as a person counts it, header = 1
}
"""Columns of ``TrainingLog.sets``, in order. A new one is a line here, and, where people call it
by other names, its words in ``lexicon.toml``."""

SET_COLUMNS = {name: column.kind for name, column in COLUMNS.items()}
"""Columns of ``TrainingLog.sets`` and their types; no column is ever missing."""

NOTED = tuple(name for name, column in COLUMNS.items() if column.read is not None)
"""Columns that tell of a set beside its value; a log may lack any of them."""

REJECTED_COLUMNS = ("file", "row", "column", "value", "kind", "reason")
"""Columns of ``TrainingLog.rejected``; ``kind`` is a short word, ``reason`` a sentence."""


def as_sets(table: pd.DataFrame) -> pd.DataFrame:
    """Return a table with the columns of ``SET_COLUMNS`` alone, typed; those it lacks are blank."""
    blank = {name: COLUMNS[name].blank for name in NOTED if name not in table}
    return table.assign(**blank)[list(SET_COLUMNS)].astype(SET_COLUMNS)


def rejected_rows(
    rows: pd.DataFrame, column: str, value: pd.Series, kind: str, reason: pd.Series
) -> pd.DataFrame:
    """Return parsed rows as rejected ones, for a reason each that is found after parsing."""
    told = {"column": column, "value": value, "kind": kind, "reason": reason}
    return rows[["file", "row"]].assign(**told)
