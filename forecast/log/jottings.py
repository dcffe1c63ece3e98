"""Notes without a table: days and names on lines of their own, then an exercise and its sets."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence

from forecast.log.cells import Problem, is_blank
from forecast.log.dates import read_day
from forecast.log.raw import RawTable, from_records

HEADER = ("athlete", "date", "rung", "value")

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
    number, which is a name. Any other line is an exercise and its sets: ``lean: 12s, 10s (band)``.
    The exercise is as much of the line as names a rung, else all before a colon or first number.
    """
    day, who, days = "", "", 0
    records, rows = [], []
    for number, line in enumerate(lines, start=1):
        text = line.strip().lstrip("-•*# ").strip()
        if is_blank(text):
            continue
        dated = _DAY.fullmatch(text) if len(text) <= LONGEST_DAY else None
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
    known = sum(is_rung(record[2]) for record in records)
    if not days or not known:
        return None
    return from_records(file, HEADER, records, rows, **notes)


def _parted(text: str, is_rung: Callable[[str], bool]) -> tuple[str, str]:
    words = text.split()
    for n in range(min(len(words), LONGEST_RUNG), 0, -1):
        name = " ".join(words[:n]).rstrip(":=–-")
        if is_rung(name):
            return name, " ".join(words[n:]).lstrip(":=–- ")
    found = re.match(r"(.*?)\s*[:=]\s*(.*)|(\D+?)\s*(\d.*)", text)
    if found is None:
        return text, ""
    return found[1] or found[3] or "", found[2] or found[4] or ""
