"""The raw table: cells as they came, each row with its number in the source."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from forecast.errors import LogError
from forecast.log.cells import Problem, is_empty, show
from forecast.log.limits import MAX_CELL, MAX_CELLS, MAX_COLUMNS, MAX_ROWS


@dataclass(frozen=True, slots=True)
class RawTable:
    """A table before anything in it is understood.

    Attributes
    ----------
    file
        Name of the source for messages.
    cells
        Cells (n, columns): text, or typed where the format has types.
    rows
        Row numbers (n,) as a person counts them: the header is 1.
    shape_problems
        A ``Problem`` (n,) where a row has more or fewer cells than the header, else ``None``.
    understood, warnings
        Sentences on what was found out about the format, and on what may be read otherwise.
    date1904
        Whether spreadsheet serial numbers count from 1904.
    sheet
        Name of the sheet of a workbook.
    titles
        Rows above the header, each as its cells with something in them.
    """

    file: str
    cells: pd.DataFrame
    rows: np.ndarray
    shape_problems: np.ndarray
    understood: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    date1904: bool = False
    sheet: str = ""
    titles: tuple[tuple[str, ...], ...] = ()

    @property
    def blank(self) -> np.ndarray:
        """Whether each row (n,) has no content in any cell."""
        blank = np.ones(len(self.cells), dtype=bool)
        for name in self.cells.columns:
            blank &= empty_cells(self.cells[name])
        return blank


def empty_cells(column: pd.Series) -> np.ndarray:
    """Whether each cell (n,) of a column holds nothing."""
    if isinstance(column.dtype, pd.StringDtype):
        return (column.fillna("").str.strip() == "").to_numpy(dtype=bool)
    return np.fromiter((is_empty(cell) for cell in column.array), bool, len(column))


def header_names(cells: Sequence[Any]) -> list[str]:
    """Name the columns: blank headers get a number, repeated ones a count, none is dropped."""
    names = [show(cell) or f"column {n}" for n, cell in enumerate(cells, start=1)]
    seen: Counter[str] = Counter()
    unique = []
    for name in names:
        seen[name] += 1
        unique.append(name if seen[name] == 1 else f"{name} ({seen[name]})")
    return (
        unique
        if len(set(unique)) == len(unique)
        else [f"column {n + 1}" for n in range(len(names))]
    )


@dataclass(frozen=True, slots=True)
class Known:
    """What tells where a table begins, or that there is none.

    ``headers`` counts the cells of a row known as headers; ``is_rung`` says whether a text names a
    rung, or an exercise that the mapping knows.
    """

    headers: Callable[[Sequence[str]], int]
    is_rung: Callable[[str], bool]


@dataclass(frozen=True, slots=True)
class Opening:
    """How a source is to be opened, as far as somebody said so.

    Attributes
    ----------
    sheet, encoding
        Sheet or sheets of a workbook, encoding of a text file.
    header_row
        The row of the header, from 1.
    known
        Which headers are known; with it, every sheet that has such a header is read.
    """

    sheet: str | Sequence[str] | None = None
    encoding: str | None = None
    header_row: int | None = None
    known: Known | None = None


SEARCHED = 20
"""First rows with content among which the header is looked for."""


def find_header(
    records: Sequence[Sequence[Any]], known: Known | None, row: int | None = None
) -> tuple[int, int]:
    """Return the place of the header among records, and how many of its names are known.

    It is the first row with content, unless a later one of the first ``SEARCHED`` has known names
    and that one has hardly any. ``row`` is its place, from 1, where somebody said so.
    """
    filled = [n for n, r in enumerate(records[:1000]) if not all(map(is_empty, r))][:SEARCHED]
    if row is not None and row <= len(records):
        filled = [row - 1]
    if not filled:
        return 0, 0
    if known is None:
        return filled[0], 0

    def score(n: int) -> int:
        return known.headers([show(cell) for cell in records[n] if not is_empty(cell)])

    scores = {filled[0]: score(filled[0])}
    if scores[filled[0]] < 2:
        scores |= {n: score(n) for n in filled[1:]}
    at = max(scores, key=lambda n: scores[n])
    return (at, scores[at]) if scores[at] > 1 else (filled[0], scores[filled[0]])


def table_at(
    file: str,
    records: Sequence[Sequence[Any]],
    rows: Sequence[int],
    at: int,
    cells: pd.DataFrame | None = None,
    **notes: Any,
) -> RawTable:
    """Build the table whose header is at ``at``; above it are titles.

    A header over several numbered columns, as merged cells leave it, is joined with the numbers.
    ``cells`` are all records as columns, where somebody has them; of ``records`` the first will
    then do.
    """
    header, first = list(records[at]), at + 1
    below = list(records[first]) if first < len(records) else []
    wide = header + [""] * (len(below) - len(header))
    blank = [is_empty(cell) for cell in wide]
    under = [n for n, cell in enumerate(below) if not is_empty(cell)]
    numbers = [re.sub(r"\D", "", show(below[n])) for n in under]
    in_order = len(under) > 1 and numbers == [str(n + 1) for n in range(len(under))]
    if in_order and all(blank[n] or blank[n + 1 : n + 2] == [True] for n in under):
        header = wide
        group = ""
        for n, cell in enumerate(header):
            group = group if is_empty(cell) else show(cell)
            if n in under:
                header[n] = f"{group} {show(below[n])}".strip()
        first += 1
    titles = tuple(
        tuple(show(cell) for cell in record if not is_empty(cell))
        for record in records[:at]
        if not all(map(is_empty, record))
    )
    if cells is not None:
        under_it = cells.iloc[first:].set_axis(header_names(header), axis=1).reset_index(drop=True)
        none, places = np.full(len(under_it), None, dtype=object), np.array(rows[first:], np.int64)
        return RawTable(file, under_it, places, none, titles=titles, **notes)
    return from_records(file, header, records[first:], rows[first:], titles=titles, **notes)


def check_size(file: str, rows: int, columns: int) -> None:
    """Raise ``LogError`` if a table has too many rows, columns or cells."""
    if rows > MAX_ROWS or columns > MAX_COLUMNS or rows * columns > MAX_CELLS:
        raise LogError(
            f"{file} has {rows} rows and {columns} columns; {MAX_ROWS} rows and {MAX_COLUMNS} "
            f"columns are read at most, {MAX_CELLS} cells in all. Split it, or leave out what is "
            "no log."
        )


def check_cells(table: RawTable) -> RawTable:
    """Return a table in which no text is longer than is read, or raise ``LogError``."""
    for name in table.cells.columns:
        column = table.cells[name]
        if isinstance(column.dtype, pd.StringDtype):
            lengths = column.str.len().fillna(0).to_numpy()
        elif column.dtype == object:
            texts = (len(c) if isinstance(c, str | bytes) else 0 for c in column.array)
            lengths = np.fromiter(texts, np.int64, len(column))
        else:
            continue
        if len(lengths) and lengths.max() > MAX_CELL:
            at = int(lengths.argmax())
            raise LogError(
                f"{table.file}, row {table.rows[at]}, column {name!r} holds a cell of "
                f"{int(lengths[at])} characters; {MAX_CELL} are read at most. Shorten it."
            )
    return table


def from_records(
    file: str,
    header: Sequence[Any],
    records: Sequence[Sequence[Any]],
    rows: Sequence[int],
    **notes: Any,
) -> RawTable:
    """Build the table from records that may be shorter or longer than the header.

    A missing end is blank, as spreadsheets leave it out; a surplus with content in it is a
    problem of that row, since no one can tell which cell is the stray one.
    """
    width = len(header)
    check_size(file, len(records), width)
    problems = np.empty(len(records), dtype=object)
    square = []
    for n, record in enumerate(records):
        extra = [cell for cell in record[width:] if not is_empty(cell)]
        if extra:
            problems[n] = Problem(
                "shape",
                f"the row has {len(record)} cells, the header {width}; put quotes round cells "
                "that hold the separator, such as a decimal comma.",
            )
        square.append([*record[:width], *[""] * (width - len(record))])
    frame = pd.DataFrame(square, columns=header_names(header), dtype=object)
    return RawTable(file, frame, np.asarray(rows, dtype=np.int64), problems, **notes)
