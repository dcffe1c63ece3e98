"""A plain table on a page."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from forecast.log import in_percent
from forecast.report.words import NBSP

Say = Callable[[object], str]


@dataclass(frozen=True, slots=True)
class Table:
    """Headings, rows of text, and a caption; ``numeric`` marks the columns set to the right."""

    caption: str
    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: tuple[bool, ...]


def table(frame: pd.DataFrame, columns: Mapping[str, tuple[str, Say]], caption: str) -> Table:
    """Return the columns of a frame as a table of text.

    Parameters
    ----------
    frame
        The rows.
    columns
        Column name to heading and the function that says a value.
    caption
        What the table holds.
    """
    said = [[say(value) for value in frame[name]] for name, (_, say) in columns.items()]
    return Table(
        caption=caption,
        headings=tuple(heading for heading, _ in columns.values()),
        rows=tuple(zip(*said, strict=True)),
        numeric=tuple(pd.api.types.is_numeric_dtype(frame[name]) for name in columns),
    )


def share(value: Any) -> str:
    """Return ``12 %``, or a dash where missing."""
    return "-" if pd.isna(value) else in_percent(value).replace(" ", NBSP)


def weeks(value: object) -> str:
    """Return whole weeks; a dash where missing, ``not reached`` where endless."""
    if pd.isna(value):
        return "-"
    return "not reached" if value == float("inf") else f"{value:.0f}"


def number(value: object) -> str:
    """Return a number with three figures, or a dash where missing."""
    return "-" if pd.isna(value) else f"{value:.3g}"


def text(value: object) -> str:
    """Return the value as it is, or a dash where missing."""
    return "-" if pd.isna(value) else str(value)
