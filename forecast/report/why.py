"""Why a rung needs a look, in a coach's words; what it says was worked out by the plateau watch."""

from __future__ import annotations

from typing import Any

import pandas as pd

from forecast.histories import PAIN, PAIN_WEEKS
from forecast.plateau import urgent_first
from forecast.readiness import marked
from forecast.report.words import say_date, say_percent

FLOOR = 0.5
"""Gain in % a week under which any rung counts as flat, however near the mark."""


def say_why(row: Any, as_of: pd.Timestamp) -> str:
    """Return why a rung is on the list, in sentences.

    Parameters
    ----------
    row
        A row of ``plateau.plateaus``.
    as_of
        Its cut date.
    """
    if row.pain >= PAIN:
        return _pain(row, as_of)
    if row.state not in ("flat", "slipping"):
        return str(row.reason)
    parts = [_pace(row), _begun(row, as_of), _changed(row)]
    if row.less_clean:
        parts.append("More seconds or reps, but fewer sets hold their form.")
    return " ".join(part for part in parts if part)


def _pain(row: Any, as_of: pd.Timestamp) -> str:
    text = (
        f"Pain of {row.pain:.0f} noted in the last {PAIN_WEEKS:.0f} weeks. Leave weeks and dates "
        "aside until a licensed clinician or qualified coach has seen it."
    )
    if row.state in ("flat", "slipping"):
        text += f" Besides, {row.state}{since(row, as_of)}."
    return text


def since(row: Any, as_of: pd.Timestamp) -> str:
    """Return since when, no finer than it is known; empty where that can't be told."""
    if pd.isna(row.since):
        return ""
    wide = (row.since_high - row.since_low).days / 7.0
    return f" since {say_date(row.since, as_of, range_weeks=wide)}"


def _pace(row: Any) -> str:
    """How the usual day moves lately, and from which gain on it would count as progress."""
    lately = (
        f"Lately {say_percent(row.gain)} a week "
        f"(8 in 10 from {say_percent(row.gain_low)} to {say_percent(row.gain_high)})"
    )
    if row.gain > row.smallest_gain:
        lately += ": perhaps moving again, but not clearly yet"
    least = 100.0 * row.smallest_gain
    text = f"{lately}. Under {least:.1f} % a week counts as flat"
    if least > FLOOR:
        text += " here (over a year to the mark)"
    return text + "."


def _begun(row: Any, as_of: pd.Timestamp) -> str:
    if pd.isna(row.since):
        return "When it began can't be told."
    early, late = (say_date(day, as_of, range_weeks=99) for day in (row.since_low, row.since_high))
    return f"It began between {early} and {late}." if early != late else ""


def _changed(row: Any) -> str:
    if not row.changed:
        return ""
    return f"Changed at about the same time, which need not be why: {row.changed}."


def watch_table(states: pd.DataFrame, as_of: pd.Timestamp) -> pd.DataFrame:
    """Return who needs a look, most urgent first: ``athlete, rung_name, state, why, next_step``.

    The state is the rung's mark, as in every list: pain stands above what the rung does.

    Parameters
    ----------
    states
        From ``plateau.plateaus``, with ``rung_name``.
    as_of
        Its cut date.
    """
    watch = urgent_first(states)[["athlete", "rung", "next_step"]]
    rows = watch.merge(states, on=["athlete", "rung"])
    why = [say_why(row, as_of) for row in rows.itertuples(index=False)]
    rows = marked(rows, states).assign(why=why)
    return rows.assign(state=rows["mark"])[["athlete", "rung_name", "state", "why", "next_step"]]
