"""The raw table: cells as they came, each row with its number; read from text of any kind."""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import pyarrow
import pyarrow.csv

from forecast.errors import LogError
from forecast.log.cells import is_blank, is_empty, show, vocabulary
from forecast.log.dates import read_day
from forecast.log.problems import Problem, problem, say
from forecast.log.sizes import MAX_CELL, MAX_CELLS, MAX_COLUMNS, check_lines, check_size


@dataclass(frozen=True, slots=True)
class RawTable:
    """A table before anything in it is understood: text, or typed where the format has types.

    ``rows`` (n,) are numbers as a person counts them, the header 1; ``shape_problems`` (n,) are of
    rows that do not fit the header; ``titles`` are the filled cells of each row above it.
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
    seen: Counter[str] = Counter()
    unique = []
    for n, cell in enumerate(cells, start=1):
        name = show(cell) or f"column {n}"
        seen[name] += 1
        unique.append(name if seen[name] == 1 else f"{name} ({seen[name]})")
    alike = len(set(unique)) < len(unique)
    return [f"column {n + 1}" for n in range(len(unique))] if alike else unique


@dataclass(frozen=True, slots=True)
class Known:
    """Counts the cells of a row known as headers; says whether a text names an exercise."""

    headers: Callable[[Sequence[str]], int]
    is_rung: Callable[[str], bool]


@dataclass(frozen=True, slots=True)
class Opening:
    """How a source is to be opened, as far as somebody said so; the header's row counts from 1."""

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
    and that one has hardly any; or the ``row``, from 1, that somebody named.
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
    ``cells`` are all records as columns, where somebody has them.
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


def from_records(
    file: str,
    header: Sequence[Any],
    records: Sequence[Sequence[Any]],
    rows: Sequence[int],
    **notes: Any,
) -> RawTable:
    """Build the table from records: a missing end is blank, a surplus is a problem of the row."""
    width = len(header)
    check_size(file, len(records), width)
    problems = np.empty(len(records), dtype=object)
    square = []
    for n, record in enumerate(records):
        extra = [cell for cell in record[width:] if not is_empty(cell)]
        if extra:
            problems[n] = problem("shape", "width", cells=len(record), header=width)
        square.append([*record[:width], *[""] * (width - len(record))])
    frame = pd.DataFrame(square, columns=header_names(header), dtype=object)
    return RawTable(file, frame, np.asarray(rows, dtype=np.int64), problems, **notes)


_BOMS = (
    (b"\xef\xbb\xbf", "utf-8-sig"),
    (b"\xff\xfe\x00\x00", "utf-32"),
    (b"\x00\x00\xfe\xff", "utf-32"),
    (b"\xff\xfe", "utf-16"),
    (b"\xfe\xff", "utf-16"),
)
_SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}


def decode(data: bytes, file: str, encoding: str | None = None) -> tuple[str, str, str]:
    """Return bytes as text, the encoding (by a mark, else UTF-8, else cp1252), and a warning."""
    marked = next((name for bom, name in _BOMS if data.startswith(bom)), None)
    name = encoding or marked or "utf-8"
    try:
        return data.decode(name.replace("\0", "?")), name, ""  # no encoding has a NUL in its name
    except LookupError as error:
        raise LogError(f"{file}: {name!r} is not an encoding; try 'utf-8' or 'cp1252'.") from error
    except UnicodeError as error:
        if encoding or marked:
            raise LogError(f"{file} does not fit the encoding {name}; name another.") from error
    try:
        text = data.decode("cp1252")
    except UnicodeDecodeError as error:
        raise LogError(
            f"{file} is neither UTF-8 nor Windows-1252; pass encoding=, or save it as UTF-8."
        ) from error
    return text, "cp1252", say("cp1252", file=file)


def read_text_file(data: bytes, suffix: str, file: str, how: Opening) -> RawTable:
    """Read separated text, or a note without columns; for the header see ``find_header``."""
    known, header_row = how.known, how.header_row
    check_lines(data, file)
    text, name, warning = decode(data, file, how.encoding)
    if "\x00" in text:
        raise LogError(
            f"{file} holds NUL characters: it is not a text file, or UTF-16 without its mark; "
            "then pass encoding='utf-16-le'."
        )
    text = text.removeprefix("\ufeff")
    separator, skip = _separator(text, suffix, known)
    records: Sequence[list[str]]
    rows: Sequence[int]
    plain = _plain(text, separator, file) if header_row is None and not skip else None
    if plain is not None:
        records, rows = plain.head(HEAD).to_numpy().tolist(), range(1, len(plain) + 1)
    else:
        every, lines_of = _records(text, separator, file)
        records, rows = every[skip:], lines_of[skip:]
    if not any(cell.strip() for record in records for cell in record):
        raise LogError(f"{file} is empty; its first line must name the columns.")
    about = {
        "understood": (f"{file}: text in {name}, cells separated by {_SEPARATORS[separator]}.",),
        "warnings": (warning,) if warning else (),
    }
    at, score = find_header(records, known)
    if known is not None and score < 2 and header_row is None:
        lines = text.splitlines()
        noted = about | {"understood": (say("jottings", file=file, name=name),)}
        if (table := read_jottings(file, lines, known.is_rung, **noted)) is not None:
            return _as_text(table)
    told = None if header_row is None else sum(row < header_row for row in rows) + 1
    at = at if told is None else find_header(records, known, told)[0]
    return _as_text(table_at(file, records, rows, at, plain, **about))


_STRING = pd.StringDtype(na_value=float("nan"))


def _as_text(table: RawTable) -> RawTable:
    for column in table.cells.columns:
        table.cells[column] = table.cells[column].astype(_STRING)
    return table


def _separator(text: str, suffix: str, known: Known | None = None) -> tuple[str, int]:
    """Return the separator and the number of lines to skip (the ``sep=;`` line of spreadsheets)."""
    lines = [line for line in text[:100_000].splitlines() if line.strip()]
    if not lines:
        return ",", 0
    told = lines[0].strip().strip('"').casefold()
    if told.startswith("sep=") and told[4:] in _SEPARATORS:
        return told[4:], 1
    if suffix.casefold() in {".tsv", ".tab"}:
        return "\t", 0

    # the header is made of names, so the mark it holds most of outside quotes is the separator
    def names(line: str, mark: str) -> int:
        cells = next(csv.reader([line], delimiter=mark), [])[:MAX_COLUMNS]
        return known.headers([cell for cell in cells if cell.strip()]) if known else 0

    widths = {s: len(next(csv.reader([lines[0]], delimiter=s))) for s in _SEPARATORS}
    first = max(widths, key=lambda s: (names(lines[0], s), widths[s]))
    if known is None or names(lines[0], first) > 1:
        return first, 0
    scores = {s: max(names(line, s) for line in lines[:SEARCHED]) for s in _SEPARATORS}
    best = max(scores, key=lambda s: scores[s])
    return (best if scores[best] > 1 else max(widths, key=lambda s: widths[s])), 0


_LINE = re.compile(r"[^\r\n]*(?:\r\n|\r|\n)|[^\r\n]+")
HEAD = 1000
"""First records among which header and titles are looked for."""


def _plain(text: str, separator: str, file: str) -> pd.DataFrame | None:
    """Return all records as columns of text; ``None`` where ``_records`` must tell what is off."""
    first = text[: text.find("\n") % (len(text) + 1)].rstrip("\r")
    width = first.count(separator) + 1
    if not 1 < width <= MAX_COLUMNS or text.count("\r") != text.count("\r\n"):
        return None
    ends = f"{re.escape(separator)}\\r\\n"
    cell = rf'(?<![^{ends}])"[^"\r\n]*(?:""[^"\r\n]*)*"(?![^{ends}])'
    if '"' in text and '"' in re.sub(cell, "", text):
        return None
    names = [str(n) for n in range(width)]
    try:
        table = pyarrow.csv.read_csv(
            io.BytesIO(text.encode()),
            pyarrow.csv.ReadOptions(column_names=names, use_threads=False),
            pyarrow.csv.ParseOptions(delimiter=separator, ignore_empty_lines=False),
            pyarrow.csv.ConvertOptions(
                column_types=dict.fromkeys(names, pyarrow.string()), strings_can_be_null=False
            ),
        )
    except pyarrow.ArrowInvalid:
        return None
    frame = table.to_pandas(types_mapper=lambda _: _STRING)
    check_size(file, *frame.shape)
    return frame if any(cell.strip() for cell in frame.head(HEAD).to_numpy().flat) else None


def _records(text: str, separator: str, file: str) -> tuple[list[list[str]], list[int]]:
    """Return the records and, for each, the line of the file on which it starts."""
    # line by line: a second copy of the text would take four times its memory
    at = begun = cells = 0

    def lines() -> Iterator[str]:
        nonlocal at
        for found in _LINE.finditer(text):
            at = found.end()
            yield found[0]

    reader = csv.reader(lines(), delimiter=separator, strict=True)
    records, rows, line = [], [], 1
    try:
        for record in reader:
            records.append(record)
            rows.append(line)
            cells += len(record)
            if len(record) > MAX_COLUMNS:
                check_size(file, len(records), len(record))
            if cells > MAX_CELLS:
                raise LogError(
                    f"{file}, line {line}: {MAX_CELLS} cells are read at most, empty ones too; "
                    "split the file, or delete what is not a log."
                )
            line, begun = reader.line_num + 1, at
    except csv.Error as error:
        if at - begun > csv.field_size_limit():
            raise LogError(
                f"{file}, line {line} holds a cell of more than {MAX_CELL} characters, the most "
                "that is read; shorten it, or close a quotation mark that was left open."
            ) from error
        raise LogError(
            f"{file}, line {line}: a quotation mark is out of place ({error}); a cell that holds "
            'one is written "so ""quoted"" text", and every opening mark needs a closing one.'
        ) from error
    return records, rows


REQUIRED = ("athlete", "date", "rung", "value")
"""Columns a log can't do without."""
LONGEST_DAY, LONGEST_RUNG = 200, 40
"""Characters of a line that is a day and perhaps a name; words of one that begins with a rung."""
_DAY = re.compile(
    r"(?=.*\d)(?P<day>[^\W\d_]*\.?,?\s*\d[\w./ -]*?\d{1,4}\.?)(?:[\s,:–-]+(?P<who>\D+))?"
)


def read_jottings(
    file: str, lines: Sequence[str], is_rung: Callable[[str], bool], **notes: tuple[str, ...]
) -> RawTable | None:
    """Read a note line by line, ``None`` where it has not both days and exercises.

    A line that is a day, alone or with a name, holds for those below; so does a line without a
    number, which is a name. Any other line is an exercise and its sets: ``lean: 12s, 10s (band)``;
    behind a day and a colon there may be several in a sentence.
    """
    day, who, days = "", "", 0
    records, rows = [], []
    for number, line in enumerate(lines, start=1):
        text = line.strip().lstrip("-•*# ").strip()
        if is_blank(text):
            continue
        head, colon, tail = text.partition(": ")
        dated = _DAY.fullmatch(text) if len(text) <= LONGEST_DAY else None
        diary = _DAY.fullmatch(head) if colon and len(head) <= LONGEST_DAY else None
        if diary and not isinstance(read_day(diary["day"]), Problem):
            day, days = diary["day"], days + 1
            for rung, cells in _in_a_sentence(tail, is_rung):
                records.append([(diary["who"] or "").strip(), day, rung, cells])
                rows.append(number)
            continue
        if dated and not isinstance(read_day(dated["day"]), Problem):
            day, days = dated["day"], days + 1
            who = (dated["who"] or who).strip(" :")
            continue
        rung, cells = _parted(text, is_rung)
        if not cells and not is_rung(rung):
            who = text.rstrip(":")
            continue
        records.append([who, day, rung, cells])
        rows.append(number)
    if not days or not any(is_rung(record[2]) for record in records):
        return None
    named = any(record[0] for record in records)  # else it is asked whose log it is
    columns, first = (REQUIRED, 0) if named else (REQUIRED[1:], 1)
    return from_records(file, columns, [record[first:] for record in records], rows, **notes)


def _in_a_sentence(text: str, is_rung: Callable[[str], bool]) -> list[tuple[str, str]]:
    """Find exercises in running text, each with what stands between it and the next."""
    words, starts, at = text.split()[: 10 * LONGEST_RUNG], [], 0
    while at < len(words):
        size = next((n for n in range(6, 0, -1)
                     if is_rung(" ".join(words[at : at + n]).rstrip(":,;."))), 0)  # fmt: skip
        starts += [(at, size)] if size else []
        at += max(size, 1)
    ends = [at for at, _ in starts[1:]] + [len(words)]
    found = []
    for (at, size), end in zip(starts, ends, strict=True):
        while end > at + size and words[end - 1].casefold() in vocabulary("skills", "filler"):
            end -= 1
        cells = " ".join(words[at + size : end]).rstrip(",;.")
        found.append((" ".join(words[at : at + size]).rstrip(":,;."), cells))
    return found


def _parted(text: str, is_rung: Callable[[str], bool]) -> tuple[str, str]:
    """Part an exercise, as much as names a rung or all before a mark or number, from its sets."""
    words = text.split()
    for n in range(min(len(words), LONGEST_RUNG), 0, -1):
        name = " ".join(words[:n]).rstrip(":=–-")
        if is_rung(name):
            return name, " ".join(words[n:]).lstrip(":=–- ")
    match = re.match(r"(.*?)\s*[:=]\s*(.*)|(\D+?)\s*(\d.*)", text)
    return (match[1] or match[3] or "", match[2] or match[4] or "") if match else (text, "")
