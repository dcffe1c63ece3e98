"""A mapping drafted from a log: each line is sure, or a question with its readings side by side."""

from __future__ import annotations

import datetime as dt
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from forecast.errors import AmbiguousDateError, MappingError, quote
from forecast.ladder import Ladder
from forecast.log import cells as words
from forecast.log.cells import alike, bare, distinct, mentions, show, vocabulary
from forecast.log.dates import DateOrder, read_day
from forecast.log.drafts import SAMPLES, Answer, Draft, Item, tables
from forecast.log.mapping import (
    OF_THE_RUNG,
    OPTIONAL,
    REQUIRED,
    Mapping,
    header_meaning,
    load_mapping,
    plain_header,
    quoted,
)  # fmt: skip
from forecast.log.problems import PAIN_NOTED, QUESTIONS, Problem, say
from forecast.log.read import opening, read_roster
from forecast.log.roles import Profile, RungNames, counts_up, is_name, misfit, profile
from forecast.log.rows import Rows, parse_rows
from forecast.log.shapes import Shaped, headings, shaped, whose_columns
from forecast.log.sources import Source, open_sources
from forecast.log.tables import RawTable, empty_cells


def draft(
    source: Source,
    ladder: Ladder,
    *,
    roster: Source | None = None,
    mapping: Any = None,
    date_order: DateOrder | None = None,
    sheet: str | Sequence[str] | None = None,
    encoding: str | None = None,
) -> Draft:
    """Draft the mapping of a log.

    Parameters
    ----------
    source, ladder, roster
        The log, the rungs that it is about, and who the athletes are, if that is known.
    mapping
        What is known already, as ``read_log`` takes it.
    date_order, sheet, encoding
        As in ``read_log``.

    Raises
    ------
    LogError
        The log can't be opened.
    """
    plan = load_mapping(mapping)
    raws = open_sources(source, opening(plan, ladder, sheet, encoding))
    people = read_roster(roster, plan)[0].index if roster is not None else ()
    return _Drafting(raws, ladder, plan, date_order or plan.read.date_order, people).draft()


_CHOICES = {
    "clean": (words.clean_word, (True, False)),
    "assist": (words.assist_word, ("none", "assisted")),
    "stopped": (words.stopped_word, ("failed", "target", "choice")),
}
"""Columns of words: their reader, and the answers offered for one not known."""
_NO_YEAR = (
    r"(?:[^\W\d_]+\.?,?\s+)?(?:\d{1,2}[./-]\s?(?:\d{1,2}|[^\W\d_]+)[./]?"
    r"|\d{1,2}\.? [^\W\d_]{3,}\.?|[^\W\d_]{3,}\.? \d{1,2})"
)
_SURE_BLANKS = 0.3
"""Share of blanks above which a column is one whose blanks mean the same as above."""
_PLAUSIBLE = (0.02, 8.0)
"""Values over the mark of their rung that a session may show."""


class _Drafting:
    """Collects the items; goes on with the first answer to each question."""

    def __init__(
        self,
        raws: list[RawTable],
        ladder: Ladder,
        plan: Mapping,
        order: DateOrder | None,
        people: Iterable[str],
    ) -> None:
        self._raws, self._ladder, self._given = raws, ladder, plan
        self._order, self._plan = order, plan
        self._people = {bare(name): name for name in people}
        self._rungs = RungNames(ladder, plan.ignore)
        self._items: dict[tuple[str, str], Item] = {}
        self._profiles: dict[tuple[str, str], Profile] = {}
        self._shapes: list[Shaped] = []
        self._rows: list[Rows] = []

    def draft(self) -> Draft:
        """Go through columns, then blanks, then words and notations."""
        self._as_given()
        for raw in self._raws:
            while (shape := self._shape(raw)) is None and self._next_column(raw):
                pass
            self._shapes += [shape] if shape is not None else []
        self._fill_down()
        notes = self._columns()
        self._rung_words()
        for name in _CHOICES:
            self._words(name)
        self._athletes()
        guess = tables((i, i.answers[0].value) for i in self._items.values() if i.answers)
        values = {name: self._plan.values.get(name, {}) | guess.get("values", {}).get(name, {})
                  for name in ("rung", *_CHOICES)}  # fmt: skip
        ignore = guess.get("ignore", [])
        self._plan = self._plan.model_copy(
            update={"values": self._plan.values | values, "ignore": ignore}
        )
        self._rows = [rows for raw in self._raws if (rows := self._parse(raw)) is not None]
        self._remarks()
        self._cells()
        files = tuple(dict.fromkeys(raw.file for raw in self._raws))
        items = tuple(self._items.values())
        return Draft(items, notes, files, tuple(self._raws), self._ladder, self._given)

    def _add(
        self, table: str, key: str, *answers: Any, sure: bool = False, why: str = "",
        rows: Sequence[tuple[str, int]] = (),
    ) -> None:  # fmt: skip
        listed = tuple(one if isinstance(one, Answer) else Answer(one) for one in answers)
        item = Item(table, key, listed, sure, why, tuple(dict.fromkeys(rows))[:SAMPLES])
        before = self._items.get((table, key))
        if before is None or not before.answers:  # of one table only the user could tell
            self._items[table, key] = item

    def _as_given(self) -> None:
        """Take over what the mapping to start from says."""
        plan = self._given
        read = plan.read.model_dump(exclude_defaults=True, exclude={"fill_down"})
        tables: dict[str, dict[str, Any]] = {"columns": dict(plan.columns)}
        tables |= {"read": read | ({"date_order": self._order} if self._order else {})}
        tables |= {f"values.{name}": words for name, words in plan.values.items()}
        tables |= {n: getattr(plan, n) for n in ("cells", "words", "notes", "units", "roster")}
        for name, table in tables.items():
            for key, value in table.items():
                self._add(name, key, value, sure=True)
        for name in ("ignore", "right"):
            if words_of := getattr(plan, name):
                self._add("", name, list(words_of), sure=True)

    def _shape(self, raw: RawTable) -> Shaped | None:
        try:
            return shaped(raw, self._ladder, self._plan)
        except MappingError as error:
            self._missing = error.columns
            return None  # what is missing is asked about next

    def _parse(self, raw: RawTable) -> Rows | None:
        try:
            return parse_rows(raw, self._ladder, self._plan, self._order)
        except MappingError:
            return None
        except AmbiguousDateError:
            ways = (Answer("dmy", say("day_first")), Answer("mdy", say("month_first")))
            self._add("read", "date_order", *ways, why=say("no_date_settles"))
            return parse_rows(raw, self._ladder, self._plan, "dmy")

    # columns

    def _profile(self, raw: RawTable, header: str) -> Profile:
        place = (raw.file, header)
        if place not in self._profiles:
            self._profiles[place] = profile(raw.cells[header], self._rungs)
        return self._profiles[place]

    def _next_column(self, raw: RawTable) -> bool:
        """Settle or ask about one column that no header tells; false where none is left."""
        across = {"athlete", "value"} <= set(self._missing) and whose_columns(raw, self._plan)
        first = "athlete" if across else "start"
        order = dict.fromkeys((first, "start", "date", "rung", "value", "athlete", *OPTIONAL))
        for name in (one for one in order if one in self._missing):
            if name == "start" and self._plan.read.start is None:
                self._add("read", "start", why=say("first_week"))
                return self._go_on_with(start=dt.date(2026, 1, 5))
            if name in self._plan.columns or name == "start":
                continue
            answers, sure = self._options(raw, name)
            one_name = self._people if len(self._people) == 1 else {}
            if not answers and name == "athlete":
                if self._plan.read.athlete is not None:
                    return False
                only = one_name.values()
                self._add("read", name, *only, sure=bool(one_name), why=say("whose_log"))
                return self._go_on_with(athlete=next(iter(one_name.values()), "?"))
            headers = ", ".join(map(quoted, raw.cells.columns))
            listed = "" if answers else say("one_of", names=headers)
            rows = [(raw.file, int(row)) for row in raw.rows[~raw.blank][:SAMPLES]]
            self._add("columns", name, *answers, sure=sure, why=listed, rows=rows)
            if answers:
                columns = self._plan.columns | {name: self._items["columns", name].answers[0].value}
                self._plan = self._plan.model_copy(update={"columns": columns})
                return True
        return False

    def _go_on_with(self, **read: Any) -> bool:
        self._plan = self._plan.model_copy(update={"read": self._plan.read.model_copy(update=read)})
        return True

    def _options(self, raw: RawTable, name: str) -> tuple[list[Answer], bool]:
        """Columns that may be one of ours, the likeliest first, and whether the first is sure."""
        taken = {one for one in self._plan.columns.values() if isinstance(one, str)}
        named = [h for h in raw.cells.columns if header_meaning(h) == name and h not in taken]
        fits = self._fitting(raw, name)
        if name not in REQUIRED:
            return [Answer(header) for header in named], False
        virtual = {} if name == "value" else self._virtual(raw, name)
        answers = [Answer(one, say("by_place")) for one in virtual]
        answers += [Answer(header, say("by_cells")) for header in fits]
        if name == "athlete":
            across = whose_columns(raw, self._plan)
            if across:
                return [Answer(across, say("columns_of_people")), *answers], not fits
            sure = self._is_sure_athlete(raw, fits, virtual)
        elif name == "value":
            if len(fits) == 2 and self._never_both(raw, fits):
                return [Answer(fits, say("never_both"))], True
            sure = len(fits) == 1 and self._is_sure_value(raw, fits[0])
        else:
            half = bool(fits) and (name == "date" or self._profile(raw, fits[0]).rungs >= 0.5)
            sure = len(answers) == 1 and (all(virtual.values()) if virtual else half)
        return answers, sure and bool(answers)

    def _is_sure_athlete(self, raw: RawTable, fits: list[str], virtual: dict[str, bool]) -> bool:
        if virtual:
            first, *others = virtual
            alone = first == "(heading)" or not (fits or others)
            return virtual[first] and (bool(self._people) or alone)
        if len(fits) != 1:
            return False
        cells = [bare(show(c)) for c in distinct(raw.cells[fits[0]])[1] if show(c)]
        on_roster = np.mean([cell in self._people for cell in cells]) > 0.5
        return bool(on_roster) or re.fullmatch(r"column \d+", fits[0]) is not None

    def _is_sure_value(self, raw: RawTable, header: str) -> bool:
        """Whether cells tell of sets by themselves, or numbers suit the marks of their rungs."""
        if self._profile(raw, header).telling > 0.5:
            return True
        told = self._plan.columns.get("rung")
        heads = [h for h in raw.cells.columns if told == h or header_meaning(h) == "rung"]
        if not heads:
            return False
        rung = heads[0]
        keys = raw.cells[rung].map(lambda cell: self._rungs.sure(show(cell)) or self._rungs(cell))
        marks = keys.map(
            lambda k: np.nan if isinstance(k, Problem) else self._ladder.rung(k).criterion.target
        )
        share = pd.to_numeric(raw.cells[header].map(show), errors="coerce") / marks.astype(float)
        return bool(share.notna().any() and share.dropna().between(*_PLAUSIBLE).mean() > 0.9)

    def _never_both(self, raw: RawTable, headers: list[str]) -> bool:
        """Whether of two columns of values one at most is filled in a row."""
        one, other = (~empty_cells(raw.cells[header]) for header in headers)
        return bool(one.any() and other.any() and not (one & other).any())

    def _virtual(self, raw: RawTable, name: str) -> dict[str, bool]:
        """Headings, tabs or files that may stand for a column; whether all of them fit."""
        above = [show(c) for c in raw.cells.iloc[:, 0][headings(raw)]] if raw.cells.shape[1] else []
        if above and not headings(raw)[0]:  # the first block's stands above the header
            above += [title[0] for title in raw.titles[-1:] if len(title) == 1]
        sheets = [one.sheet for one in self._raws if one.sheet]
        files = dict.fromkeys(one.file.partition(" [")[0] for one in self._raws)
        stems = [Path(file).stem for file in files]
        fits = {
            "athlete": lambda t: bare(t) in self._people if self._people else is_name(t),
            "rung": lambda t: not isinstance(self._rungs(t), Problem),
            "date": lambda t: not isinstance(read_day(t), Problem),
        }[name]
        places = {"(heading)": above, "(sheet)": sheets, "(file)": stems}
        some = {}
        open_to_doubt = name == "athlete" and not self._people  # any word may be a name
        for place, texts in places.items():
            share = np.mean([fits(text) for text in texts]) if texts else 0.0
            if share > 0.5 and not (open_to_doubt and len(texts) == 1 and place != "(heading)"):
                some[place] = bool(share == 1.0)
        return dict(sorted(some.items(), key=lambda pair: not pair[1]))

    def _fitting(self, raw: RawTable, name: str) -> list[str]:
        """Headers whose cells fit one of our columns, best first."""
        taken = {one for one in self._plan.columns.values() if isinstance(one, str)}
        meanings = {header: header_meaning(header) for header in raw.cells.columns}
        keys = [raw.cells[h] for h, m in meanings.items() if m in {"athlete", "date", "rung"}]
        other = vocabulary("others", "other")
        scores = {}
        for header, means in meanings.items():
            cells = self._profile(raw, header)
            sets = counts_up(raw.cells[header], keys)
            listed = means in {"set", "sets"} and name == "value" and not sets
            free = means in (None, name) or listed or misfit(means, cells)
            if header in taken or not cells.count or not free:
                continue
            if plain_header(header) in other and not listed:
                continue
            on_roster = name == "athlete" and bool(self._people)
            often = cells.often > 1.5 or on_roster or self._written_once(raw, header)
            person = cells.words > 0.9 and often and cells.rungs < 0.2
            flags = cells.answers == 1.0 and cells.count <= 2
            scores[header] = {
                "date": cells.dates if cells.dates > 0.8 else 0.0,
                "rung": cells.rungs if cells.rungs > 0.2 else 0.0,
                "value": cells.numbers * (cells.numbers > 0.6 and cells.dates < 0.5)
                * (not sets and not flags) * (1.0 if not listed else max(cells.telling, 0.7)),
                "athlete": cells.names * (person and max(cells.answers, cells.units) < 0.5),
            }.get(name, 0.0)  # fmt: skip
        return sorted((h for h, score in scores.items() if score), key=lambda h: -scores[h])

    def _written_once(self, raw: RawTable, header: str) -> bool:
        """Whether a column begins with a text, and most of its cells below are blank."""
        blank = empty_cells(raw.cells[header])[~raw.blank]
        return bool(len(blank) and not blank[0] and blank.mean() > _SURE_BLANKS)

    def _columns(self) -> tuple[str, ...]:
        """Write down the columns that headers tell; return comments."""
        notes = []
        for name in (*REQUIRED, *OPTIONAL):
            heads = dict.fromkeys(s.columns.ours.get(name, "") for s in self._shapes)
            theirs = [head for head in heads if head and not head.startswith("(")]
            values = self._shapes[0].columns.values if self._shapes else ()
            if name == "value" and len(values) > 1:
                self._add("columns", name, [header for header, _ in values], sure=True)
            elif len(heads) == 1 and theirs:
                self._add("columns", name, theirs[0], sure=True)
            elif theirs and ("columns", name) not in self._items:
                notes.append(f"{name}: {', '.join(map(quoted, theirs))}")
        unused = dict.fromkeys(h for s in self._shapes for h in s.columns.unused)
        if unused:
            notes.append(say("not_used", names=", ".join(map(quoted, unused))))
        return (*notes, *dict.fromkeys(t for s in self._shapes for t in s.understood))

    def _fill_down(self) -> None:
        """Fill down columns in which most blanks stand below a name written once."""
        given = list(self._plan.read.fill_down)
        sure: list[str] = []
        asked: list[str] = []
        for shape in self._shapes:
            for name in ("athlete", "date", "rung"):
                header = shape.columns.ours[name]
                if header.startswith("(") or name in given:
                    continue
                blank = empty_cells(shape.raw.cells[header])[~shape.raw.blank]
                if blank.any() and not blank[0]:
                    (sure if blank.mean() > _SURE_BLANKS else asked).append(name)
        fills = [*given, *dict.fromkeys(sure)]
        if fills:
            self._add("read", "fill_down", fills, sure=True, why=say("blank_as_above"))
        elif asked:
            self._add("read", "fill_down", list(dict.fromkeys(asked)), why=say("if_blank_as_above"))
        self._go_on_with(fill_down=fills)

    # words

    def _counts(self, name: str) -> tuple[Counter[str], dict[str, list[tuple[str, int]]]]:
        """Count the different cells of one of our columns, and say where some of each stand."""
        counts: Counter[str] = Counter()
        places: dict[str, list[tuple[str, int]]] = {}
        for shape in self._shapes:
            header = shape.columns.ours.get(name)
            if header is not None:
                filled = ~shape.raw.blank
                codes, cells = distinct(shape.raw.cells[header][filled])
                rows = shape.raw.rows[filled]
                for n, cell in enumerate(cells):
                    at = np.flatnonzero(codes == n)
                    counts[show(cell)] += len(at)
                    here = [(shape.raw.file, int(row)) for row in rows[at[:SAMPLES]]]
                    places.setdefault(show(cell), []).extend(here)
        del counts[""]
        return counts, places

    def _rung_words(self) -> None:
        given = {k.casefold() for k in self._given.values.get("rung", {})}
        counts, places = self._counts("rung")
        for word, count in counts.most_common():
            key, cells = self._rungs(word), say("cells", count=count)
            if word.casefold() in given or (isinstance(key, Problem) and key.kind == "ignored"):
                continue
            sure = self._rungs.sure(word) if isinstance(key, Problem) else key
            if sure is not None:
                self._add("values.rung", word, sure, sure=True, why=cells)
                continue
            near = [
                Answer(one, self._ladder.rung(one).name) for one, _ in self._rungs.closest(word)
            ]
            keys = "" if near else f"; {say('keys', keys=', '.join(self._ladder.keys))}"
            ways = [*near, Answer(None, say("not_a_rung"))]
            self._add("values.rung", word, *ways, why=cells + keys, rows=places[word])

    def _words(self, name: str) -> None:
        reader, choices = _CHOICES[name]
        given = {k.casefold() for k in self._given.values.get(name, {})}
        counts, places = self._counts(name)
        for word, count in counts.most_common():
            means, why = reader(word), say("cells", count=count)
            if word.casefold() in given:
                continue
            sure = not isinstance(means, Problem) and (
                name != "assist" or words.names_help(str(means))
            )
            ways = [means] if sure else choices
            self._add(f"values.{name}", word, *ways, sure=sure, why=why, rows=places[word])

    def _athletes(self) -> None:
        counts, places = self._counts("athlete")
        given = self._given.values.get("athlete", {})
        for names in alike(name for name in counts if name not in given):
            first, *others = sorted(names, key=lambda name: -counts[name])
            for name in others:
                why = say("one_person", one=counts[name], other=counts[first])
                ways = (Answer(first), Answer(name))
                self._add("values.athlete", name, *ways, why=why, rows=places[name])

    def _remarks(self) -> None:
        """Ask about words for form, help and pain that stand in notes."""
        if not self._rows:
            return
        notes = pd.concat([rows.sets[["note", "file", "row"]] for rows in self._rows])
        notes = notes[notes["note"] != ""]
        for meaning, value in (("unclean", "unclean"), ("help", "assisted"), ("pain", PAIN_NOTED)):
            for word in sorted(vocabulary("words", meaning)):
                if len(word) < 3 or word in self._given.notes:
                    continue
                same = notes[notes["note"].map(lambda note, word=word: mentions(note, word))]
                if len(same):
                    ways = (Answer(value, say(f"note_{meaning}")), Answer("note", say("remark")))
                    places = list(zip(same["file"], same["row"].astype(int), strict=True))
                    why = say("notes_say", count=len(same), word=word)
                    self._add("notes", word, *ways, why=why, rows=places)

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
            ways = {
                "cells": [Answer(*pair) for pair in same[0].choices],
                "words": [Answer(one) for one in ("note", "clean", "unclean", "assisted")],
                "values.value": [Answer(0, say("a_miss"))],
                "units": [Answer(OF_THE_RUNG, say("of_the_rung"))],
            }[table]
            why = say("such_as", count=len(same), shown=shown)
            self._add(table, key, *ways, why=why, rows=[(one.file, one.row) for one in same])
        if ("read", "date_order") in asked:
            ways = [
                Answer("dmy", say("day_first")),
                Answer("mdy", say("month_first")),
                Answer("ymd"),
            ]
            self._add("read", "date_order", *ways, why=say("two_digits"))
        if any(one.what == "not_a_date" and re.fullmatch(_NO_YEAR, one.value) for one in problems):
            self._add("read", "year", why=say("no_year"))
        if ("read", "decimal") in asked:
            ways = [Answer(",", "1,234 is 1.234"), Answer(".", "1,234 is 1234")]
            same = asked["read", "decimal"]
            self._add("read", "decimal", *ways, rows=[(one.file, one.row) for one in same])
