"""What the command line prints beside rows: headings, legends and lines on the club."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from forecast.log import Club, counted, in_percent
from forecast.row import PAUSED, STATES, Row
from forecast.words import say
from forecast.words.pages import away_line
from forecast.words.rows import STATE_NAMES

CAUTION = say.text("caution")
"""Ends every output that a coach or an athlete reads."""


def club_heading(name: str, what: str, people: int, as_of: pd.Timestamp) -> str:
    """Return whose figures these are, and of which day."""
    return f"{name}: {what} of {counted(people, 'athlete')}, as of {as_of.date()}"


def away_note(rows: Sequence[Row], option: str = "--away") -> str:
    """Return the line that stands for everybody away for long; empty where nobody is."""
    line = away_line(rows)
    return f"{line}: {option}" if line else ""


def states_line(rows: Sequence[Row]) -> str:
    """Return how many rungs are in each state: ``2 pain, 3 flat, 12 climbing``."""
    counts = Counter(row.state for row in rows)
    return ", ".join(f"{counts[one]} {STATE_NAMES[one]}" for one in STATES if counts[one])


def triage_heading(name: str, rows: Sequence[Row]) -> str:
    """Return the first line of the triage: how the club's open rungs stand."""
    training = [row for row in rows if row.state != PAUSED]
    return f"{name}: {counted(len(training), 'rung')} in training ({states_line(training)})."


def opened(club: Club, rungs: int, as_of: pd.Timestamp) -> str:
    """Return what a club that was opened holds."""
    return (
        f"{club.name}: {len(club.log.sets):,} sets understood, {len(club.log.rejected):,} rows set "
        f"aside; {rungs} open rungs as of {as_of.date()}"
    )


def fitted(model: str, athletes: int, as_of: pd.Timestamp) -> str:
    """Return what a forecaster was fitted to."""
    return f"{model}: learnt from {counted(athletes, 'athlete')} before {as_of.date()}"


def stands(level: float, target: float, measure: str) -> str:
    """Return what a usual day would show, of the pass mark."""
    shown = "-" if pd.isna(level) else say.value(level, measure)
    return f"{shown} of {say.value(target, measure)}"


def borrowed(athletes: int, rungs: int, trust: float) -> str:
    """Return the note on a model that was fitted with another club's as prior."""
    text = (
        f"Fitted with another club's model of {counted(athletes, 'athlete')} as prior, "
        f"{counted(rungs, 'rung')} in common"
    )
    if trust == 0.0:
        return (
            f"{text}; how levels grow was not taken from it, since this log asks for another scale."
        )
    chance = in_percent(trust)
    return f"{text}; by this log's own sets the chance that it fits this club is {chance}."


def unforeseen(fault: str, path: str) -> str:
    """Return what to do about a fault of the package itself."""
    return say.text("unforeseen", fault=fault, path=path)


def pages(paths: Sequence[Path]) -> str:
    """Return which page is whose; the first of the athletes' pages stands for all of them."""
    coach, analyst, *athletes = paths
    lines = ["", "Pages, to open in a browser:", f"  coach    {coach}", f"  analyst  {analyst}"]
    if athletes:
        more = f" (and {len(athletes) - 1} more beside it)" if len(athletes) > 1 else ""
        lines.append(f"  athlete  {athletes[0]}{more}")
    return "\n".join(lines)
