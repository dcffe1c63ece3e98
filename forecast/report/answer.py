"""The answer first: what a page says before anything else, and what changed, in a line."""

from __future__ import annotations

import pandas as pd

from forecast.changes import Changes
from forecast.log import counted
from forecast.readiness import AWAY, CLIMBING, FLAT, PAIN, SLIPPING, UNCLEAR
from forecast.report.words import say_chance, say_day

STATES = {
    PAIN: "on hold for pain",
    SLIPPING: "slipping",
    FLAT: "flat",
    CLIMBING: "climbing",
    UNCLEAR: "unclear",
    AWAY: "away",
}
"""What is said of so many rungs, by mark."""
LIKELY = 0.5
"""Chance from which a rung is called likely."""
NAMED = 5
"""Names in a sentence."""


def club_answer(summary: pd.DataFrame, curve: pd.DataFrame) -> tuple[str, str]:
    """Return two sentences on a club: how its open rungs stand, and who clears next.

    Parameters
    ----------
    summary
        The forecast's, with ``mark`` and ``who``.
    curve
        The forecast's.
    """
    if summary.empty:
        return "No rung is open.", "There is nothing to forecast until one is begun."
    counts = summary["mark"].value_counts()
    found = [mark for mark in STATES if mark in counts]
    said = [f"{counts[mark]} {STATES[mark]}" for mark in found]
    said[0] = f"{counted(int(counts[found[0]]), 'rung')} {STATES[found[0]]}"
    return f"{_listed(said)}.", _next(summary, curve)


def _next(summary: pd.DataFrame, curve: pd.DataFrame) -> str:
    """Who is likely to clear this week, or else who comes first."""
    free = summary[summary["mark"] != PAIN]
    if free.empty:
        return "All dates are on hold until a licensed clinician or a qualified coach has seen it."
    week = curve[curve["week"] == 1].set_index(["athlete", "rung"])["p_cleared"]
    chance = free.set_index(["athlete", "rung"]).assign(now=week)
    likely = chance[chance["now"] >= LIKELY].sort_values("now", ascending=False, kind="stable")
    if len(likely):
        names = [f"{who} ({say_chance(p)})" for who, p in zip(likely["who"], likely["now"],
                 strict=True)]  # fmt: skip
        more = [f"{len(names) - NAMED} more"] if len(names) > NAMED else []
        return f"Likely to clear this week: {_listed([*names[:NAMED], *more])}."
    best = chance.sort_values(["p_4", "who"], ascending=[False, True]).iloc[0]
    return (
        f"Nobody is likely to clear this week; soonest is {best['who']}, "
        f"{say_chance(best['p_4'])} within 4 weeks."
    )


def _listed(parts: list[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"


def changed(changes: Changes | None, as_of: pd.Timestamp) -> str:
    """Return what changed in a line: so many of each kind; empty where no earlier day is known."""
    if changes is None:
        return ""
    since = f"Since {say_day(changes.since, as_of)}: "
    if changes.table.empty:
        return f"{since}nothing to tell."
    counts = changes.table["kind"].value_counts(sort=False)
    return since + ", ".join(f"{count} {kind}" for kind, count in counts.items()) + "."


OWN = {
    "pain": "pain was noted",
    "slipping": "{} began to slip",
    "flat": "{} went flat",
    "away": "you have been away from {}",
    "left": "no set was noted",
    "re-test": "due for a re-test: {}",
    "cleared": "you cleared {}",
    "moving again": "{} is moving again",
    "back": "you came back to {}",
    "came": "your log began",
    "chance": "the chance on {} moved a good deal",
}
"""An athlete's own changes, by kind; corrections of the log are between coach and log."""


def own_changes(changes: Changes | None, athlete: str, as_of: pd.Timestamp) -> str:
    """Return what changed for one athlete, in a sentence; empty where nothing did."""
    if changes is None:
        return ""
    mine = changes.table[changes.table["athlete"] == athlete]
    said = [OWN[row.kind].format(row.rung_name) for row in mine.itertuples() if row.kind in OWN]
    return f"Since {say_day(changes.since, as_of)}: {'; '.join(said)}." if said else ""
