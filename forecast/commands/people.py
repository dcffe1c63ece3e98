"""Athletes as they are named on the command line, and what is said of those with nothing open."""

from __future__ import annotations

import difflib
from collections.abc import Sequence

import pandas as pd

from forecast.errors import ForecastError
from forecast.histories import CLEARED, Histories
from forecast.log import TrainingLog, bare

MOST_NAMED = 20


def people_of(log: TrainingLog) -> list[str]:
    """Return everybody in the log or its roster, sorted."""
    return sorted({*log.athletes, *log.roster.index})


def named(asked: Sequence[str], log: TrainingLog) -> list[str]:
    """Return whole names for those typed, half or without accents, of everybody in the log.

    Raises ``ForecastError`` if a name fits nobody, or more than one athlete.
    """
    known = people_of(log)
    return list(dict.fromkeys(_one(name, known) for name in asked))


def _one(asked: str, known: list[str]) -> str:
    if asked in known:
        return asked
    plain = {name: bare(name) for name in known}
    typed = bare(asked).strip()
    ways = (
        [name for name, text in plain.items() if text == typed],
        [name for name, text in plain.items() if text.startswith(typed)],
        [n for n, text in plain.items() if any(part.startswith(typed) for part in text.split())],
    )
    fits = next((found for found in ways if found), []) if typed else []
    if len(fits) == 1:
        return fits[0]
    if fits:
        raise ForecastError(f"{asked!r} fits {_listed(fits)}; write more of the name.")
    words = {text: name for name, whole in plain.items() for text in (whole, *whole.split())}
    near = list(dict.fromkeys(words[text] for text in difflib.get_close_matches(typed, words)))
    advice = f"did you mean {_listed(near)}?" if near else f"its athletes are {_listed(known)}."
    raise ForecastError(f"Nobody in this log is called {asked!r}; {advice}")


def _listed(names: list[str]) -> str:
    more = len(names) - MOST_NAMED
    return ", ".join(names[:MOST_NAMED]) + (f" and {more} more" if more > 0 else "")


def rows_of(frame: pd.DataFrame, names: Sequence[str]) -> pd.DataFrame:
    """Return the rows about these athletes, all where none is named."""
    if not names:
        return frame
    return frame[frame["athlete"].isin(names)].reset_index(drop=True)


def nothing_open(log: TrainingLog, histories: Histories, summary: pd.DataFrame) -> dict[str, str]:
    """Say of everybody who has no row in the summary of open rungs why there is none, by name."""
    missing = set(people_of(log)) - set(summary["athlete"])
    spells = histories.spells
    cleared = spells[spells["outcome"] == CLEARED].sort_values("cleared_on")
    last = cleared.drop_duplicates("athlete", keep="last").set_index("athlete")
    rungs = {rung.key: rung.name for rung in histories.ladder.rungs}
    said = {}
    for name in sorted(missing):
        if name in last.index:
            row = last.loc[name]
            said[name] = (
                f"{name} has nothing open: the last rung, {rungs[row['rung']]}, was cleared on "
                f"{row['cleared_on'].date()}."
            )
        elif name in set(spells["athlete"]):
            said[name] = f"{name} has nothing open: every rung they tried is behind them."
        else:
            said[name] = f"{name} has no set before {histories.as_of.date()}."
    return said
