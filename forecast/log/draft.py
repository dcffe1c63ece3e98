"""A whole mapping, drafted: every column and word of a log, sure ones filled in, the rest asked."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd

from forecast.errors import AmbiguousDateError, MappingError
from forecast.ladder import Ladder
from forecast.log import words
from forecast.log.cells import Problem, counted, distinct, is_empty, show
from forecast.log.dates import DateOrder, read_day
from forecast.log.mapping import OF_THE_RUNG, OPTIONAL, REQUIRED, Mapping, quoted
from forecast.log.numbers import quantity
from forecast.log.parsing import Rows, parse_rows
from forecast.log.questions import QUESTIONS
from forecast.log.raw import RawTable
from forecast.log.read import opening
from forecast.log.shapes import Shaped, headings, shaped
from forecast.log.sources import Source, open_sources

_HEAD = """\
# How {files} is read, as drafted by check. What was sure is filled in. A line with # before it is a
# question, with the other answers behind it: take the # off the right one, or mend it.
"""
_CHOICES = {
    "clean": ("true", "false"),
    "stopped": ('"failed"', '"target"', '"choice"'),
    "assist": ('"none"', '"assisted"'),
}
_QUOTED = {
    "cells": r"'([^']*)' may be ",
    "words": r" in '([^']*)' is not a unit",
    "values.value": r"'([^']*)' is not a number; write 0 for a miss, or map",
}
"""Where the reason for each table of the mapping quotes the cell."""
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
                    plan, changed = self._guessed(raw, plan, str(error))
                    if not changed:
                        break
        return plan

    def _guessed(self, raw: RawTable, plan: Mapping, said: str) -> tuple[Mapping, bool]:
        missing = [name for name in REQUIRED if re.search(rf"(for|and|,) {name}\b", said)]
        missing += [name for name in REQUIRED if f"could each be {name}" in said]
        for name in ("date", "rung", "value", "athlete"):
            if name not in missing or name in plan.columns:
                continue
            fits = self._fitting(raw, name, plan)
            if name == "athlete" and not fits:
                continue
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
        rungs = words.RungNames(self._ladder)
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
            often = raw.cells[header].notna().sum() / len(cells)
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
        told = "\n".join(self._lines["columns"])
        for name in (*REQUIRED, *OPTIONAL):
            heads = dict.fromkeys(s.columns.ours.get(name, "") for s in self._shapes)
            theirs = [head for head in heads if head and not head.startswith("(")]
            several = self._plan.columns.get(name)
            if re.search(rf"^#? ?{name} = ", told, re.M):
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
        names = words.RungNames(self._ladder, self._plan.ignore)
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
        reader = {"clean": words.clean, "assist": words.assist, "stopped": words.stopped}[name]
        given = {k.casefold(): v for k, v in self._plan.values.get(name, {}).items()}
        lines = self._lines.setdefault(f"values.{name}", [])
        for word, count in self._counts(name).most_common():
            means = reader(given.get(word.casefold(), word))
            known = not isinstance(means, Problem)
            if known and name == "assist":
                known = word.casefold() in given or words.names_help(str(means))
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
        for names in words.alike(name for name in counts if name not in given):
            first, *rest = sorted(names, key=lambda name: -counts[name])
            for name in rest:
                said = f"{counts[name]} and {counts[first]} cells: one person?"
                lines.append(f"# {quoted(name)} = {quoted(first)}  # {said}")

    def _unseen_words(self) -> None:
        """Keep words of the mapping to start from that do not stand in these files."""
        for name in _ASKED_ABOUT:
            lines = self._lines.setdefault(f"values.{name}", [])
            told = "\n".join(lines).casefold()
            for word, means in self._plan.values.get(name, {}).items():
                if f"{quoted(word)} = ".casefold() not in told:
                    lines.append(f"{quoted(word)} = {_toml(means)}")

    def _cells(self) -> None:
        """Ask about notations, words behind values and dates, each once."""
        rejected = pd.concat([rows.rejected for rows in self._rows] or [pd.DataFrame()])
        if rejected.empty:
            return
        for kind, key, part in _asked(rejected):
            found = part["reason"].astype("str").str.extract(_QUOTED[kind], expand=False)
            shown = ", ".join(map(repr, found.unique()[:3]))
            many = f"{counted(len(part), 'cell')} such as {shown}"
            if kind == "cells":
                said = part["reason"].iloc[0].partition(" may be ")[2]
                ways = [said.split(f' ("{key}" = "{way}")')[0] for way in QUESTIONS[key]]
                means, *rest = [text.rpartition(") or ")[2] for text in ways]
                way, *other = QUESTIONS[key]
                others = "; or ".join(f'"{o}": {t}' for o, t in zip(other, rest, strict=True))
                line = f"# {quoted(key)} = {quoted(way)}  # {means}; or {others}: {many}"
            elif kind == "words":
                line = f'# {quoted(key)} = "note"  # {many}; or clean, unclean, a help, a unit'
            else:
                line = f"# {quoted(key)} = 0  # {many}; a miss?"
            self._lines.setdefault(kind, []).append(line)
        self._units(rejected)
        self._read_questions(rejected)

    def _units(self, rejected: pd.DataFrame) -> None:
        """Ask about headers of a unit that rungs of another measure stand under."""
        told = rejected["reason"].astype("str").str.contains("under [units]", regex=False)
        for header, part in rejected[told].groupby("column", observed=True):
            shown = ", ".join(map(repr, part["value"].astype("str").unique()[:3]))
            self._lines.setdefault("units", []).append(
                f'# {quoted(str(header))} = "{OF_THE_RUNG}"  # {counted(len(part), "cell")} '
                f"such as {shown} of rungs that count otherwise: in what each row's rung counts"
            )

    def _read_questions(self, rejected: pd.DataFrame) -> None:
        reasons = rejected["reason"].astype("str")
        given = " ".join(self._lines["read"])
        short = reasons.str.contains("year has two digits")
        if short.any() and "date_order" not in given:
            self._lines["read"].append(
                '# date_order = "dmy"  # day first; or "mdy", "ymd": years have two digits'
            )
        bare = rejected.loc[rejected["kind"] == "date", "value"].astype("str")
        named = bare.str.fullmatch(_NO_YEAR)
        if named.any():
            self._lines["read"].append("# year = 2026  # of the first date; dates have none")
        if reasons.str.contains('decimal = "," or').any():
            self._lines["read"].append('# decimal = ","  # 1,234 is 1.234; or ".": it is 1234')


def _asked(rejected: pd.DataFrame) -> Iterator[tuple[str, str, pd.DataFrame]]:
    """Group rejected rows by what is asked about their values, beside whatever else ails them."""
    reasons = rejected["reason"].astype("str")
    for key in QUESTIONS:
        part = rejected[reasons.str.contains(f'("{key}" =', regex=False)]
        if len(part):
            yield "cells", key, part
    patterns = {
        "words": r"\[words\] in the mapping: \"(.+?)\" = ",
        "values.value": _QUOTED["values.value"],
    }
    for kind, pattern in patterns.items():
        for key, part in rejected.groupby(reasons.str.extract(pattern, expand=False)):
            yield kind, str(key), part


def _toml(value: object) -> str:
    """Return a value of a mapping as TOML writes it."""
    if isinstance(value, list):
        return f"[{', '.join(map(_toml, value))}]"
    if isinstance(value, bool):
        return str(value).lower()
    return quoted(value) if isinstance(value, str) else str(value)


def _all(raw: RawTable) -> str:
    return ", ".join(map(quoted, raw.cells.columns))
