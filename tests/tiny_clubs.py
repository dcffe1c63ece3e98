"""Clubs with so little in their logs, or so much alike or at once, that a section can't be made."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta

import numpy as np

Row = tuple[str, date, str, float, str]
"""Athlete, day, rung, value, clean."""
DAY0 = date(2025, 1, 6)

LADDER = """
[ladder]
name = "Our ladder"

[[rung]]
key = "lean"
name = "Floor lean"
measure = "seconds"
target = 10
confirm_sessions = 2

[[rung]]
key = "press"
name = "Floor press"
measure = "reps"
target = 5
"""
"""The ladder of the README's section on one's own log."""

LARGE = """
[ladder]
name = "Large marks"

[[rung]]
key = "lean"
measure = "seconds"
target = 600

[[rung]]
key = "press"
measure = "kg"
target = 2000
"""

ONE_UNIT = """
[ladder]
name = "Marks of one"

[[rung]]
key = "lean"
measure = "seconds"
target = 1

[[rung]]
key = "press"
measure = "reps"
target = 1
"""


def sessions(
    athlete: str, rung: str, values: object, *, first: int = 0, every: float = 3.5, clean: str = ""
) -> list[Row]:
    """One set a session, every so many days from day ``first``."""
    return [
        (athlete, DAY0 + timedelta(days=int(first + every * i)), rung, float(value), clean)
        for i, value in enumerate(np.atleast_1d(np.asarray(values, dtype=float)))
    ]


def rising(start: float, step: float, count: int, seed: int, sd: float = 0.4) -> np.ndarray:
    """Values that rise by ``step`` a session, scattered, in whole units."""
    days = np.random.default_rng(seed).normal(0.0, sd, count)
    return np.maximum(np.round(start + step * np.arange(count) + days), 0.0)


def _one_athlete() -> list[Row]:
    return sessions("Bo", "lean", rising(3, 0.3, 12, 1))


def _nobody_cleared() -> list[Row]:
    return [
        row
        for n in range(5)
        for row in sessions(f"Al{n}", "lean", rising(3, 0.1, 12, n), first=20 * n)
    ]


def _all_at_once() -> list[Row]:
    return [row for n in range(5) for row in sessions(f"Al{n}", "lean", [4, 6, 11, 12])]


def _at_the_first_session() -> list[Row]:
    return [
        row
        for n in range(5)
        for row in sessions(f"Al{n}", "lean", [11, 12], first=n)
        + sessions(f"Al{n}", "press", [6], first=n + 10)
    ]


def _everything_cleared() -> list[Row]:
    return [
        row
        for n in range(4)
        for row in sessions(f"Al{n}", "lean", [4, 11, 12], first=n)
        + sessions(f"Al{n}", "press", [3, 6], first=n + 14)
    ]


def _one_set() -> list[Row]:
    return sessions("Bo", "lean", [4])


def _two_sets() -> list[Row]:
    return sessions("Bo", "lean", [4, 5])


def _constant() -> list[Row]:
    return [row for n in range(3) for row in sessions(f"Al{n}", "lean", [5] * 12, first=n)]


def _all_unclean() -> list[Row]:
    return [
        row
        for n in range(3)
        for row in sessions(f"Al{n}", "lean", rising(5, 0.4, 12, n), first=n, clean="no")
    ]


def _all_missed() -> list[Row]:
    return [row for n in range(3) for row in sessions(f"Al{n}", "lean", [0] * 10, first=n)]


def _gap_of_two_years() -> list[Row]:
    return [
        row
        for n in range(4)
        for row in sessions(f"Al{n}", "lean", rising(3, 0.2, 10, n), first=n)
        + sessions(f"Al{n}", "lean", rising(4, 0.2, 6, 9 + n), first=n + 760)
    ]


def _last_row_two_years_ahead() -> list[Row]:
    return [*_nobody_cleared(), *sessions("Al0", "lean", [7], first=790)]


def _on_the_rung_when_the_log_begins() -> list[Row]:
    return [
        row for n in range(4) for row in sessions(f"Al{n}", "lean", rising(4 + n, 0.25, 20, n, 0.8))
    ]


def _three_athletes() -> list[Row]:
    return [
        row
        for n in range(3)
        for row in sessions(f"Al{n}", "lean", rising(4 + n, 0.5, 20, n), first=20 * n)
        + sessions(f"Al{n}", "press", rising(1, 0.2, 8, 5 + n), first=20 * n + 75)
    ]


def _large_marks() -> list[Row]:
    return [
        row
        for n in range(3)
        for row in sessions(f"Al{n}", "lean", rising(100, 15, 14, n, 20.0), first=9 * n)
    ]


def _doubling() -> list[Row]:
    return [
        row
        for n in range(3)
        for row in sessions(f"Al{n}", "lean", 1.5 * 2.0 ** np.arange(9), first=3 * n, every=7)
    ]


def _values_at_the_unit() -> list[Row]:
    values = [0, 1, 0, 0, 1, 0, 1, 1, 0, 0, 0, 1]
    return [row for n in range(3) for row in sessions(f"Al{n}", "lean", values[n:], first=6 * n)]


def _holds_to_five() -> list[Row]:
    rng = np.random.default_rng(7)
    rows = []
    for n in range(4):
        capacity = np.exp(np.log(3.0 + n) + 0.03 * np.arange(16) + 0.12 * rng.standard_t(3, 16))
        rows += sessions(f"Al{n}", "lean", 5 * np.floor(capacity / 5), first=5 * n)
    return rows


def _thousand_sets() -> list[Row]:
    rng = np.random.default_rng(3)
    rows = [row for n in range(3) for row in sessions(f"Al{n}", "lean", rising(4, 0.3, 12, n))]
    day = DAY0 + timedelta(days=30)
    return rows + [("Bo", day, "lean", float(v), "") for v in np.round(rng.normal(6, 1, 1000), 1)]


CLUBS: dict[str, tuple[str, Callable[[], list[Row]]]] = {
    "one_athlete": (LADDER, _one_athlete),
    "nobody_cleared": (LADDER, _nobody_cleared),
    "all_cleared_at_once": (LADDER, _all_at_once),
    "cleared_at_the_first_session": (LADDER, _at_the_first_session),
    "everything_cleared": (LADDER, _everything_cleared),
    "one_set": (LADDER, _one_set),
    "two_sets": (LADDER, _two_sets),
    "constant_values": (LADDER, _constant),
    "all_unclean": (LADDER, _all_unclean),
    "all_missed": (LADDER, _all_missed),
    "gap_of_two_years": (LADDER, _gap_of_two_years),
    "last_row_two_years_ahead": (LADDER, _last_row_two_years_ahead),
    "on_the_rung_when_the_log_begins": (LADDER, _on_the_rung_when_the_log_begins),
    "three_athletes": (LADDER, _three_athletes),
    "large_marks": (LARGE, _large_marks),
    "doubling_every_week": (LARGE, _doubling),
    "values_at_the_unit": (ONE_UNIT, _values_at_the_unit),
    "holds_to_five_seconds": (LADDER, _holds_to_five),
    "thousand_sets_in_a_session": (LADDER, _thousand_sets),
}
"""Name to ladder and log."""


def as_csv(rows: list[Row]) -> str:
    """The log as a file's text."""
    lines = [
        f"{who},{day.isoformat()},{rung},{value:g},{clean}" for who, day, rung, value, clean in rows
    ]
    return "\n".join(["athlete,date,rung,value,clean", *lines, ""])
