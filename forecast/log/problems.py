"""Why a row can't be used, as a record of fields; whatever reading says is written here alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from forecast.errors import quote


def counted(number: int, noun: str) -> str:
    """Return ``1 row``, ``2,000 rows``."""
    return f"{number} {noun}" if number == 1 else f"{number:,} {noun}s"


REJECTED_COLUMNS = ("file", "row", "column", "value", "kind", "reason")
"""Columns of ``TrainingLog.rejected``; ``kind`` is a short word, ``reason`` a sentence."""
_SAME_AS_ABOVE = ' If a blank means the same as above, put fill_down = ["{key}"] under [read].'
SENTENCES = {
    # rows
    "blank": "nothing in it.",
    "measure_open": '# {line}  # or "{other}": nothing in the log tells which',
    # a log as it was read
    "named_answer": "{text} is an athlete with {count}: that is an answer, not a person; name the "
    "column of athletes under [columns].",
    "named_rung": "{text} is an athlete with {count}: that is an exercise, not a person; name the "
    "column of athletes under [columns].",
    "set_numbers": "{text}: {count} are 1, 2, 3 within each session, as numbers of sets are; name "
    "the column of values under [columns].",
    "jump": "{text}: values of the same people differ {ratio:g}-fold between these files ({count} "
    "times); say which unit or decimal mark each has, under [units] or [read].",
    "spelling": "{text}, an athlete with {count}, is one letter from {other!r}; if they are one "
    "person, map it under [values.athlete].",
    "never_near": "{text}: {count} show {low:.2g} to {high:.2g} times its mark; check the mark and "
    "the unit of the values.",
    "far_above": "{file} row {row}: {athlete}, {day}, {rung}: {value:g} is {times:.1f} times the "
    "mark and far above the other sessions.",
    "leap": "{file} row {row}: {athlete}, {day}, {rung}: {value:g} clears alone, and no session "
    "before showed more than {before:g}.",
    "width": "the row has {cells} cells, the header {header}; put quotes round cells that hold the "
    "separator, such as a decimal comma.",
    "repeated": "the same set as in {place}; counted once.",
    "two_contents": "set {set} of this session is given with different content in {places}; keep "
    "the right one.",
    "two_values": "{one} and {other} both hold a value for this rung; keep one.",
    "two_counts": "{told} sets, but the cell holds {held}; correct one.",
    "two_loads": "{told:g} kg here, {held:g} kg beside the value.",
    # words
    "no_athlete": "no athlete; write whose set it was." + _SAME_AS_ABOVE,
    "long_name": "a name of {length} characters; {limit} are read at most. Shorten it.",
    "no_rung": "no rung; write which exercise it was." + _SAME_AS_ABOVE,
    "ignored": "{text} is not a rung, as the mapping says under ignore.",
    "several_rungs": "{text} fits the rungs {keys}; write the key of one.",
    "near_rung": "{text} is not a rung of the ladder; did you mean {near!r}? If it is not a rung, "
    "put it in ignore = [...].",
    "strange_rung": "{text} is not a rung of the ladder; map it under [values.rung]. If it is not "
    "a rung, put it in ignore = [...].",
    "clean": "{text} is neither yes nor no; map it under [values.clean].",
    "stopped": "{text} is none of failed, target and choice; map it under [values.stopped].",
    "help": "{text} stands in {count} of {rows}: did somebody or something help in these sets? "
    'Answer with a mapping; map it under [values.assist], "{bare}" = "none" for no help, "{bare}" '
    '= "assisted" for help.',
    "strange_word": "{key} in {text} is not a unit known here; put remarks in brackets, or say "
    'what it is under [words] in the mapping: "{bare_key}" = "note".',
    # dates
    "no_date": "no date; write the day of the session." + _SAME_AS_ABOVE,
    "not_a_date": "{text} is not a date known here; write it like 2026-04-03.",
    "not_a_day": "{text} is not a day of the calendar; correct it.",
    "not_a_day_in_order": "{text} is not a day of the calendar when read {order}; correct it.",
    "far_date": "{text} is not between {first} and {last}; correct it.",
    "short_year": "{text}: the year has two digits; write four, or put date_order under [read] in "
    "the mapping.",
    "year_not_first": "{text}: the year is not first, as the date order ymd asks; correct it.",
    "future": "{bare} is after today ({today}); correct it, or if right put last_date = {bare} "
    "under [read] in the mapping (or in club.toml).",
    "alone": "{bare} stands alone, {weeks} weeks or more after every other date of the log; "
    "correct it, or if right put last_date = {bare} under [read] in the mapping (or in club.toml).",
    # numbers
    "no_value": "no value; write what was reached, 0 for a miss.",
    "not_a_number": "{text} is not a number; write it like 12 or 12.5.",
    "not_a_value": "{text} is not a number; write it like 12, 12.5, 12s, 0:12 or 10 reps.",
    "more_left": "{text} is not a number; write the number alone, with 'target' or 'choice' under "
    "stopped if more was left.",
    "missed": "{text} is not a number; write 0 for a miss, or map the word under [values.value].",
    "date_as_value": "{text} is a date, not a value; write what was reached. If another column "
    "holds the values, name it: value = ... under [columns].",
    "clock_as_value": "{text} is a time of day, not a value; write what was reached.",
    "percent_as_value": "{text} is a percentage, not a value; write what was reached in {measure}.",
    "thousands": '{text} may be {point} or {whole}; say which with decimal = "," or "." under '
    "[read] in the mapping.",
    "clock": "{text} is not a clock time; minutes and seconds end at 59.",
    "unit": "{key} in {text} is not a unit known here.",
    "other_unit": "{number:g} {unit} contradicts the rung, which counts {measure}; correct the "
    "value or the rung.",
    "other_column": "{number:g} stands in a column of {unit}, but the rung counts {measure}; "
    "correct the value or the rung, or, if it is in {measure}, say so under [units] in the "
    'mapping: its header = "rung".',
    "limit": "{number:g} {measure} is not between 0 and {limit:g}; correct it.",
    "whole_reps": "{number:g} reps: reps are whole; write those that were finished.",
    "times": "{text} may be {amount}, or one of all that together; write the number of one set.",
    "reading": "{text} may be {ways}; say which under [cells] in the mapping.",
    "one_side": "{text} gives one side twice; correct it.",
    "many_sets": "{text}: sets are whole and at most {limit}; correct it.",
    "not_a_list": "{text} is not a list of sets; correct it.",
    "load_unit": "{text} is not a load; write kilograms or pounds.",
    "load_below": "{text}: a load can't be below 0; note help under assist.",
    "load_above": "{number:g} kg is above {limit:g} kg; correct it.",
    "of_ten": "{text} is not a number from 0 to 10; correct or blank it.",
    "set": "{text} is not a set number; count sets 1, 2, 3.",
    "covariate": "{text} is not a number from {low:g} to {high:g}; it was left blank.",
}

QUESTIONS: dict[str, dict[str, str]] = {
    "3x10": {"sets x value": "{0} sets of {1}", "value x sets": "{1} sets of {0}"},
    "3x15kg": {"sets x load": "{0} sets at {1}", "reps x load": "{0} reps with {1}"},
    "8 @ 7": {"load": "{0} with a load of {1}", "effort": "{0} at an effort (RPE) of {1}"},
    "10/9": {"sets": "a set of {0} and one of {1}", "sides": "{0} left and {1} right"},
    "10,9": {"sets": "a set of {0} and one of {1}", "decimal": "{0}.{1}"},
    "1,234": {"sets": "a set of {0} and one of {1}", "thousands": "{0}{1}", "decimal": "{0}.{1}"},
    "12-15": {"sets": "a set of {0} and one of {1}", "low": "a range, of which {0} counts"},
    "5+2": {"sets": "sets of their own: {0}, then {1}", "sum": "one set, {0} and {1} together"},
    "4x1 L, 4x2 R": {
        "weaker": "{0} sets, of which the weaker side counts",
        "apart": "{0} sets of each side",
    },
    "12+": {"target": "{0}, called at the mark", "choice": "{0}, ended by choice with more left"},
    "10,9 (band)": {"all": "{0} for every set of the cell", "last": "{0} for its last set"},
    "18:30": {"minutes": "{0} min {1} s", "hours": "{0} h {1} min", "none": "a time of day"},
}
"""Notations that can be read in two ways: answers, each with what it makes of a cell."""
_ASIDE = (
    "{file} row {row} ({value}). Correct the date; if it is right, put last_date = {last} under "
    "[read] in the mapping or in club.toml."
)
_LOAD = "{rung!r} asks for a load of {asks}, and "
PAIN_NOTED = 4
"""Pain, of 10, that stands for a note which says no more than that it hurt: enough for a hold."""
ACCOUNTS = {
    # of files and columns
    "too_deep": "a {kind}, nested too deeply to be shown",
    "cp1252": "{file} is not UTF-8; it was read as Windows-1252 (cp1252).",
    "jottings": "{file}: text in {name}, a note without columns.",
    "sheet_read": "{file}: of its sheets {read} was read, not {left}. Name others with sheet.",
    "sheets_read": "{file}: of its sheets {read} were read, not {left}. Name others with sheet.",
    "clocks": "{file}: clock times without seconds, such as 0:12, in {count_cell}; read as minutes "
    "and seconds, as shown.",
    "no_club": "There is no {path}; a folder needs a {file} that names its ladder and logs, or "
    "give the log file itself together with its ladder.",
    "no_log": '{where}: no log is named; add\n[[log]]\nfile = "your_log.csv"',
    "no_mapping": "There is no mapping file {where}; check the name.",
    "no_column": "{file} has no column for {names}; its columns are {columns}. Put this in a "
    "mapping file, with the right names:\n{lines}",
    "bare_load": "{file}: a load without a unit is read in {unit}.",
    "bare_number": "{file}: a number without a unit in {header!r} is read in {unit}.",
    "sides_apart": "{file}: each side noted apart in {count_set}: the weaker counts.",
    "several_sets": "{file}: several sets in {count_cell}, each taken as a set.",
    "ticks": "{file}: {header!r} holds ticks and {count_blank}, which were read as clean. If a "
    'blank means unclean, put "" = false under [values.clean] in the mapping.',
    # of dates
    "day_numbers": "{file}: bare spreadsheet day numbers for {count_date}, such as {cell} in row "
    "{row}, read as {day}.",
    "real_and_text": "{file}: row {one} holds a real date ({real}), row {other} text ({text}). A "
    "spreadsheet may have swapped day and month in the real ones; compare some with the notes they "
    "came from.",
    "aside_future": "Set aside, dated after today: {count_row}, such as " + _ASIDE,
    "aside_alone": "Set aside, dated long after everything else: {count_row}, such as " + _ASIDE,
    # of sets
    "no_set": "No set could be used; the rejected rows say why.",
    "equal_sets": "Without a set number and equal to another row of the same session: {count_row}, "
    "kept as repeated sets.",
    "repeats": "Set aside because they give a set again: {count_row}.",
    "spelt_alike": "The athletes {names} differ only in case or accents and were kept apart; if "
    "they are one person, map them under [values.athlete].",
    "any_load": _LOAD + "no body mass is known for {people}: any load noted was taken as enough. "
    "Add body_mass_kg to the roster.",
    "no_load": _LOAD + "none was ever noted there for {people}: it was taken as carried. Note "
    "load_kg where that is not so.",
    "no_load_mass": _LOAD + "none was ever noted there for {people}: it was taken as carried. Note "
    "load_kg where that is not so, and add body_mass_kg to the roster.",
    "of_the_sets": "Of the sets {unclean} are unclean, {assisted} assisted, {loads} have a load, "
    "{pains} a pain score.",
    "correct": "What a word or a notation means can be said in a mapping: check --draft "
    "mapping.toml writes one with everything that is sure and a question for each of these.",
    # of the roster
    "nameless": "{file} row {row} names no athlete; it was left out.",
    "twice": "{who!r} is in the roster more than once ({places}); taken as one.",
    "twice_differing": "{who!r} is in the roster more than once ({places}) with different {names}; "
    "those were left blank.",
    # of a draft
    "draft_head": "# How {files} is read, as drafted by check. What was sure is filled in. A line "
    "with # before it is a\n# question, with the other answers behind it: take the # off the right "
    "one, or correct it.",
    "by_cells": "by its cells",
    "by_place": "no column names it",
    "columns_of_people": "a column an athlete",
    "never_both": "one or the other in a row",
    "one_of": "one of {names}",
    "whose_log": "no column names one: whose log is it?",
    "first_week": "the day on which week 1 began",
    "weeks_without_start": "{names} number the weeks; say on which day week 1 began: start = "
    "2026-01-05 under [read] in the mapping.",
    "day_first": "day first",
    "month_first": "month first",
    "no_date_settles": "no date settles it",
    "two_digits": "years have two digits",
    "no_year": "of the first date; dates have none",
    "not_used": "not used: {names}",
    "side_by_side": "{file}: side by side in a row: {names}.",
    "side_a_row": "{file}: a side a row; {count_row} joined the other side's.",
    "blank_as_above": "a blank: the same as above",
    "if_blank_as_above": "if a blank there means the same as above",
    "cells": "{count_cell}",
    "keys": "keys: {keys}",
    "not_a_rung": "not a rung",
    "not_rungs": "exercises that are not rungs; drop from the list what is one",
    "one_person": "{one} and {other} cells: one person?",
    "note_unclean": "form was not held",
    "note_help": "with help",
    "note_pain": "pain, of 10",
    "remark": "a mere remark",
    "notes_say": "in {count_note}: {word!r}",
    "a_miss": "a miss",
    "of_the_rung": "in what each row's rung counts",
    "such_as": "{count_cell} such as {shown}",
}
"""What is said of a log that was read, and in a draft of its lines."""


def say(what: str, **facts: Any) -> str:
    """Return a sentence; in it, ``count_row`` is the count with its noun."""
    text = ACCOUNTS[what] if what in ACCOUNTS else SENTENCES[what]
    count = facts.get("count", "")  # some facts hold it with its noun
    nouns = {f"count_{n}": counted(int(count), n) for n in NOUNS if not isinstance(count, str)}
    return text.format(**facts, **nouns)


NOUNS = ("row", "cell", "note", "set", "blank", "date")


@dataclass(frozen=True, slots=True)
class Problem:
    """Why a cell, or a whole row (without a column), can't be used.

    ``kind`` is a short word for counting, ``what`` the key of its sentence in ``SENTENCES``, which
    quotes ``text`` and ``facts``. An answer goes under ``table`` and ``key`` of a mapping;
    ``choices`` are possible answers, each with what it would make of the cell.
    """

    kind: str
    what: str
    text: str = ""
    table: str = ""
    key: str = ""
    choices: tuple[tuple[str, str], ...] = ()
    facts: dict[str, Any] = field(default_factory=dict)
    file: str = ""
    row: int = 0
    column: str = ""
    value: str = ""

    @property
    def reason(self) -> str:
        """The sentence: what is wrong and what to do about it."""
        ways = " or ".join(f'{means} ("{self.key}" = "{answer}")' for answer, means in self.choices)
        return say(
            self.what,
            text=quote(self.text),
            bare=self.text[:80],
            key=quote(self.key) if self.what in {"strange_word", "unit"} else self.key,
            bare_key=self.key[:80],
            ways=ways,
            **self.facts,
        )


def problem(kind: str, what: str, text: str = "", **facts: Any) -> Problem:
    """Return a problem whose sentence needs no more than a quoted text and facts."""
    return Problem(kind, what, text, facts=facts)


def no_problems(count: int) -> np.ndarray:
    """Return room (n,) for a ``Problem`` each, with none in it."""
    return np.full(count, None, dtype=object)


Rejected = tuple[Problem, ...]
"""The problems of a rejected row, the first one first."""


def placed(sets: pd.DataFrame, column: str, problems: Sequence[Problem]) -> list[Rejected]:
    """Return parsed rows as rejected ones, for a reason found after parsing."""
    return [
        (replace(one, file=file, row=int(row), column=column, value=one.text),)
        for file, row, one in zip(sets["file"], sets["row"], problems, strict=True)
    ]


def rejected_table(rejected: Sequence[Rejected]) -> pd.DataFrame:
    """Return rejected rows with the columns of ``REJECTED_COLUMNS``."""
    table = {
        name: [getattr(problems[0], name) for problems in rejected]
        for name in ("file", "row", "column", "value", "kind")
    } | {
        "reason": [
            " ".join(f"{one.column or 'row'}: {one.reason}" for one in problems)
            for problems in rejected
        ]
    }
    types = {name: "int64" if name == "row" else "str" for name in REJECTED_COLUMNS}
    return pd.DataFrame(table, columns=list(REJECTED_COLUMNS)).astype(types)
