"""Sets to sessions: one row for each athlete, rung and day, with what counted that day."""

from __future__ import annotations

import numpy as np
import pandas as pd

from forecast.ladder import Ladder
from forecast.log import load_marks
from forecast.types import Ints

SESSION_KEYS = ["athlete", "rung", "date"]


def day_number(dates: pd.Series) -> Ints:
    """Days since 1970-01-01 as whole numbers."""
    return dates.to_numpy().astype("datetime64[D]").astype(np.int64)


def mark_counting_sets(sets: pd.DataFrame, ladder: Ladder, roster: pd.DataFrame) -> pd.DataFrame:
    """Return the sets with ``loaded``, ``load_known``, ``counts`` and ``target`` beside each.

    A set counts when it is clean, unassisted and sufficiently loaded; ``log.loads`` says what is
    presumed about loads that were not noted. ``load_known`` is false where the load asked for is
    a fraction of a body mass that is not in the roster.
    """
    targets = {rung.key: rung.criterion.target for rung in ladder.rungs}
    loads = load_marks(sets, ladder, roster)
    return sets.assign(
        target=sets["rung"].map(targets).astype(float),
        load_known=loads["load_asked"].notna(),
        loaded=loads["loaded"],
        counts=sets["clean"] & ~sets["assisted"] & loads["loaded"],
    )


def build_sessions(sets: pd.DataFrame, ladder: Ladder) -> pd.DataFrame:
    """Return one row a session from sets already marked by ``mark_counting_sets``.

    Columns: ``athlete, rung, date, n_sets, n_counting, n_clean, n_assisted, best`` (highest
    counting value, missing where none counted), ``meets`` and ``run`` (how many sessions in a
    row, this one included, have met the criterion).
    """
    hits = sets["counts"] & (sets["value"] >= sets["target"] - 1e-9)
    frame = sets.assign(
        hit=hits, counting_value=sets["value"].where(sets["counts"]), unassisted=~sets["assisted"]
    )
    sessions = (
        frame.groupby(SESSION_KEYS, sort=True)
        .agg(
            n_sets=("value", "size"),
            n_counting=("counts", "sum"),
            n_clean=("clean", "sum"),
            n_assisted=("assisted", "sum"),
            best=("counting_value", "max"),
            meets=("hit", "any"),
        )
        .reset_index()
    )
    order = {key: i for i, key in enumerate(ladder.keys)}
    sessions["rung_index"] = sessions["rung"].map(order).astype("int64")
    sessions["run"] = running_count(sessions)
    return sessions


def running_count(sessions: pd.DataFrame) -> Ints:
    """Return how many sessions in a row, each included, have met: within athlete and rung.

    ``sessions``: ``athlete, rung, meets``, in the order of the days.
    """
    meets = sessions["meets"].to_numpy()
    spell = sessions.groupby(["athlete", "rung"], sort=False).ngroup().to_numpy()
    position = np.arange(len(sessions))
    starts = np.r_[True, spell[1:] != spell[:-1]] if len(spell) else np.zeros(0, dtype=bool)
    breaks = np.where(~meets, position + 1, np.where(starts, position, 0))
    anchor = np.maximum.accumulate(breaks) if len(breaks) else breaks
    return np.where(meets, position - anchor + 1, 0).astype("int64")
