"""What was understood of a log, what was not, and a mapping drafted to correct it."""

from __future__ import annotations

import io
import re
from collections import Counter
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from forecast.errors import AmbiguousDateError, LogError, MappingError, quote
from forecast.ladder import Ladder
from forecast.log.cells import (
    RungNames,
    alike,
    assist_word,
    clean_word,
    counted,
    distinct,
    is_empty,
    names_help,
    show,
    stopped_word,
)
from forecast.log.dates import DateOrder, read_day
from forecast.log.mapping import OF_THE_RUNG, OPTIONAL, REQUIRED, Mapping, quoted
from forecast.log.notation import QUESTIONS
from forecast.log.numbers import quantity
from forecast.log.problems import Problem
from forecast.log.read import TrainingLog, opening
from forecast.log.rows import Rows, parse_rows
from forecast.log.shapes import Shaped, headings, shaped
from forecast.log.sizes import MAX_XLSX_CELL
from forecast.log.sources import Source, open_sources
from forecast.log.tables import RawTable, empty_cells
from forecast.log.writing import csv_bytes, without_formulas, write_whole

_SHOWN = 20
"""Longest table or list in the text; the data hold all of it."""


_MENDS = (
    "What a word or a notation means can be said in a mapping: check --draft mapping.toml writes "
    "one with everything that is sure and a question for each of these."
)


@dataclass(frozen=True, slots=True)
class LogReport:
    """The account of a log, beside what the log itself tells.

    Attributes
    ----------
    athletes
        One row an athlete: ``athlete, rungs, sessions, sets, first, last``.
    rungs
        One row a rung of the ladder, in its order: ``rung, name, athletes, sessions, sets``.
    problems
        One row a kind of trouble, most frequent first: ``kind, column, rows`` (count),
        ``where`` (the first places), ``example`` (a cell), ``reason`` (of the first one).
    text
        All of this for reading, with the log's own counts and sentences.
    """

    athletes: pd.DataFrame
    rungs: pd.DataFrame
    problems: pd.DataFrame
    text: str

    def __str__(self) -> str:
        """Return the text."""
        return self.text


def describe_log(log: TrainingLog) -> LogReport:
    """Say what was understood of a log, what was not, and how to mend it.

    Parameters
    ----------
    log
        A log as ``read_log`` returns it.

    Returns
    -------
    LogReport
        Tables, and one text of them with what was understood.
    """
    athletes, rungs, problems = _athletes(log), _rungs(log), _problems(log)
    return LogReport(athletes, rungs, problems, _text(log, athletes, rungs, problems))


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
        content = csv_bytes(log.rejected, mark=True)
    else:
        longest = int(log.rejected["value"].str.len().max()) if len(log.rejected) else 0
        if longest > MAX_XLSX_CELL:
            raise LogError(
                f"{path}: a cell of {longest} characters does not fit into a workbook, which holds "
                f"{MAX_XLSX_CELL} at most; write the rejected rows as .csv."
            )
        book = io.BytesIO()
        without_formulas(log.rejected).to_excel(book, index=False, sheet_name="rejected")
        content = book.getvalue()
    return write_whole(path, content, LogError)


def _athletes(log: TrainingLog) -> pd.DataFrame:
    sets = log.sets.assign(session=_session(log.sets))
    return (
        sets.groupby("athlete")
        .agg(
            rungs=("rung", "nunique"),
            sessions=("session", "nunique"),
            sets=("value", "size"),
            first=("date", "min"),
            last=("date", "max"),
        )
        .reset_index()
    )


def _rungs(log: TrainingLog) -> pd.DataFrame:
    sets = log.sets.assign(session=_session(log.sets))
    counts = sets.groupby("rung").agg(
        athletes=("athlete", "nunique"), sessions=("session", "nunique"), sets=("value", "size")
    )
    table = pd.DataFrame(
        {"rung": log.ladder.keys, "name": [rung.name for rung in log.ladder.rungs]}
    )
    return table.join(counts.reindex(log.ladder.keys).fillna(0).astype("int64"), on="rung")


def _session(sets: pd.DataFrame) -> pd.Series:
    return sets.groupby(["athlete", "date", "rung"]).ngroup()


def _problems(log: TrainingLog) -> pd.DataFrame:
    columns = ["kind", "column", "rows", "where", "example", "reason"]
    rejected = log.rejected.assign(
        place=log.rejected["file"] + " row " + log.rejected["row"].astype("str"),
        # each unknown rung or word is corrected on its own, notations by what they may mean
        word=log.rejected["value"].where(log.rejected["kind"].isin(["rung", "word"]), ""),
    )
    if log.problems:
        keys = pd.Series([row[0].key for row in log.problems], index=rejected.index, dtype="str")
        rejected["word"] = rejected["word"].mask(rejected["kind"] == "reading", keys)
    table = (
        rejected.groupby(["kind", "column", "word"], sort=False)
        .agg(
            rows=("row", "size"),
            where=("place", lambda places: ", ".join(places.unique()[:3])),
            example=("value", "first"),
            reason=("reason", "first"),
        )
        .reset_index()
    )
    return table.sort_values("rows", ascending=False, kind="stable")[columns].reset_index(drop=True)


def _text(
    log: TrainingLog, athletes: pd.DataFrame, rungs: pd.DataFrame, problems: pd.DataFrame
) -> str:
    sets = log.sets
    parts = [
        f"{counted(log.rows_in, 'row')} in = {counted(len(sets), 'set')} + {len(log.rejected)} "
        "rejected.",
        _listed("Understood:", log.understood),
        f"Of the sets {int((~sets['clean']).sum())} are unclean, {int(sets['assisted'].sum())} "
        f"assisted, {int(sets['load_kg'].notna().sum())} have a load, "
        f"{int(sets['pain'].notna().sum())} a pain score.",
        _table("Rungs:", rungs),
        _table("Athletes:", athletes),
        _listed("Worth a look:", log.warnings),
        _listed("Not understood:", [_problem_line(row) for row in problems.to_dict("records")]),
        _MENDS if problems["kind"].isin(["rung", "word", "reading"]).any() else "",
    ]
    return "\n\n".join(part for part in parts if part)


def _problem_line(row: dict[Hashable, Any]) -> str:
    return f"{counted(int(row['rows']), 'row')} ({row['where']}): {row['reason']}"


def _listed(title: str, lines: list[str] | tuple[str, ...]) -> str:
    if not lines:
        return ""
    shown = [f"  - {line}" for line in lines[:_SHOWN]]
    if len(lines) > _SHOWN:
        shown.append(f"  and {len(lines) - _SHOWN} more.")
    return "\n".join([title, *shown])


def _table(title: str, table: pd.DataFrame) -> str:
    if table.empty:
        return ""
    text = table.head(_SHOWN).to_string(index=False)
    more = f"\nand {len(table) - _SHOWN} more." if len(table) > _SHOWN else ""
    return f"{title}\n{text}{more}"


_HEAD = """\
# How {files} is read, as drafted by check. What was sure is filled in. A line with # before it is a
# question, with the other answers behind it: take the # off the right one, or mend it.
"""
_CHOICES = {
    "clean": ("true", "false"),
    "stopped": ('"failed"', '"target"', '"choice"'),
    "assist": ('"none"', '"assisted"'),
}
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
    draft = _Draft(raws, ladder, plan, date_order or plan.read.date_order)
    return draft.text()


class _Draft:
    """Collects the lines of each table of the mapping."""

    def __init__(
        self, raws: list[RawTable], ladder: Ladder, plan: Mapping, order: DateOrder | None
    ) -> None:
        self._raws, self._ladder, self._order = raws, ladder, order
        self._lines: dict[str, list[str]] = {"columns": [], "read": []}
        self._asked: set[str] = set()
        self._carry(plan)
        self._plan = self._with_columns(plan)
        self._shapes = [s for raw in raws if (s := self._shape(raw)) is not None]
        self._plan = self._with_fills(self._plan)
        self._rows = [r for raw in raws if (r := self._parse(raw)) is not None]

    def _carry(self, plan: Mapping) -> None:
        """Keep what the mapping to start from says and no question below is about."""
        read = plan.read.model_dump(exclude_defaults=True, exclude={"fill_down"})
        tables = {"read": read | ({"date_order": self._order} if self._order else {})}
        tables |= {name: getattr(plan, name) for name in ("cells", "words", "units", "roster")}
        tables |= {f"values.{c}": t for c, t in plan.values.items() if c not in _ASKED_ABOUT}
        for name, table in tables.items():
            lines = [f"{quoted(key)} = {_toml(value)}" for key, value in table.items()]
            if lines:
                self._lines.setdefault(name, []).extend(lines)

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
            self._lines["read"].append(line)
            return parse_rows(raw, self._ladder, self._plan, "dmy")

    def text(self) -> str:
        """Return the draft."""
        self._columns()
        self._rung_words()
        for name in ("clean", "assist", "stopped"):
            self._words(name)
        self._athletes()
        self._unseen_words()
        self._cells()
        files = ", ".join(dict.fromkeys(raw.file for raw in self._raws))
        parts = [_HEAD.format(files=files)]
        parts += self._lines.pop("", [])
        for name, lines in self._lines.items():
            if lines:
                parts.append("\n".join(["", f"[{name}]", *dict.fromkeys(lines)]))
        return "\n".join(parts) + "\n"

    def _with_columns(self, plan: Mapping) -> Mapping:
        """Fill in columns that no header names, where their cells tell them."""
        for raw in self._raws:
            for _ in REQUIRED:
                try:
                    shaped(raw, self._ladder, plan)
                    break
                except MappingError as error:
                    plan, changed = self._guessed(raw, plan, error.columns)
                    if not changed:
                        break
        return plan

    def _guessed(
        self, raw: RawTable, plan: Mapping, missing: Sequence[str]
    ) -> tuple[Mapping, bool]:
        for name in ("date", "rung", "value", "athlete"):
            if name not in missing or name in plan.columns:
                continue
            fits = self._fitting(raw, name, plan)
            if name == "athlete" and not fits:
                continue
            self._asked.add(name)
            if not fits:
                self._lines["columns"].append(f'# {name} = "THEIR COLUMN"  # one of {_all(raw)}')
                continue
            rest = f"; or {', '.join(map(quoted, fits[1:]))}" if fits[1:] else ""
            mark = "# " if rest else ""
            self._lines["columns"].append(f"{mark}{name} = {quoted(fits[0])}  # by its cells{rest}")
            columns = plan.columns | {name: fits[0]}
            return plan.model_copy(update={"columns": columns}), True
        if "athlete" in missing and plan.read.athlete is None:
            several = len({raw.file for raw in self._raws}) > 1
            file = "(sheet)" if raw.sheet else "(file)"
            if headings(raw).any():
                file = "(heading)"
            if several or file == "(heading)":
                self._asked.add("athlete")
                self._lines["columns"].append(f"athlete = {quoted(file)}  # no column names one")
                columns = plan.columns | {"athlete": file}
                return plan.model_copy(update={"columns": columns}), True
            self._lines["read"].append(
                '# athlete = "NAME"  # no column names one: whose log is it?'
            )
            read = plan.read.model_copy(update={"athlete": "?"})
            return plan.model_copy(update={"read": read}), True
        return plan, False

    def _fitting(self, raw: RawTable, name: str, plan: Mapping) -> list[str]:
        """Headers whose cells fit one of our columns, best first."""
        rungs = RungNames(self._ladder)
        taken = {one for one in plan.columns.values() if isinstance(one, str)}
        scores = {}
        for header in raw.cells.columns:
            cells = [cell for cell in distinct(raw.cells[header])[1] if not is_empty(cell)][:200]
            if header in taken or not cells:
                continue
            dates = np.mean([not isinstance(read_day(cell), Problem) for cell in cells])
            numbers = np.mean([not isinstance(quantity(cell), Problem) for cell in cells])
            known = np.mean([not isinstance(rungs(cell), Problem) for cell in cells])
            text = np.mean([isinstance(c, str) and not re.search(r"\d", c) for c in cells])
            often = (~empty_cells(raw.cells[header])).sum() / len(cells)
            scores[header] = {
                "date": dates if dates > 0.8 and not isinstance(cells[0], float | int) else 0.0,
                "rung": known if known > 0.2 else 0.0,
                "value": numbers if numbers > 0.6 and dates < 0.5 else 0.0,
                "athlete": text if text > 0.9 and often > 1.5 and known < 0.2 else 0.0,
            }[name]
        fits = [header for header, score in scores.items() if score]
        return sorted(fits, key=lambda header: -scores[header])

    def _with_fills(self, plan: Mapping) -> Mapping:
        """Fill down columns in which most blanks stand below a name written once."""
        sure: list[str] = []
        asked: list[str] = []
        for shape in self._shapes:
            raw = shape.raw
            for name in ("athlete", "date", "rung"):
                header = shape.columns.ours[name]
                if header.startswith("(") or name in plan.read.fill_down:
                    continue
                used = raw.cells[header][~raw.blank]
                blank = np.array([is_empty(cell) for cell in used.array], dtype=bool)
                if blank.any() and not blank[0]:
                    (sure if blank.mean() > _SURE else asked).append(name)
        fills = [*plan.read.fill_down, *dict.fromkeys(sure)]
        if fills:
            listed = ", ".join(map(quoted, fills))
            self._lines["read"].append(f"fill_down = [{listed}]  # a blank: the same as above")
        elif asked:
            listed = ", ".join(map(quoted, dict.fromkeys(asked)))
            line = f"# fill_down = [{listed}]  # if a blank there means the same as above"
            self._lines["read"].append(line)
        read = plan.read.model_copy(update={"fill_down": fills})
        return plan.model_copy(update={"read": read})

    def _columns(self) -> None:
        for name in (*REQUIRED, *OPTIONAL):
            heads = dict.fromkeys(s.columns.ours.get(name, "") for s in self._shapes)
            theirs = [head for head in heads if head and not head.startswith("(")]
            several = self._plan.columns.get(name)
            if name in self._asked:
                continue
            if isinstance(several, list):
                self._lines["columns"].append(f"{name} = [{', '.join(map(quoted, several))}]")
            elif name == "value" and self._shapes and len(self._shapes[0].columns.values) > 1:
                units = ", ".join(quoted(header) for header, _ in self._shapes[0].columns.values)
                self._lines["columns"].append(f"value = [{units}]")
            elif len(heads) == 1 and theirs:
                self._lines["columns"].append(f"{name} = {quoted(theirs[0])}")
            elif theirs:
                self._lines["columns"].append(f"# {name}: {', '.join(map(quoted, theirs))}")
        unused = dict.fromkeys(h for s in self._shapes for h in s.columns.unused)
        if unused:
            self._lines["columns"].append(f"# not used: {', '.join(map(quoted, unused))}")
        for said in dict.fromkeys(t for s in self._shapes for t in s.understood):
            self._lines["columns"].append(f"# {said}")

    def _counts(self, name: str) -> Counter[str]:
        found: Counter[str] = Counter()
        for shape in self._shapes:
            header = shape.columns.ours.get(name)
            if header is not None:
                column = shape.raw.cells[header][~shape.raw.blank]
                codes, cells = distinct(column)
                sizes = np.bincount(codes, minlength=len(cells))
                for cell, size in zip(cells, sizes, strict=True):
                    found[show(cell)] += int(size)
        del found[""]
        return found

    def _rung_words(self) -> None:
        names = RungNames(self._ladder, self._plan.ignore)
        given = {k.casefold(): v for k, v in self._plan.values.get("rung", {}).items()}
        strangers: list[str] = []
        lines = self._lines.setdefault("values.rung", [])
        keys = ", ".join(self._ladder.keys)
        for word, count in self._counts("rung").most_common():
            key = given.get(word.casefold(), names(word))
            if not isinstance(key, Problem):
                lines.append(f"{quoted(word)} = {quoted(str(key))}  # {counted(count, 'cell')}")
            elif key.kind != "ignored":
                near = names.nearest(word)
                guess, said = (near, "") if near else ("KEY", f"; keys: {keys}")
                lines.append(f"# {quoted(word)} = {quoted(guess)}  # {count}{said}")
                strangers.append(word)
        kept = [*self._plan.ignore, *strangers]
        if kept:
            mark = "# " if strangers else ""
            listed = ", ".join(map(quoted, kept))
            said = "exercises that are not rungs; drop from the list what is one"
            self._lines[""] = [f"{mark}ignore = [{listed}]  # {said}"]

    def _words(self, name: str) -> None:
        reader = {"clean": clean_word, "assist": assist_word, "stopped": stopped_word}[name]
        given = {k.casefold(): v for k, v in self._plan.values.get(name, {}).items()}
        lines = self._lines.setdefault(f"values.{name}", [])
        for word, count in self._counts(name).most_common():
            means = reader(given.get(word.casefold(), word))
            known = not isinstance(means, Problem)
            if known and name == "assist":
                known = word.casefold() in given or names_help(str(means))
            if known:
                shown = str(means).lower() if name == "clean" else quoted(str(means))
                lines.append(f"{quoted(word)} = {shown}  # {counted(count, 'cell')}")
            else:
                first, *rest = _CHOICES[name]
                said = f"{counted(count, 'cell')}; or {', '.join(rest)}"
                lines.append(f"# {quoted(word)} = {first}  # {said}")

    def _athletes(self) -> None:
        counts = self._counts("athlete")
        given = self._plan.values.get("athlete", {})
        lines = self._lines.setdefault("values.athlete", [])
        lines += [f"{quoted(k)} = {quoted(str(v))}" for k, v in given.items()]
        for names in alike(name for name in counts if name not in given):
            first, *rest = sorted(names, key=lambda name: -counts[name])
            for name in rest:
                said = f"{counts[name]} and {counts[first]} cells: one person?"
                lines.append(f"# {quoted(name)} = {quoted(first)}  # {said}")

    def _unseen_words(self) -> None:
        """Keep words of the mapping to start from that do not stand in these files."""
        for name in _ASKED_ABOUT:
            lines = self._lines.setdefault(f"values.{name}", [])
            seen = {word.casefold() for word in self._counts(name)}
            for word, means in self._plan.values.get(name, {}).items():
                if name != "athlete" and word.casefold() not in seen:
                    lines.append(f"{quoted(word)} = {_toml(means)}")

    def _cells(self) -> None:
        """Ask about notations, words behind values, units and dates, each once."""
        problems = [one for rows in self._rows for row in rows.rejected for one in row]
        asked: dict[tuple[str, str], list[Problem]] = {}
        for one in problems:
            asked.setdefault(
                (one.table, one.column if one.table == "units" else one.key), []
            ).append(one)
        order = ["cells", "words", "values.value", "units"]
        notations = list(QUESTIONS)
        for table, key in sorted(
            (pair for pair in asked if pair[0] in order),
            key=lambda pair: (
                order.index(pair[0]),
                notations.index(pair[1]) if pair[0] == "cells" else pair[1],
            ),
        ):
            alike = asked[table, key]
            texts = dict.fromkeys(one.value if table == "units" else one.text for one in alike)
            shown = ", ".join(map(quote, list(texts)[:3]))
            many = f"{counted(len(alike), 'cell')} such as {shown}"
            if table == "cells":
                (way, means), *others = alike[0].choices
                ways = "; or ".join(f'"{other}": {text}' for other, text in others)
                line = f"# {quoted(key)} = {quoted(way)}  # {means}; or {ways}: {many}"
            elif table == "words":
                line = f'# {quoted(key)} = "note"  # {many}; or clean, unclean, a help, a unit'
            elif table == "values.value":
                line = f"# {quoted(key)} = 0  # {many}; a miss?"
            else:
                line = (
                    f'# {quoted(key)} = "{OF_THE_RUNG}"  # {many} of rungs that count otherwise: '
                    "in what each row's rung counts"
                )
            self._lines.setdefault(table, []).append(line)
        read = self._lines["read"]
        if ("read", "date_order") in asked and not any("date_order" in line for line in read):
            read.append('# date_order = "dmy"  # day first; or "mdy", "ymd": years have two digits')
        if any(one.what == "not_a_date" and re.fullmatch(_NO_YEAR, one.value) for one in problems):
            read.append("# year = 2026  # of the first date; dates have none")
        if ("read", "decimal") in asked:
            read.append('# decimal = ","  # 1,234 is 1.234; or ".": it is 1234')


def _toml(value: object) -> str:
    """Return a value of a mapping as TOML writes it."""
    if isinstance(value, list):
        return f"[{', '.join(map(_toml, value))}]"
    if isinstance(value, bool):
        return str(value).lower()
    return quoted(value) if isinstance(value, str) else str(value)


def _all(raw: RawTable) -> str:
    return ", ".join(map(quoted, raw.cells.columns))
