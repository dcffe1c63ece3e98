"""Numbers as people write them: ``12``, ``12,5``, ``0:12``, ``1 min 5 s``, ``2x15lb``, ``7/10``."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from typing import Any

import numpy as np

from forecast.ladder import BOUNDS, LARGEST, Measure
from forecast.log.cells import as_number, is_blank, is_empty, show, tidy, units
from forecast.log.problems import Problem, problem

KG_PER_LB = 0.45359237
"""Exact by the international yard and pound agreement of 1959 (NIST SP 811)."""
CM_PER_INCH = 2.54
"""Exact by the same agreement."""
UNITS = units() | {'"': '"', "″": '"', "”": '"'}
"""Unit words, each with its unit."""
FACTORS: dict[Measure, dict[str, float]] = {
    "seconds": {"": 1.0, "s": 1.0, '"': 1.0, "min": 60.0, "m": 60.0},
    "reps": {"": 1.0, "reps": 1.0},
    "kg": {"": 1.0, "kg": 1.0, "lb": KG_PER_LB},
    "cm": {"": 1.0, "cm": 1.0, "mm": 0.1, "m": 100.0, "metre": 100.0, "in": CM_PER_INCH,
           '"': CM_PER_INCH, "ft": 12 * CM_PER_INCH},
}  # fmt: skip
"""What a number in a unit is worth in a measure; a unit that is not there contradicts it."""
NUMBER = r"\d+(?:[.,]\d+)*"
"""Digits with points or commas, as a pattern."""
GROUPED = re.compile(r"[+-]?[1-9]\d{0,2}([.,])\d{3}(?:\1\d{3})*")
_PLAIN = re.compile(rf"(x)?\s*([+-]?{NUMBER})\s*([^\W\d_]*|[\"″”])\.?")
_MACHINE = re.compile(r"[+-]?\d+(?:\.\d+)?e[+-]?\d+")
_CLOCK = re.compile(
    r"(?:(\d{1,4}):)?(\d{1,4}):(\d{1,2}(?:[.,]\d+)?)\s*(?:s|sec|secs|min|mins|h)?\.?"
)
_MINUTES = re.compile(
    rf"(\d{{1,4}})\s*(?:m|min|mins|minutes?|['′’])\s*({NUMBER})"
    r"\s*(?:s|secs?|seconds?|[\"″”]|'')?\.?"
)
_FEET = re.compile(
    rf"(\d{{1,3}})\s*(?:ft|foot|feet|['′’])\.?\s*(?:({NUMBER})\s*(?:in|inch|inches|[\"″”]|'')?\.?)?"
)
_TIMES = re.compile(rf"(\d{{1,4}})\s*[x×*@]\s*({NUMBER})\s*([^\W\d_]*)\.?")
_OUT_OF_TEN = re.compile(rf"(?:rpe|effort|pain)?\s*({NUMBER})\s*(?:/|of|out of)\s*10")
_BODY = re.compile(r"(?:bw|bodyweight|body weight)\s*\+?\s*")


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number with its unit; ``unit`` is a key of ``UNITS``' values, ``""`` if none was given."""

    number: float
    unit: str = ""


def decimal_number(text: str, decimal: str | None = None) -> float | Problem:
    """Read digits with a decimal point or comma, perhaps signed.

    ``decimal`` is the mark where the mapping says which one it is. Without it both are, save where
    three digits after a comma could as well be thousands.
    """
    marks = re.findall(r"[.,]", text)
    head, mark, tail = text.rpartition(marks[-1]) if marks else (text, "", "")
    if len(set(marks)) == 2:
        if GROUPED.fullmatch(head):
            return float(re.sub(r"[.,]", "", head) + "." + tail)
    elif GROUPED.fullmatch(text):
        # 12.345 is how machines write numbers; only a stated decimal comma makes it thousands
        if len(marks) == 1 and mark == (decimal or "."):
            return float(f"{head}.{tail}")
        if len(marks) == 1 and decimal is None:
            facts = {"point": f"{head}.{tail}", "whole": head + tail}
            return Problem("number", "thousands", text, "read", "decimal", facts=facts)
        return float(text.replace(mark, ""))
    elif len(marks) < 2:
        return float(text.replace(",", "."))
    return problem("number", "not_a_number", text)


def quantity(
    cell: Any, decimal: str | None = None, measure: Measure | None = None
) -> Quantity | Problem:
    """Read one number, perhaps with a unit; in ``measure`` cm 5'3" is feet, else minutes."""
    if is_blank(cell):
        return problem("missing", "no_value")
    number = as_number(cell)
    if number is not None:
        return Quantity(number)
    if isinstance(cell, np.timedelta64) and np.datetime_data(cell)[0] not in {"Y", "M", "generic"}:
        cell = dt.timedelta(seconds=min(float(cell / np.timedelta64(1, "s")), 1e9))
    if isinstance(cell, dt.timedelta):
        return Quantity(cell.total_seconds(), "s")
    if isinstance(cell, dt.time):
        total = cell.hour * 3600 + cell.minute * 60 + cell.second
        if total > LARGEST["seconds"]:
            return problem("number", "clock_as_value", show(cell))
        return Quantity(total, "s")
    if isinstance(cell, dt.date):
        return problem("number", "date_as_value", show(cell))
    if isinstance(cell, bool):
        return problem("number", "not_a_number", show(cell))
    text = tidy(str(cell)).casefold().replace("−", "-")
    for pattern, unit, size in ((_FEET, "in", 12), (_MINUTES, "s", 60)):
        if (unit == "s" or measure == "cm") and (match := pattern.fullmatch(text)):
            tail = decimal_number(match[2] or "0", decimal)
            return (
                tail if isinstance(tail, Problem) else Quantity(size * int(match[1]) + tail, unit)
            )
    if match := _CLOCK.fullmatch(text):
        hours, minutes, seconds = match.groups()
        last = float(seconds.replace(",", "."))
        if last >= 60 or (hours and int(minutes) >= 60):
            return problem("number", "clock", text)
        return Quantity(3600 * int(hours or 0) + 60 * int(minutes) + last, "s")
    if _MACHINE.fullmatch(text):
        return Quantity(float(text))
    if match := _PLAIN.fullmatch(text):
        told = UNITS.get(match[3], "" if not match[3] else None)
        if match[1]:
            told = "reps" if told in ("", "reps") else None
        if told is None:
            return Problem("unit", "unit", text, key=match[3])
        amount = decimal_number(match[2], decimal)
        return amount if isinstance(amount, Problem) else Quantity(amount, told)
    if match := _TIMES.fullmatch(text):
        sets = f"{match[1]} sets of {match[2]} {match[3]}".rstrip()
        return problem("number", "times", text, amount=sets)
    if text.startswith((">", "≥")) or text.endswith("+"):
        return problem("number", "more_left", text)
    if re.search(r"fail|miss|fell", text):
        return Problem("number", "missed", text, "values.value", text)
    return problem("number", "not_a_value", text)


def in_measure(found: Quantity, measure: Measure) -> float | Problem:
    """Return the quantity in the unit of the measure, or say why it can't be one."""
    factor = FACTORS[measure].get(found.unit)
    if factor is None:
        return problem("unit", "other_unit", number=found.number, unit=found.unit, measure=measure)
    value = found.number * factor
    if not 0 <= value <= LARGEST[measure]:
        return problem("limit", "limit", number=value, measure=measure, limit=LARGEST[measure])
    if measure == "reps" and value != int(value):
        return problem("number", "whole_reps", number=value)
    return value


def load(cell: Any, decimal: str | None = None, unit: str = "kg") -> float | Problem | None:
    """Read a load in kilograms, a bare number in ``unit``; ``None`` where none was noted."""
    if is_blank(cell):
        return None
    if isinstance(cell, str):  # BW is not a load, BW+10 is 10
        cell = _BODY.sub("", tidy(cell).casefold(), count=1) or "0"
    found = quantity(cell, decimal)
    if isinstance(found, Problem):
        return found
    factor = FACTORS["kg"].get(found.unit or unit)
    if factor is None:
        return problem("unit", "load_unit", show(cell))
    value = found.number * factor
    if value < 0:
        return problem("limit", "load_below", show(cell))
    if not value <= BOUNDS["load_kg"][1]:
        return problem("limit", "load_above", number=value, limit=BOUNDS["load_kg"][1])
    return value


def out_of_ten(cell: Any, decimal: str | None = None) -> float | Problem | None:
    """Read effort or pain, 0 to 10 (``7/10`` too); ``None`` where nothing was noted."""
    number: float | Problem | None = as_number(cell)
    if number is None and isinstance(cell, str):
        text = tidy(cell).casefold()
        if text in {"none", "no"}:
            return 0.0
        if is_blank(cell):
            return None
        match = _OUT_OF_TEN.fullmatch(text) or re.fullmatch(rf"(?:rpe)?\s*({NUMBER})", text)
        number = decimal_number(match[1], decimal) if match else None
    elif is_empty(cell):
        return None
    if isinstance(number, Problem):
        return number
    if number is None or not 0 <= number <= 10:
        return problem("limit", "of_ten", show(cell))
    return number


def set_number(cell: Any) -> int | Problem | None:
    """Read a set number, 1 or more; ``None`` where nothing was noted."""
    if is_blank(cell):
        return None
    number = as_number(cell)
    if number is None:
        match = re.fullmatch(r"(?:set|#)?\s*(\d{1,6})(?:\.0*)?", show(cell).casefold())
        number = float(match[1]) if match else None
    if number is None or not (1 <= number <= 10_000) or number != int(number):
        return problem("number", "set", show(cell))
    return int(number)
