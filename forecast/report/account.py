"""What the pages are made from, counted once: the same account stands on every page for a club."""

from __future__ import annotations

from forecast.histories import CLEARED, LAPSED, OPEN, PASSED_OVER, Histories
from forecast.log import counted


def account(histories: Histories) -> str:
    """Return the sets and spells behind the pages, in a sentence; the parts add up."""
    way, after = len(histories.sets), len(histories.after_clearing)
    spells = histories.spells
    ends = spells["outcome"].value_counts()
    kinds = {CLEARED: "cleared", LAPSED: "lapsed", PASSED_OVER: "passed over", OPEN: "open"}
    parts = [f"{ends[kind]:,} {word}" for kind, word in kinds.items() if ends.get(kind, 0)]
    total = f"{way + after:,} {'set' if way + after == 1 else 'sets'}"
    upkeep = f", {way:,} of them on the way and {after:,} on rungs cleared before" if after else ""
    late = int(spells["under_way"].sum())
    begun = f"; {late:,} under way when the log began" if late else ""
    away = " Lapsed ones are forecast all the same, as away." if ends.get(LAPSED, 0) else ""
    return f"{total}{upkeep}. {counted(len(spells), 'spell')} of one athlete on one rung: " + (
        f"{', '.join(parts)}{begun}.{away}"
    )
