"""Which rungs are open: those being trained, and the next ones where nothing is."""

from __future__ import annotations

import numpy as np
import pandas as pd

from forecast.histories import CLEARED, PASSED_OVER, Histories
from forecast.ladder import Ladder
from forecast.types import Flags


def untried_rungs(histories: Histories) -> pd.DataFrame:
    """Return the rungs that come next for athletes with none under way.

    What counts as behind an athlete says ``rungs_behind``.

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
        cleared, begun = (np.isin(ladder.keys, rungs)[None] for rungs in (done.index, own["rung"]))
        found = rungs_behind(cleared, begun, np.zeros_like(begun), ladder)[0]
        behind = {key for key, is_behind in zip(ladder.keys, found, strict=True) if is_behind}
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


def rungs_behind(done: Flags, begun: Flags, under_way: Flags, ladder: Ladder) -> Flags:
    """Return the rungs behind each athlete, (A, R).

    A rung is behind when it was cleared or passed over; when a rung that needs it has been begun or
    is behind itself, and it is not under way; and when it stands before the first rung that the log
    shows of the athlete, unless that is a foot of the ladder, for logs often begin in the middle.

    Parameters
    ----------
    done, begun, under_way
        (A, R) what the log shows: cleared or passed over, tried, still open.
    ladder
        The ladder of R rungs.
    """
    place = {key: number for number, key in enumerate(ladder.keys)}
    needs = [[place[need] for need in rung.needs] for rung in ladder.rungs]
    earliest = np.where(begun.any(axis=1), begun.argmax(axis=1), 0)
    foot = np.array([not needed for needed in needs])
    earliest = np.where(foot[earliest], 0, earliest)
    behind = done | (np.arange(len(needs)) < earliest[:, None])
    reached = behind | begun
    for rung in range(len(needs) - 1, -1, -1):
        for need in needs[rung]:
            reached[:, need] |= reached[:, rung]
            behind[:, need] |= reached[:, rung]
    return np.asarray(behind & (done | ~under_way))
