"""Which rungs are open: those being trained, and the next ones where nothing is."""

from __future__ import annotations

import pandas as pd

from forecast.histories import CLEARED, PASSED_OVER, Histories


def untried_rungs(histories: Histories) -> pd.DataFrame:
    """Return the rungs that come next for athletes with none under way.

    A rung counts as behind an athlete when it was cleared or passed over, or when a rung that
    needs it was: logs often begin in the middle of a ladder.

    Returns
    -------
    DataFrame
        ``athlete, athlete_id, rung, rung_index, ready_on`` (the day from which the rung may be
        trained: clearing of what it needs plus their ``min_weeks``).
    """
    spells, ladder = histories.spells, histories.ladder
    busy = set(histories.open_spells["athlete"])
    rows = []
    for athlete, own in spells[~spells["athlete"].isin(busy)].groupby("athlete", sort=False):
        done = own[own["outcome"].isin([CLEARED, PASSED_OVER])].set_index("rung")
        behind = _behind(set(done.index), histories)
        for place, rung in enumerate(ladder.rungs):
            if rung.key in behind or not set(rung.needs) <= behind:
                continue
            ready = [
                done.loc[need, "end"] + pd.Timedelta(weeks=ladder.rung(need).min_weeks)
                for need in rung.needs
                if need in done.index
            ]
            ready_on = max(ready) if ready else own["end"].max()
            rows.append((athlete, own["athlete_id"].iloc[0], rung.key, place, ready_on))
    columns = ["athlete", "athlete_id", "rung", "rung_index", "ready_on"]
    return pd.DataFrame(rows, columns=columns)


def _behind(done: set[str], histories: Histories) -> set[str]:
    """Rungs done, and all that any of them needed."""
    behind = set(done)
    for rung in reversed(histories.ladder.rungs):
        if rung.key in behind:
            behind |= set(rung.needs)
    return behind
