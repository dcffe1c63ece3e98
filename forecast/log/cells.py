"""One cell of a foreign table: blank or not, and parsing each distinct cell just once."""

from __future__ import annotations

import datetime as dt
import math
import re
import unicodedata
from collections.abc import Callable, Hashable
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import numpy as np
import pandas as pd

from forecast.errors import shortened

_PLAIN = (str, int, float, Decimal, dt.date, dt.time, dt.timedelta, np.generic, type(None))

BLANKS = frozenset({"", "-", "--", "–", "—", "n/a", "na", "nan", "null", "none", "nil", "?"})
"""Texts that say "nothing was noted" in a column that is not a name."""


@dataclass(frozen=True, slots=True)
class Problem:
    """Why a cell can't be used: a short word for counting, a sentence for people."""

    kind: str
    reason: str

    def __post_init__(self) -> None:
        """Cut the quotes in the reason; the cell itself is kept whole beside it."""
        object.__setattr__(self, "reason", shortened(self.reason))


@dataclass(frozen=True, slots=True)
class Parsed:
    """A column after parsing: each cell has a value (n,) or a ``Problem`` (n,), else ``None``."""

    values: np.ndarray
    problems: np.ndarray


def show(cell: Any) -> str:
    """Return the cell as a person would read it, on one line."""
    if is_empty(cell):
        return ""
    if isinstance(cell, bool | np.bool_):
        return "true" if cell else "false"
    if (
        isinstance(cell, float | np.floating)
        and float(cell).is_integer()
        and abs(float(cell)) < 1e15
    ):
        return str(int(cell))
    if isinstance(cell, dt.datetime):
        # pd.Timestamp too; midnight is how spreadsheets store a plain date
        said = cell.isoformat(sep=" ")  # ``date()`` has no years above 9999
        return said if cell.time() != dt.time() else said.partition(" ")[0]
    return visible(tidy(_said(cell)))


def _said(cell: Any) -> str:
    """Return a cell of any type as text; lists may be nested too deeply for that."""
    try:
        return str(cell)
    except RecursionError:
        return f"a {type(cell).__name__}, nested too deeply to be shown"


_UNSEEN = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ud800-\udfff]")
"""Control characters, marks that turn the direction of text round, and halves of characters."""


def visible(text: str) -> str:
    """Return a text with control characters written out, so that none reaches a terminal."""
    return _UNSEEN.sub(lambda found: ascii(found[0])[1:-1], text)


def tidy(text: str) -> str:
    """Compose accents, drop the outer space and make any inner run of space a single one."""
    return " ".join(unicodedata.normalize("NFC", text).split())


def is_empty(cell: Any) -> bool:
    """Say whether the cell holds nothing at all (empty text, ``None``, ``NaN``, ``NaT``)."""
    if isinstance(cell, str):
        return not cell.strip()
    if cell is None or cell is pd.NaT or cell is pd.NA:
        return True
    if isinstance(cell, Decimal):
        return cell.is_nan()  # a signalling NaN would raise in math.isnan
    if isinstance(cell, np.datetime64 | np.timedelta64):
        return bool(np.isnat(cell))
    return isinstance(cell, float | np.floating) and math.isnan(cell)


def is_blank(cell: Any) -> bool:
    """Say whether the cell is empty or one of the ``BLANKS``."""
    return is_empty(cell) or (isinstance(cell, str) and tidy(cell).casefold() in BLANKS)


def counted(number: int, noun: str) -> str:
    """Return ``1 row``, ``2 rows``."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def in_percent(share: float, form: str = ".0f") -> str:
    """Return ``80 %`` for 0.8: the one way in which screens and pages write a percentage."""
    return f"{100 * share:{form}} %"


def chance_in_percent(chance: float) -> str:
    """Return a chance in whole per cent, never a flat 0 or 100: ``<1 %``, ``56 %``, ``>99 %``."""
    return "<1 %" if chance < 0.01 else ">99 %" if chance > 0.99 else in_percent(chance)


def word_set(text: str) -> frozenset[str]:
    """Return the words of a text as a set."""
    return frozenset(text.split())


def as_number(cell: Any) -> float | None:
    """Return the number a typed cell holds, ``None`` for text, truth values and the rest."""
    if isinstance(cell, bool | np.bool_):
        return None
    if isinstance(cell, int | float | np.integer | np.floating | Decimal):
        if is_empty(cell):
            return math.nan
        try:
            return float(cell)
        except OverflowError:  # whole numbers have no bound in Python
            return math.inf if cell > 0 else -math.inf
    return None


def distinct(column: pd.Series) -> tuple[np.ndarray, list[Any]]:
    """Number the cells of a column so that each different cell is looked at once.

    Returns codes (n,) into the list of different cells. ``1``, ``1.0`` and ``True`` are equal
    to Python but not to a reader, so the type is part of the identity.
    """
    if isinstance(column.dtype, pd.StringDtype):
        codes, unique = pd.factorize(column, use_na_sentinel=False)
        return codes, list(unique)
    places: dict[Hashable, int] = {}
    cells: list[Any] = []
    codes = np.empty(len(column), dtype=np.intp)
    for n, cell in enumerate(column.array):
        kind, cell = type(cell), None if is_empty(cell) else cell
        cell = cell if isinstance(cell, _PLAIN) else _said(cell)
        key = (kind if cell is not None else None, cell)
        place = places.setdefault(key, len(cells))
        if place == len(cells):
            cells.append(cell)
        codes[n] = place
    return codes, cells


def parse(column: pd.Series, reader: Callable[[Any], Any]) -> Parsed:
    """Apply ``reader`` to each different cell; it returns a value or a ``Problem``."""
    codes, cells = distinct(column)
    values = np.empty(len(cells) + 1, dtype=object)  # one spare: an empty column has no cells
    problems = np.empty(len(cells) + 1, dtype=object)
    for n, cell in enumerate(cells):
        outcome = reader(cell)
        if isinstance(outcome, Problem):
            problems[n] = outcome
        else:
            values[n] = outcome
    return Parsed(values=values[codes], problems=problems[codes])
