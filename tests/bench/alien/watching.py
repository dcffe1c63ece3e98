"""Count alarms of the plateau watch over the year after the fit, against the true levels.

The fitted model is asked every other week. An alarm is a rung newly called flat or slipping;
``paused`` neither raises nor clears it. It is false where the athlete is surely climbing: the
true level rose by more than 3 % a week over the last six weeks, on that rung. A stall is found on
the first day on which the rung is called flat inside it, or up to four weeks after its end, as
nobody can know at once that it is over.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from alien.club import World

EVERY, YEAR = 2, 52
SURE_GAIN, SURE_WEEKS = 0.03, 6
LEAST_STALLS = (8, 12)
FOUND_WITHIN = (7, 12)
AFTER_END = pd.Timedelta(weeks=4)
LEAST_RATE = 1.0
"""Sessions a week in a stall; below, hardly anything is seen of it."""

CALLED, SILENT = ("flat", "slipping"), ("paused", "new")


def dates_asked(world: World) -> list[pd.Timestamp]:
    """Return the cut and every other week of the year after."""
    return [world.cut + pd.Timedelta(weeks=w) for w in range(0, YEAR + 1, EVERY)]


@dataclass(slots=True)
class Tally:
    """What was counted; weeks are athlete-weeks on a rung, pauses left out."""

    weeks: float = 0.0
    climbing_weeks: float = 0.0
    alarms: int = 0
    false_alarms: int = 0
    stalls: dict[str, int] = field(default_factory=dict)


def tally(world: World, tables: Iterable[tuple[pd.Timestamp, pd.DataFrame]]) -> Tally:
    """Count over the tables of ``plateaus`` by date; the first only says what is up already."""
    levels = world.levels.set_index(["athlete", "rung", "date"])["level"]
    found, up, called = Tally(), {}, []
    for number, (date, table) in enumerate(tables):
        heard = table[~table["state"].isin(SILENT)]
        for row in heard.itertuples():
            key = (row.athlete, row.rung)
            flat = row.state in CALLED
            if flat:
                called.append((*key, date))
            if number:
                climbs = surely_climbing(levels, *key, date)
                new = flat and not up.get(key, False)
                found.weeks += EVERY
                found.climbing_weeks += EVERY * climbs
                found.alarms += new
                found.false_alarms += new and climbs
            up[key] = flat
    days = pd.DataFrame(called, columns=["athlete", "rung", "date"])
    found.stalls = stalls_found(world, days)
    return found


def surely_climbing(levels: pd.Series, athlete: str, rung: str, date: pd.Timestamp) -> bool:
    """Say whether the true level rose by more than 3 % a week over the last six weeks."""
    now = date - pd.Timedelta(days=1)
    then = now - pd.Timedelta(weeks=SURE_WEEKS)
    a = levels.get((athlete, rung, then), np.nan)
    b = levels.get((athlete, rung, now), np.nan)
    return bool(b - a > SURE_GAIN * SURE_WEEKS)


def stalls_found(world: World, called: pd.DataFrame) -> dict[str, int]:
    """Count the stalls begun in the year, and those found in 7 and 12 weeks, by least length.

    Only stalls that begin early enough for the watch to run their first 12 weeks.
    """
    last = world.cut + pd.Timedelta(weeks=YEAR - max(FOUND_WITHIN))
    stalls = world.stalls[world.stalls["start"].between(world.cut, last)]
    counts = {f"{n}": 0 for n in LEAST_STALLS}
    counts |= {f"{n}_in_{w}": 0 for n in LEAST_STALLS for w in FOUND_WITHIN}
    logged = world.sets[world.sets["logged"]].drop_duplicates(["athlete", "rung", "date"])
    for stall in stalls.itertuples():
        if stall.weeks < min(LEAST_STALLS):
            continue
        own = (logged["athlete"] == stall.athlete) & (logged["rung"] == stall.rung)
        trained = (own & logged["date"].between(stall.start, stall.end)).sum()
        if trained < LEAST_RATE * stall.weeks:
            continue
        own = (called["athlete"] == stall.athlete) & (called["rung"] == stall.rung)
        days = called.loc[own & called["date"].between(stall.start, stall.end + AFTER_END), "date"]
        wait = (days.min() - stall.start).days / 7 if len(days) else np.inf
        for n in LEAST_STALLS:
            if stall.weeks >= n:
                counts[f"{n}"] += 1
                for w in FOUND_WITHIN:
                    counts[f"{n}_in_{w}"] += int(wait <= w)
    return counts
