"""What commands say beside rows and tables: of people with nothing open, of files written."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from forecast.log import counted
from forecast.words import say

COHORT = (
    "Rung", "Spells", "Cleared", "Weeks at risk a clearing", "Half by week", "Flat", "Lapsed",
)  # fmt: skip
COHORT_LEGEND = (
    "Weeks at risk a clearing: all weeks that anybody had the rung in hand, for each time it was "
    "cleared. Flat: share of those weeks without a gain that matters."
)
SHARED = (
    "Names, notes and dates are gone; results, training days, body mass and age are as they were "
    "and may tell a person to who knows them. Look through the ladder's texts yourself."
)


def unforeseen(fault: str, path: str) -> str:
    """Return what to do about a fault of the package itself."""
    return (
        f"rungwise: something went wrong that nobody foresaw ({fault}). The fault is ours, not "
        f"yours; what happened is in {path}. Look through it, then send it to whoever maintains "
        "this package."
    )


def last_cleared(name: str, rung: str, day: pd.Timestamp) -> str:
    """Return why an athlete who cleared the last rung has no row."""
    return f"{name} has nothing open: the last rung, {rung}, was cleared on {day.date()}."


def nothing_left(name: str) -> str:
    """Return why an athlete whose rungs all ended has no row."""
    return f"{name} has nothing open: every rung they tried is behind them."


def no_set_yet(name: str, as_of: pd.Timestamp) -> str:
    """Return why an athlete who never trained has no row."""
    return f"{name} has no set before {as_of.date()}."


def due(count: int, cleared: int) -> str:
    """Return how many of the cleared rungs are due for a re-test."""
    return f"{count} of {counted(cleared, 'cleared rung')} due for a re-test"


def stands(level: float, target: float, measure: str) -> str:
    """Return what a usual day would show, of the pass mark."""
    shown = "-" if pd.isna(level) else say.value(level, measure)
    return f"{shown} of {say.value(target, measure)}"


def weeks_off(weeks: float) -> str:
    """Return how long the rung was left alone, as the table of re-tests has it."""
    return f"{weeks:.0f}" if weeks >= 1 else "sets since show it"


def drafted(path: Path, questions: int) -> str:
    """Return where the draft of a mapping is, and how much is left to answer."""
    asked = counted(questions, "question")
    return f"Mapping drafted to {path}, with {asked} (lines that begin with #)."


def answer_draft(name: str, file: str) -> str:
    """Return what to do with the draft of one log of a club."""
    return f"Answer them, then put mapping = {name!r} below file = {file!r} in the club file."


def backtest_kept(path: Path) -> str:
    """Return where a backtest is kept, and what for."""
    return f"The backtest is kept in {path}; 'report --backtest' puts it on the analyst's page."


def reading_demo(place: Path) -> str:
    """Return what the demo begins with."""
    return f"Reading the invented club in {place}."


def pages(paths: Sequence[Path]) -> str:
    """Return which page is whose; the first of the athletes' pages stands for all of them."""
    coach, analyst, *athletes = paths
    lines = ["", "Pages, to open in a browser:", f"  coach    {coach}", f"  analyst  {analyst}"]
    if athletes:
        more = f" (and {len(athletes) - 1} more beside it)" if len(athletes) > 1 else ""
        lines.append(f"  athlete  {athletes[0]}{more}")
    return "\n".join(lines)
