"""Dates as people write them, the order of day and month, and dates that can't be right."""

from __future__ import annotations

import contextlib
import datetime as dt
import re
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
import pandas as pd

from forecast.errors import AmbiguousDateError, ForecastError
from forecast.ladder import BOUNDS
from forecast.log.cells import as_number, distinct, is_blank, months, show, weekdays
from forecast.log.problems import Problem, Rejected, no_problems, placed, problem, say

DateOrder = Literal["dmy", "mdy", "ymd"]
EARLIEST, LATEST = (dt.date(int(y) + n, 1, 1) for n, y in enumerate(BOUNDS["year"]))
"""Dates outside these are slips of the pen; stated limits of this package."""
_CLOCK = (
    r"(?:[ T,]+(\d{1,2}):(\d{2})(?::(\d{2})(?:\.\d+)?)?\s*(am|pm)?"
    r"\s*(?:z|utc|[+-]\d{2}:?\d{2})?)?"
)
_WEEKDAY = rf"(?:(?:{weekdays()})\.?,?\s+)?"
_MONTH = r"([^\W\d_]{3,12})"
_YEAR_FIRST = re.compile(rf"{_WEEKDAY}(\d{{4}})[-./ ](\d{{1,2}})[-./ ](\d{{1,2}}){_CLOCK}", re.I)
_COMPACT = re.compile(r"(\d{4})(\d{2})(\d{2})")
_THREE = re.compile(
    rf"{_WEEKDAY}(\d{{1,2}})[-./ ]\s?(\d{{1,2}})[-./ ]\s?(\d{{4}}|\d{{2}})\.?{_CLOCK}", re.I
)
_DAY_NAMED = re.compile(
    rf"{_WEEKDAY}(\d{{1,2}})(?:st|nd|rd|th|er|º)?[-. /]*(?:de\s+)?{_MONTH}[-., /]*(?:de\s+)?"
    rf"(\d{{4}}|\d{{2}}){_CLOCK}",
    re.I,
)
_MONTH_NAMED = re.compile(
    rf"{_WEEKDAY}{_MONTH}[-. /]*(\d{{1,2}})(?:st|nd|rd|th)?[-., /]+(\d{{4}}|\d{{2}}){_CLOCK}", re.I
)
_SERIAL = re.compile(r"(\d{5})(?:\.\d+)?")


@dataclass(frozen=True, slots=True)
class Day:
    """A date that is settled, with the clock time if one was written (seconds, else -1)."""

    date: dt.date
    clock: int = -1
    style: str = "iso"


@dataclass(frozen=True, slots=True)
class Unsettled:
    """Three numbers of which the text does not tell the order, or, ``named``, the century."""

    parts: tuple[int, int, int]
    short_year: bool
    named: bool = False
    clock: int = -1


@dataclass(frozen=True, slots=True)
class Dates:
    """A column (n,) of midnights, seconds after them (-1: none), problems, and sentences on it."""

    dates: np.ndarray
    clocks: np.ndarray
    problems: np.ndarray
    understood: str
    warnings: tuple[str, ...]


def read_day(cell: Any, date1904: bool = False) -> Day | Unsettled | Problem:
    """Read one cell; three bare numbers with the year last stay ``Unsettled``."""
    if is_blank(cell):
        return Problem("missing", "no_date", table="read", key="date")
    if isinstance(cell, np.datetime64):
        cell = pd.Timestamp(cell)
    if isinstance(cell, pd.Timestamp) and not dt.MINYEAR <= cell.year <= dt.MAXYEAR:
        # a column of seconds or days reaches farther than the calendar
        return problem("date", "not_a_date", show(cell))
    if isinstance(cell, dt.datetime):
        clock = cell.hour * 3600 + cell.minute * 60 + cell.second
        return _within(Day(cell.date(), clock or -1, "typed"), cell)
    if isinstance(cell, dt.date):
        return _within(Day(cell, style="typed"), cell)
    if as_number(cell) is not None or isinstance(cell, str):
        return _read_text(show(cell), date1904)
    return problem("date", "not_a_date", show(cell))


def with_year(column: pd.Series, year: int) -> pd.Series:
    """Give dates without a year one: that year, and the next where a date falls back by months."""
    cells, month = [], 0
    for cell in column.array:
        text = show(cell)
        if not is_blank(cell) and isinstance(read_day(cell), Problem):
            parts = re.findall(r"[^\W\d_]{3,}|\d+", text)
            named = [months()[p.casefold()] for p in parts if p.casefold() in months()]
            digits = [int(part) for part in parts if part.isdecimal()]
            now = named[0] if named else max(min(digits[:2], default=0), 0)
            if len(digits) == 2 - len(named):
                year += named != [] and month - now > 6
                month = now if named else month
                joint = " " if named else text[re.search(r"\d\D", text).end() - 1]  # type: ignore
                text = f"{text.rstrip('.- /')}{joint}{year}"
        cells.append(text or None)
    return pd.Series(cells, index=column.index, dtype=object)


def _read_text(text: str, date1904: bool) -> Day | Unsettled | Problem:
    if match := _YEAR_FIRST.fullmatch(text) or _COMPACT.fullmatch(text):
        year, month, day, *clock = match.groups()
        return _day(int(year), int(month), int(day), clock, "iso", text)
    if match := _SERIAL.fullmatch(text):
        from openpyxl.utils.datetime import from_excel  # on demand: few logs have such dates

        epoch = dt.datetime(1904, 1, 1) if date1904 else dt.datetime(1899, 12, 30)
        return _within(Day(from_excel(int(match[1]), epoch).date(), style="serial"), text)
    if match := _DAY_NAMED.fullmatch(text) or _MONTH_NAMED.fullmatch(text):
        first, second, year, *clock = match.groups()
        day, month = (first, second) if first.isdecimal() else (second, first)
        number = months().get(month.casefold())
        if number is not None and len(year) == 2:
            return Unsettled((int(day), number, int(year)), True, True, _seconds(clock))
        if number is not None:
            return _day(int(year), number, int(day), clock, "named", text)
    elif match := _THREE.fullmatch(text):
        first, second, third, *clock = match.groups()
        parts = (int(first), int(second), int(third))
        return Unsettled(parts, len(third) == 2, clock=_seconds(clock))
    return problem("date", "not_a_date", text)


def _day(year: int, month: int, day: int, clock: list[str], style: str, text: str) -> Day | Problem:
    try:
        date = dt.date(year, month, day)
    except ValueError:
        return problem("date", "not_a_day", text)
    return _within(Day(date, _seconds(clock), style), text)


def _within(day: Day, cell: Any) -> Day | Problem:
    if EARLIEST <= day.date < LATEST:
        return day
    return problem("date", "far_date", show(cell), first=EARLIEST.year, last=LATEST.year - 1)


def _seconds(clock: list[str]) -> int:
    if not clock or clock[0] is None:
        return -1
    hour = int(clock[0])
    if clock[3]:
        hour = hour % 12 + (12 if clock[3].casefold() == "pm" else 0)
    return hour * 3600 + int(clock[1]) * 60 + int(clock[2] or 0)


def read_dates(
    column: pd.Series,
    rows: np.ndarray,
    file: str,
    date_order: DateOrder | None = None,
    date1904: bool = False,
) -> Dates:
    """Read a date column (n,) of one file; ``rows`` and ``file`` are for messages.

    Without ``date_order`` the column settles the order of dates such as 03/04/2026: some date has a
    part above 12 and none contradicts; else ``AmbiguousDateError``. ``date1904``: serial numbers
    count from 1904.
    """
    codes, cells = distinct(column)
    first = np.zeros(len(cells), dtype=np.intp)  # where each different cell stands first
    first[codes[::-1]] = np.arange(len(codes))[::-1]
    read = [read_day(cell, date1904) for cell in cells]
    column, rows = column.iloc[first], rows[first]
    unsettled = {cell for cell in read if isinstance(cell, Unsettled)}
    order, understood = date_order, ""
    if date_order is not None:
        understood = f"{file}: dates are read {date_order}, as asked."
    elif unsettled:
        order, understood = _settle(read, column, rows, file)
    outcome = {cell: _ordered(cell, order, date_order is not None) for cell in unsettled}
    days = [outcome[day] if isinstance(day, Unsettled) else day for day in read]
    problems = no_problems(len(cells))
    for n, (cell, day) in enumerate(zip(read, days, strict=True)):
        if isinstance(day, Problem):
            problems[n] = day if day is cell else replace(day, text=show(column.iloc[n]))
    good = [day if isinstance(day, Day) else None for day in days]
    dates = np.array([day and day.date for day in good], dtype="datetime64[ns]")
    clocks = np.array([day.clock if day else -1 for day in good], dtype=np.int64)
    counts = np.bincount(codes, minlength=len(cells))
    styles = np.array([day.style if isinstance(day, Day) else "" for day in read])
    serial, typed = np.flatnonzero(styles == "serial"), np.flatnonzero(styles == "typed")
    text = [n for n, day in enumerate(read) if isinstance(day, Unsettled) and not day.named]
    warnings = []
    if len(serial):
        first = serial[0]
        warnings.append(
            say(
                "day_numbers",
                file=file,
                count=int(counts[serial].sum()),
                row=rows[first],
                cell=show(column.iloc[first]),
                day=dates[first].astype("datetime64[D]"),
            )
        )
    if len(typed) and text:
        # a spreadsheet that reads dates in the wrong order turns those it can into real dates
        real, written = typed[0], text[0]
        warnings.append(
            say(
                "real_and_text",
                file=file,
                one=rows[real],
                real=show(column.iloc[real]),
                other=rows[written],
                text=show(column.iloc[written]),
            )
        )
    return Dates(dates[codes], clocks[codes], problems[codes], understood, tuple(warnings))


def _settle(
    values: list[Any], column: pd.Series, rows: np.ndarray, file: str
) -> tuple[DateOrder | None, str]:
    """Return the order that some date settles and none contradicts, and a sentence on it."""
    full = [n for n, v in enumerate(values) if isinstance(v, Unsettled) and not v.short_year]
    day_first = [n for n in full if 31 >= values[n].parts[0] > 12 >= values[n].parts[1]]
    month_first = [n for n in full if 31 >= values[n].parts[1] > 12 >= values[n].parts[0]]

    def at(n: int) -> str:
        return f"{show(column.iloc[n])} in row {rows[n]}"

    how = (
        'say which comes first: date_order = "dmy" (day) or "mdy" (month), under [read] in the '
        "mapping or as an argument; --date-order on the command line"
    )
    if day_first and month_first:
        raise AmbiguousDateError(
            f"{file}: {at(day_first[0])} can only be day first, {at(month_first[0])} only month "
            f"first; {how}. Rows that do not fit are then set aside with the reason."
        )
    if day_first or month_first:
        word = "day" if day_first else "month"
        settled = at((day_first or month_first)[0])
        order: DateOrder = "dmy" if day_first else "mdy"
        return order, f"{file}: dates are read {word} first; {settled} settles it."
    pairs = {n: values[n].parts[:2] for n in full}
    doubt = [n for n, (a, b) in pairs.items() if a != b and max(a, b) <= 12]
    if doubt:
        raise AmbiguousDateError(
            f"{file}: day and month can't be told apart in any date, such as {at(doubt[0])}; {how}."
        )
    return ("dmy" if full else None), ""


def _ordered(cell: Unsettled, order: DateOrder | None, asked: bool) -> Day | Problem:
    """Put day, month and year in place; a short year only where the order was asked for."""
    if cell.short_year and not asked:
        return Problem("date", "short_year", table="read", key="date_order")
    if order == "ymd" and (cell.named or not cell.short_year):
        return problem("date", "year_not_first")
    places = dict(zip("dmy" if cell.named else order or "ymd", cell.parts, strict=True))
    day, month, year = (places[letter] for letter in "dmy")
    if cell.short_year:
        # the convention of POSIX strptime %y: 69 to 99 are the 1900s, 00 to 68 the 2000s
        year += 1900 if year > 68 else 2000
    try:
        date = dt.date(year, month, day)
    except ValueError:
        return problem("date", "not_a_day_in_order", order=order)
    return _within(Day(date, cell.clock, "three"), date)


def latest_today() -> pd.Timestamp:
    """Return the date of now where on earth it is latest (UTC+14); only here is the clock read."""
    return pd.Timestamp.now("UTC+14:00").normalize().tz_localize(None).as_unit("ns")


def as_day(
    when: object, what: str = "date", error: type[ForecastError] = ForecastError
) -> pd.Timestamp:
    """Return the midnight of a day, without time zone, or raise ``error`` about ``what`` it is.

    Text must be ISO 8601 (``2026-05-01``), of 1950 to 2100.

    Examples
    --------
    >>> as_day("2026-05-01 18:30")
    Timestamp('2026-05-01 00:00:00')
    """
    given = when
    if isinstance(when, str):
        with contextlib.suppress(ValueError):
            given = dt.datetime.fromisoformat(when.strip())
    if not isinstance(given, dt.date | np.datetime64) or pd.isna(given):
        raise error(f"{what} = {when!r} is not a date; write it as 2026-05-01, year first.")
    stamp = pd.Timestamp(given)
    if not EARLIEST.year <= stamp.year <= LATEST.year:
        raise error(
            f"{what} = {when!r} is not in {EARLIEST.year} to {LATEST.year}; correct the year."
        )
    # One unit, that of the log's dates: tables of dates are equal however the day was given.
    return stamp.normalize().tz_localize(None).as_unit("ns")


ALONE_WEEKS, DENSE_DAYS, MOST_ALONE = 26, 20, 3
"""Weeks by which a day has to lie after all others to be set aside (a year mistyped puts a date up
to 52 weeks past the end of the log; off-seasons and injuries end sooner); training days the rest of
the log needs before a day can look lost; days, each alone, set aside at most (judgements)."""


def set_aside_dates(
    sets: pd.DataFrame, today: pd.Timestamp, right_until: pd.Timestamp | None = None
) -> tuple[pd.DataFrame, list[Rejected]]:
    """Separate rows whose date can be believed from rows (rejected) whose date can't.

    Set aside are rows after ``today``, and then the last day of the log (at most ``MOST_ALONE``
    days) where one athlete alone trained on it, it lies more than ``ALONE_WEEKS`` after the day
    before, and the other days are dense: at least ``DENSE_DAYS`` of them, with no gap half as
    long. A second day near it, or a second athlete, makes it an honest return, and it stays. Up to
    ``right_until`` every date is right, because the user says so.
    """

    def set_aside(rows: pd.DataFrame, kind: str, **facts: Any) -> list[Rejected]:
        dates = rows["date"].dt.strftime("%Y-%m-%d")
        return placed(rows, "date", [problem(kind, kind, date, **facts) for date in dates])

    limit = today if right_until is None else max(today, right_until)
    future = sets["date"] > limit
    kept = sets[~future]
    rejected = set_aside(sets[future], "future", today=today.date())
    end = _believed_end(kept)
    alone = kept["date"] > (kept["date"].max() if end is None else end)
    if right_until is not None:
        alone &= kept["date"] > right_until
    if alone.any():
        weeks = (kept["date"][alone].min() - end).days // 7
        rejected += set_aside(kept[alone], "alone", weeks=weeks)
        kept = kept[~alone]
    return kept, rejected


def _believed_end(sets: pd.DataFrame) -> pd.Timestamp | None:
    """Return the last day before those that stand alone, ``None`` where none does."""
    people = sets.groupby("date")["athlete"].nunique().sort_index()
    gaps = people.index.to_series().diff().dt.days.to_numpy()
    lone = (gaps > 7 * ALONE_WEEKS) & (people.to_numpy() == 1)
    lost = int(np.cumprod(lone[::-1][:MOST_ALONE]).sum())
    days = len(people) - lost
    if not lost or days < DENSE_DAYS or 2 * gaps[1:days].max() >= gaps[days:].min():
        return None
    return people.index[days - 1]


def dates_set_aside(rejected: pd.DataFrame) -> list[str]:
    """Return a sentence for each kind of such rows among the rejected ones."""
    lines = []
    for kind in ("future", "alone"):
        rows = rejected[rejected["kind"] == kind]
        if len(rows):
            first = rows.iloc[0]
            facts = {"file": first["file"], "row": first["row"], "value": first["value"]}
            lines.append(say(f"aside_{kind}", count=len(rows), last=max(rows["value"]), **facts))
    return lines
