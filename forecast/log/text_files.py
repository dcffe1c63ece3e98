"""CSV and its kin: encoding, separator, and records with their line numbers."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from pathlib import Path

import pandas as pd
import pyarrow
import pyarrow.csv

from forecast.errors import LogError
from forecast.log.jottings import read_jottings
from forecast.log.limits import MAX_CELL, MAX_CELLS, MAX_COLUMNS, MAX_LINE, MAX_ROWS, MAX_TEXT
from forecast.log.raw import SEARCHED, Known, Opening, RawTable, check_size, find_header, table_at

_BOMS = (
    (b"\xef\xbb\xbf", "utf-8-sig"),
    (b"\xff\xfe\x00\x00", "utf-32"),
    (b"\x00\x00\xfe\xff", "utf-32"),
    (b"\xff\xfe", "utf-16"),
    (b"\xfe\xff", "utf-16"),
)
_SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}


def decode(data: bytes, file: str, encoding: str | None = None) -> tuple[str, str, str]:
    """Turn bytes into text.

    Returns text, the encoding's name, and a warning (empty if there is none). A byte-order
    mark decides; else UTF-8 if it fits, else Windows-1252, which is said in the warning.
    """
    marked = next((name for bom, name in _BOMS if data.startswith(bom)), None)
    name = encoding or marked or "utf-8"
    try:
        return data.decode(name), name, ""
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
    return text, "cp1252", f"{file} is not UTF-8; it was read as Windows-1252 (cp1252)."


def read_text_file(path: Path, file: str, how: Opening) -> RawTable:
    """Read separated text; for the header see ``find_header``.

    Raises ``LogError`` if the file is empty, holds NUL characters, or a quotation mark is never
    closed.
    """
    known, header_row = how.known, how.header_row
    _check_lines(path, file)
    text, name, warning = decode(path.read_bytes(), file, how.encoding)
    if "\x00" in text:
        raise LogError(
            f"{file} holds NUL characters: it is not a text file, or UTF-16 without its mark; "
            "then pass encoding='utf-16-le'."
        )
    text = text.removeprefix("\ufeff")
    separator, skip = _separator(text, path.suffix, known)
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
        noted = about | {"understood": (f"{file}: text in {name}, a note without columns.",)}
        if (table := read_jottings(file, lines, known.is_rung, **noted)) is not None:
            return _as_text(table)
    told = None if header_row is None else sum(row < header_row for row in rows) + 1
    at = at if told is None else find_header(records, known, told)[0]
    return _as_text(table_at(file, records, rows, at, plain, **about))


_TEXT = pd.StringDtype(na_value=float("nan"))


def _as_text(table: RawTable) -> RawTable:
    for column in table.cells.columns:
        table.cells[column] = table.cells[column].astype(_TEXT)
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


def _check_lines(path: Path, file: str) -> None:
    """See to size, number and length of the lines before the file is taken into memory."""
    size = path.stat().st_size
    if size > MAX_TEXT:
        raise LogError(
            f"{file} has {size // 1_000_000} MB; {MAX_TEXT // 1_000_000} MB of text are read at "
            "most. Split it."
        )
    lines, length = 0, 0
    with path.open("rb") as content:
        while part := content.read(MAX_LINE):
            part = part.replace(b"\r", b"\n")  # a line may end in either, or in both
            lines += part.count(b"\n") - part.count(b"\n\n")
            first, last = part.find(b"\n"), part.rfind(b"\n")
            if length + (len(part) if first < 0 else first) > MAX_LINE:
                raise LogError(
                    f"{file}, line {lines + 1} or before is longer than {MAX_LINE} bytes; it is "
                    "no log, or lacks its line ends."
                )
            length = length + len(part) if last < 0 else len(part) - last - 1
            if lines > MAX_ROWS + SEARCHED:
                raise LogError(
                    f"{file} has more than {MAX_ROWS} lines, the most that is read; split it."
                )


HEAD = 1000
"""First records among which header and titles are looked for."""


def _plain(text: str, separator: str, file: str) -> pd.DataFrame | None:
    """Return all records as columns of text, or ``None`` where a line is not one of equal width.

    Cells in quotes are read where each stands between separators and ends on its line; what is
    off in any way is left to ``_records``, which tells where.
    """
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
    frame = table.to_pandas(types_mapper=lambda _: _TEXT)
    check_size(file, *frame.shape)
    return frame if any(cell.strip() for cell in frame.head(HEAD).to_numpy().flat) else None


def _long_cell(file: str, line: int) -> LogError:
    return LogError(
        f"{file}, line {line} holds a cell of more than {MAX_CELL} characters, the most that is "
        "read; shorten it, or close a quotation mark that was left open."
    )


def _records(text: str, separator: str, file: str) -> tuple[list[list[str]], list[int]]:
    """Return the records and, for each, the line of the file on which it starts."""
    # line by line: a second copy of the text would take four times its memory
    lines = (found[0] for found in _LINE.finditer(text))
    reader = csv.reader(lines, delimiter=separator, strict=True)
    records, rows, line, cells = [], [], 1, 0
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
            line = reader.line_num + 1
    except csv.Error as error:
        if "field limit" in str(error):
            raise _long_cell(file, line) from error
        raise LogError(
            f"{file}, line {line}: a quotation mark is out of place ({error}); a cell that holds "
            'one is written "so ""quoted"" text", and every opening mark needs a closing one.'
        ) from error
    return records, rows
