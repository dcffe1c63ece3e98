"""What was understood of a log, what was not, and a mapping drafted to correct it."""

from __future__ import annotations

import io
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from forecast.errors import AmbiguousDateError, LogError, MappingError, quote
from forecast.ladder import Ladder
from forecast.log import cells as words
from forecast.log.cells import RungNames, alike, counted, distinct, is_empty, show
from forecast.log.dates import DateOrder, read_day
from forecast.log.mapping import OF_THE_RUNG, OPTIONAL, REQUIRED, Mapping, header_meaning, quoted
from forecast.log.notation import QUESTIONS
from forecast.log.numbers import quantity
from forecast.log.problems import Problem
from forecast.log.read import TrainingLog, opening
from forecast.log.rows import SESSION, Rows, parse_rows
from forecast.log.shapes import Shaped, headings, shaped
from forecast.log.sizes import MAX_XLSX_CELL
from forecast.log.sources import Source, open_sources
from forecast.log.tables import RawTable, empty_cells
from forecast.log.writing import csv_bytes, without_formulas, write_whole

_SHOWN = 20
"""Longest table or list in the text; the data hold all of it."""
_CORRECT = (
    "What a word or a notation means can be said in a mapping: check --draft mapping.toml writes "
    "one with everything that is sure and a question for each of these."
)


@dataclass(frozen=True, slots=True)
class LogReport:
    """The account of a log: athletes, rungs, kinds of trouble, and all of it as ``text``."""

    athletes: pd.DataFrame
    rungs: pd.DataFrame
    problems: pd.DataFrame
    text: str

    def __str__(self) -> str:
        """Return the text."""
        return self.text


def describe_log(log: TrainingLog) -> LogReport:
    """Say what was understood of a log, what was not, and how to correct it.

    Parameters
    ----------
    log
        A log as ``read_log`` returns it.

    Returns
    -------
    LogReport
        Tables, and one text of them with what was understood.
    """
    sets = log.sets.assign(session=log.sets.groupby(SESSION).ngroup())
    sizes = {"sessions": ("session", "nunique"), "sets": ("value", "size")}
    dated = {"first": ("date", "min"), "last": ("date", "max")}
    athletes = sets.groupby("athlete").agg(rungs=("rung", "nunique"), **sizes, **dated)
    athletes = athletes.reset_index()
    counts = sets.groupby("rung").agg(athletes=("athlete", "nunique"), **sizes)
    rungs = pd.DataFrame({"rung": log.ladder.keys, "name": [r.name for r in log.ladder.rungs]})
    rungs = rungs.join(counts.reindex(log.ladder.keys).fillna(0).astype("int64"), on="rung")
    problems = _problems(log)

    def listed(title: str, lines: Sequence[str]) -> str:
        shown = [f"  - {line}" for line in lines[:_SHOWN]]
        more = [f"  and {len(lines) - _SHOWN} more."] if len(lines) > _SHOWN else []
        return "\n".join([title, *shown, *more]) if lines else ""

    def table(title: str, rows: pd.DataFrame) -> str:
        more = f"\nand {len(rows) - _SHOWN} more." if len(rows) > _SHOWN else ""
        return f"{title}\n{rows.head(_SHOWN).to_string(index=False)}{more}" if len(rows) else ""

    troubles = [
        f"{counted(int(row['rows']), 'row')} ({row['where']}): {row['reason']}"
        for row in problems.to_dict("records")
    ]
    blocks = [
        f"{counted(log.rows_in, 'row')} in = {counted(len(sets), 'set')} + {len(log.rejected)} "
        "rejected.",
        listed("Understood:", log.understood),
        f"Of the sets {int((~sets['clean']).sum())} are unclean, {int(sets['assisted'].sum())} "
        f"assisted, {int(sets['load_kg'].notna().sum())} have a load, "
        f"{int(sets['pain'].notna().sum())} a pain score.",
        table("Rungs:", rungs),
        table("Athletes:", athletes),
        listed("Worth a look:", log.warnings),
        listed("Not understood:", troubles),
        _CORRECT if problems["kind"].isin(["rung", "word", "reading"]).any() else "",
    ]
    return LogReport(athletes, rungs, problems, "\n\n".join(block for block in blocks if block))


def _problems(log: TrainingLog) -> pd.DataFrame:
    """Return a row a kind of trouble: each word is corrected on its own, notations by meaning."""
    rejected = log.rejected.assign(
        place=log.rejected["file"] + " row " + log.rejected["row"].astype("str"),
        word=log.rejected["value"].where(log.rejected["kind"].isin(["rung", "word"]), ""),
    )
    if log.problems:
        keys = pd.Series([row[0].key for row in log.problems], index=rejected.index, dtype="str")
        rejected["word"] = rejected["word"].mask(rejected["kind"] == "reading", keys)
    table = rejected.groupby(["kind", "column", "word"], sort=False).agg(
        rows=("row", "size"),
        where=("place", lambda places: ", ".join(places.unique()[:3])),
        example=("value", "first"),
        reason=("reason", "first"),
    )
    table = table.reset_index().sort_values("rows", ascending=False, kind="stable")
    return table.drop(columns="word").reset_index(drop=True)


def write_rejected(log: TrainingLog, path: str | Path) -> Path:
    """Write the rejected rows to a file, and return its path.

    Parameters
    ----------
    log
        The log that was read.
    path
        A ``.csv`` (UTF-8 with a mark) or ``.xlsx`` file.

    Raises
    ------
    LogError
        The ending is another, or the file can't be written.
    """
    path = Path(path)
    suffix = path.suffix.casefold()
    if suffix not in {".csv", ".xlsx"}:
        raise LogError(f"{path}: rejected rows are written as .csv or .xlsx; name it so.")
    if suffix == ".csv":
        return write_whole(path, csv_bytes(log.rejected, mark=True), LogError)
    longest = int(log.rejected["value"].str.len().max()) if len(log.rejected) else 0
    if longest > MAX_XLSX_CELL:
        raise LogError(
            f"{path}: a cell of {longest} characters does not fit into a workbook, which holds "
            f"{MAX_XLSX_CELL} at most; write the rejected rows as .csv."
        )
    book = io.BytesIO()
    without_formulas(log.rejected).to_excel(book, index=False, sheet_name="rejected")
    return write_whole(path, book.getvalue(), LogError)


_HEAD = """\
# How {files} is read, as drafted by check. What was sure is filled in. A line with # before it is a
# question, with the other answers behind it: take the # off the right one, or correct it.
"""
_CHOICES = {
    "clean": (words.clean_word, "true", ("false",)),
    "assist": (words.assist_word, '"none"', ('"assisted"',)),
    "stopped": (words.stopped_word, '"failed"', ('"target"', '"choice"')),
}
"""Columns of words: their reader, the answer offered for one not known, and the others."""
_NO_YEAR = (
    r"(?:[^\W\d_]+\.?,?\s+)?(?:\d{1,2}[./-]\s?(?:\d{1,2}|[^\W\d_]+)[./]?"
    r"|\d{1,2}\.? [^\W\d_]{3,}\.?|[^\W\d_]{3,}\.? \d{1,2})"
)
_ASKED_ABOUT = ("athlete", "rung", "clean", "assist", "stopped")
"""Columns whose words the draft goes through by itself."""
_SURE = 0.3
"""Share of blanks above which a column is one whose blanks mean the same as above."""


def draft_mapping(
    source: Source,
    ladder: Ladder,
    *,
    mapping: Mapping | None = None,
    date_order: DateOrder | None = None,
    sheet: str | Sequence[str] | None = None,
    encoding: str | None = None,
) -> str:
    """Draft the mapping of a log as TOML.

    Parameters
    ----------
    source, ladder
        The log and the rungs that it is about.
    mapping
        What is known already.
    date_order, sheet, encoding
        As in ``read_log``.

    Raises
    ------
    LogError
        The log can't be opened.
    """
    plan = mapping or Mapping()
    raws = open_sources(source, opening(plan, ladder, sheet, encoding))
    return _Draft(raws, ladder, plan, date_order or plan.read.date_order).text()


class _Draft:
    """Collects the lines of each table of the mapping."""

    def __init__(
        self, raws: list[RawTable], ladder: Ladder, plan: Mapping, order: DateOrder | None
    ) -> None:
        self._raws, self._ladder, self._order = raws, ladder, order
        self._lines: dict[str, list[str]] = {"columns": [], "read": []}
        self._asked: set[str] = set()
        # what the mapping to start from says and no question below is about
        read = plan.read.model_dump(exclude_defaults=True, exclude={"fill_down"})
        tables = {"read": read | ({"date_order": order} if order else {})}
        tables |= {"cells": plan.cells, "words": plan.words}
        tables |= {"units": plan.units, "roster": plan.roster}
        tables |= {f"values.{c}": t for c, t in plan.values.items() if c not in _ASKED_ABOUT}
        for name, table in tables.items():
            for key, value in table.items():
                self._add(name, f"{quoted(key)} = {_toml(value)}")
        self._plan = self._with_columns(plan)
        self._shapes = [s for raw in raws if (s := self._shape(raw)) is not None]
        self._fill_down()
        self._rows = [r for raw in raws if (r := self._parse(raw)) is not None]

    def _add(self, table: str, line: str) -> None:
        self._lines.setdefault(table, []).append(line)

    def _shape(self, raw: RawTable) -> Shaped | None:
        try:
            return shaped(raw, self._ladder, self._plan)
        except MappingError:
            return None  # what is missing stands among the questions about columns

    def _parse(self, raw: RawTable) -> Rows | None:
        try:
            return parse_rows(raw, self._ladder, self._plan, self._order)
        except MappingError:
            return None
        except AmbiguousDateError:
            line = '# date_order = "dmy"  # day first; or "mdy", month first: no date settles it'
            self._add("read", line)
            return parse_rows(raw, self._ladder, self._plan, "dmy")

    def text(self) -> str:
        """Return the draft."""
        for name in ("rung", *_CHOICES, "athlete"):
            self._lines.setdefault(f"values.{name}", [])
        self._columns()
        self._rung_words()
        for name in _CHOICES:
            self._words(name)
        self._athletes()
        for name in _ASKED_ABOUT:  # words of the mapping to start from that these files lack
            seen = {word.casefold() for word in self._counts(name)}
            for word, means in self._plan.values.get(name, {}).items():
                if name != "athlete" and word.casefold() not in seen:
                    self._add(f"values.{name}", f"{quoted(word)} = {_toml(means)}")
        self._cells()
        files = ", ".join(dict.fromkeys(raw.file for raw in self._raws))
        blocks = [_HEAD.format(files=files), *self._lines.pop("", [])]
        blocks += [
            "\n".join(["", f"[{name}]", *dict.fromkeys(lines)])
            for name, lines in self._lines.items()
            if lines
        ]
        return "\n".join(blocks) + "\n"

    def _with_columns(self, plan: Mapping) -> Mapping:
        """Fill in columns that no header names, where their cells tell them."""
        for raw in self._raws:
            for _ in REQUIRED:
                try:
                    shaped(raw, self._ladder, plan)
                    break
                except MappingError as error:
                    guessed = self._guessed(raw, plan, error.columns)
                    if guessed is None:
                        break
                    plan = guessed
        return plan

    def _guessed(self, raw: RawTable, plan: Mapping, missing: Sequence[str]) -> Mapping | None:
        """Return the mapping with one more column, ``None`` where no cells tell one."""
        for name in ("date", "rung", "value", "athlete"):
            if name not in missing or name in plan.columns:
                continue
            fits = self._fitting(raw, name, plan)
            if name == "athlete" and not fits:
                continue
            how = "by its cells"
            if name == "athlete" and len({one.sheet for one in self._raws}) > 1:
                fits, how = ["(sheet)", *fits], "the tabs"
            self._asked.add(name)
            if not fits:
                columns = ", ".join(map(quoted, raw.cells.columns))
                self._add("columns", f'# {name} = "THEIR COLUMN"  # one of {columns}')
                continue
            others = f"; or {', '.join(map(quoted, fits[1:]))}" if fits[1:] else ""
            mark = "# " if others else ""
            self._add("columns", f"{mark}{name} = {quoted(fits[0])}  # {how}{others}")
            return plan.model_copy(update={"columns": plan.columns | {name: fits[0]}})
        if "athlete" not in missing or plan.read.athlete is not None:
            return None
        file = "(heading)" if headings(raw).any() else "(sheet)" if raw.sheet else "(file)"
        if len({one.file for one in self._raws}) > 1 or file == "(heading)":
            self._asked.add("athlete")
            self._add("columns", f"athlete = {quoted(file)}  # no column names one")
            return plan.model_copy(update={"columns": plan.columns | {"athlete": file}})
        self._add("read", '# athlete = "NAME"  # no column names one: whose log is it?')
        return plan.model_copy(update={"read": plan.read.model_copy(update={"athlete": "?"})})

    def _fitting(self, raw: RawTable, name: str, plan: Mapping) -> list[str]:
        """Headers whose cells fit one of our columns, best first."""
        rungs = RungNames(self._ladder)
        taken = {one for one in plan.columns.values() if isinstance(one, str)}
        scores = {}
        for header in raw.cells.columns:
            cells_of = raw.cells[header]
            cells = [cell for cell in distinct(cells_of)[1] if not is_empty(cell)][:200]
            means = header_meaning(header)
            if header in taken or not cells or means not in (None, name) or _counts_up(cells_of):
                continue
            dates, numbers, named = (
                np.mean([not isinstance(reader(cell), Problem) for cell in cells])
                for reader in (read_day, quantity, rungs)
            )
            text = np.mean([isinstance(c, str) and not re.search(r"\d", c) for c in cells])
            answers = np.mean([not isinstance(words.clean_word(cell), Problem) for cell in cells])
            often = (~empty_cells(cells_of)).sum() / len(cells)
            person = text > 0.9 and often > 1.5 and named < 0.2 and answers < 0.5
            scores[header] = {
                "date": dates if dates > 0.8 and not isinstance(cells[0], float | int) else 0.0,
                "rung": named if named > 0.2 else 0.0,
                "value": numbers if numbers > 0.6 and dates < 0.5 else 0.0,
                "athlete": text if person else 0.0,
            }[name]
        return sorted((h for h, score in scores.items() if score), key=lambda h: -scores[h])

    def _fill_down(self) -> None:
        """Fill down columns in which most blanks stand below a name written once."""
        given = self._plan.read.fill_down
        sure: list[str] = []
        asked: list[str] = []
        for shape in self._shapes:
            for name in ("athlete", "date", "rung"):
                header = shape.columns.ours[name]
                if header.startswith("(") or name in given:
                    continue
                blank = empty_cells(shape.raw.cells[header])[~shape.raw.blank]
                if blank.any() and not blank[0]:
                    (sure if blank.mean() > _SURE else asked).append(name)
        fills = [*given, *dict.fromkeys(sure)]
        listed = ", ".join(map(quoted, fills or dict.fromkeys(asked)))
        if fills:
            self._add("read", f"fill_down = [{listed}]  # a blank: the same as above")
        elif asked:
            line = f"# fill_down = [{listed}]  # if a blank there means the same as above"
            self._add("read", line)
        read = self._plan.read.model_copy(update={"fill_down": fills})
        self._plan = self._plan.model_copy(update={"read": read})

    def _columns(self) -> None:
        for name in (*REQUIRED, *OPTIONAL):
            heads = dict.fromkeys(s.columns.ours.get(name, "") for s in self._shapes)
            theirs = [head for head in heads if head and not head.startswith("(")]
            several = self._plan.columns.get(name)
            values = self._shapes[0].columns.values if self._shapes else ()
            if name in self._asked:
                continue
            if isinstance(several, list):
                self._add("columns", f"{name} = {_toml(several)}")
            elif name == "value" and len(values) > 1:
                self._add("columns", f"value = {_toml([header for header, _ in values])}")
            elif len(heads) == 1 and theirs:
                self._add("columns", f"{name} = {quoted(theirs[0])}")
            elif theirs:
                self._add("columns", f"# {name}: {', '.join(map(quoted, theirs))}")
        unused = dict.fromkeys(h for s in self._shapes for h in s.columns.unused)
        if unused:
            self._add("columns", f"# not used: {', '.join(map(quoted, unused))}")
        for sentence in dict.fromkeys(t for s in self._shapes for t in s.understood):
            self._add("columns", f"# {sentence}")

    def _counts(self, name: str) -> Counter[str]:
        """Count the different cells of one of our columns, as they are shown."""
        counts: Counter[str] = Counter()
        for shape in self._shapes:
            header = shape.columns.ours.get(name)
            if header is not None:
                codes, cells = distinct(shape.raw.cells[header][~shape.raw.blank])
                sizes = np.bincount(codes, minlength=len(cells))
                for cell, size in zip(cells, sizes, strict=True):
                    counts[show(cell)] += int(size)
        del counts[""]
        return counts

    def _rung_words(self) -> None:
        names = RungNames(self._ladder, self._plan.ignore)
        given = {k.casefold(): v for k, v in self._plan.values.get("rung", {}).items()}
        strangers: list[str] = []
        keys = f"; keys: {', '.join(self._ladder.keys)}"
        for word, count in self._counts("rung").most_common():
            key = given.get(word.casefold(), names(word))
            if not isinstance(key, Problem):
                line = f"{quoted(word)} = {quoted(str(key))}  # {counted(count, 'cell')}"
            elif key.kind != "ignored":
                near = names.nearest(word)
                line = (
                    f"# {quoted(word)} = {quoted(near or 'KEY')}  # {count}{'' if near else keys}"
                )
                strangers.append(word)
            else:
                continue
            self._add("values.rung", line)
        kept = [*self._plan.ignore, *strangers]
        if kept:
            means = "exercises that are not rungs; drop from the list what is one"
            self._lines[""] = [f"{'# ' if strangers else ''}ignore = {_toml(kept)}  # {means}"]

    def _words(self, name: str) -> None:
        reader, first, others = _CHOICES[name]
        given = {k.casefold(): v for k, v in self._plan.values.get(name, {}).items()}
        for word, count in self._counts(name).most_common():
            means = reader(given.get(word.casefold(), word))
            sure = not isinstance(means, Problem)
            if sure and name == "assist":
                sure = word.casefold() in given or words.names_help(str(means))
            cells = counted(count, "cell")
            if sure:
                line = f"{quoted(word)} = {_toml(means)}  # {cells}"
            else:
                line = f"# {quoted(word)} = {first}  # {cells}; or {', '.join(others)}"
            self._add(f"values.{name}", line)

    def _athletes(self) -> None:
        counts = self._counts("athlete")
        given = self._plan.values.get("athlete", {})
        for name, means in given.items():
            self._add("values.athlete", f"{quoted(name)} = {quoted(str(means))}")
        for names in alike(name for name in counts if name not in given):
            first, *others = sorted(names, key=lambda name: -counts[name])
            for name in others:
                asked = f"{counts[name]} and {counts[first]} cells: one person?"
                self._add("values.athlete", f"# {quoted(name)} = {quoted(first)}  # {asked}")

    def _cells(self) -> None:
        """Ask about notations, words behind values, units and dates, each once."""
        problems = [one for rows in self._rows for row in rows.rejected for one in row]
        asked: dict[tuple[str, str], list[Problem]] = {}
        for one in problems:
            key = one.column if one.table == "units" else one.key
            asked.setdefault((one.table, key), []).append(one)
        order, notations = ["cells", "words", "values.value", "units"], list(QUESTIONS)
        for table, key in sorted(
            (pair for pair in asked if pair[0] in order),
            key=lambda pair: (
                order.index(pair[0]),
                notations.index(pair[1]) if pair[0] == "cells" else pair[1],
            ),
        ):
            same = asked[table, key]
            texts = dict.fromkeys(one.value if table == "units" else one.text for one in same)
            shown = ", ".join(map(quote, list(texts)[:3]))
            many = f"{counted(len(same), 'cell')} such as {shown}"
            answer, means = {
                "cells": ("", ""),
                "words": ("note", f"{many}; or clean, unclean, a help, a unit"),
                "values.value": (0, f"{many}; a miss?"),
                "units": (OF_THE_RUNG, f"{many} of rungs that count otherwise: in what each row's "
                          "rung counts"),
            }[table]  # fmt: skip
            if table == "cells":
                (answer, first), *others = same[0].choices
                ways = "; or ".join(f'"{other}": {text}' for other, text in others)
                means = f"{first}; or {ways}: {many}"
            self._add(table, f"# {quoted(key)} = {_toml(answer)}  # {means}")
        read = self._lines["read"]
        if ("read", "date_order") in asked and not any("date_order" in line for line in read):
            read.append('# date_order = "dmy"  # day first; or "mdy", "ymd": years have two digits')
        if any(one.what == "not_a_date" and re.fullmatch(_NO_YEAR, one.value) for one in problems):
            read.append("# year = 2026  # of the first date; dates have none")
        if ("read", "decimal") in asked:
            read.append('# decimal = ","  # 1,234 is 1.234; or ".": it is 1234')


def _counts_up(column: pd.Series) -> bool:
    """Whether cells are numbers of sets: each is 1, or one more than the one above."""
    numbers = pd.to_numeric(column[~empty_cells(column)].astype(str), errors="coerce")
    steps = (numbers == 1) | (numbers == numbers.shift() + 1)
    return len(numbers) > 3 and bool(steps.all()) and 1 < numbers.max() < len(numbers)


def _toml(value: object) -> str:
    """Return a value of a mapping as TOML writes it."""
    if isinstance(value, list):
        return f"[{', '.join(map(_toml, value))}]"
    if isinstance(value, bool):
        return str(value).lower()
    return quoted(value) if isinstance(value, str) else str(value)
