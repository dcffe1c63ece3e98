"""Sets to sessions to spells: from an athlete's first set on a rung to clearing, cut or lapse."""

from __future__ import annotations

import numpy as np
import pandas as pd

from forecast.histories.rules import LAPSE_GAPS, UNDER_WAY_DAYS
from forecast.ladder import Ladder
from forecast.log import load_marks
from forecast.types import WEEK, Ints

CLEARED, LAPSED, PASSED_OVER, OPEN = "cleared", "lapsed", "passed_over", "open"


def day_number(dates: pd.Series) -> Ints:
    """Days since 1970-01-01 as whole numbers."""
    return dates.to_numpy().astype("datetime64[D]").astype(np.int64)


def mark_counting_sets(sets: pd.DataFrame, ladder: Ladder, roster: pd.DataFrame) -> pd.DataFrame:
    """Return the sets with ``loaded``, ``load_known``, ``counts`` and ``target`` beside each."""
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

    ``best`` is the highest counting value, missing where none counted; ``run`` is how many sessions
    in a row, this one included, have met.
    """
    hits = sets["counts"] & (sets["value"] >= sets["target"] - 1e-9)
    frame = sets.assign(
        hit=hits, counting_value=sets["value"].where(sets["counts"]), unassisted=~sets["assisted"]
    )
    sessions = (
        frame.groupby(["athlete", "rung", "date"], sort=True)
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
    place = {key: i for i, key in enumerate(ladder.keys)}
    sessions["rung_index"] = sessions["rung"].map(place).astype("int64")
    sessions["run"] = running_count(sessions)
    return sessions


def running_count(sessions: pd.DataFrame) -> Ints:
    """Return how many sessions in a row, each included, have met: within athlete and rung."""
    meets = sessions["meets"].to_numpy()
    spell = sessions.groupby(["athlete", "rung"], sort=False).ngroup().to_numpy()
    position = np.arange(len(sessions))
    starts = np.r_[True, spell[1:] != spell[:-1]] if len(spell) else np.zeros(0, dtype=bool)
    breaks = np.where(~meets, position + 1, np.where(starts, position, 0))
    anchor = np.maximum.accumulate(breaks) if len(breaks) else breaks
    return np.where(meets, position - anchor + 1, 0).astype("int64")


def lapse_days(sessions: pd.DataFrame, lapse_weeks: float) -> pd.Series:
    """Days without a set after which the past is counted as lapsed, by athlete.

    The stated weeks, or four of the athlete's own median gaps where that is longer: the only place
    that knows the rule.
    """
    days = sessions.drop_duplicates(["athlete", "date"]).sort_values(["athlete", "date"])
    gaps = days.groupby("athlete")["date"].diff().dt.days
    median = gaps.groupby(days["athlete"]).median().fillna(0.0)
    return np.maximum(lapse_weeks * WEEK, LAPSE_GAPS * median)


def first_clearing(sessions: pd.DataFrame, ladder: Ladder) -> pd.DataFrame:
    """Return, by athlete and rung, the clearing date and the session just before it."""
    need = sessions["rung"].map({r.key: r.criterion.confirm_sessions for r in ladder.rungs})
    previous = sessions.groupby(["athlete", "rung"])["date"].shift(1)
    done = sessions.assign(previous=previous)[sessions["run"] >= need.astype("int64")]
    first = done.groupby(["athlete", "rung"], sort=True).head(1)
    return first.set_index(["athlete", "rung"])[["date", "previous"]].rename(
        columns={"date": "cleared_on"}
    )


def build_spells(
    sessions: pd.DataFrame, ladder: Ladder, *, as_of: pd.Timestamp, log_start: pd.Timestamp,
    lapse_after: pd.Series,
) -> pd.DataFrame:  # fmt: skip
    """Return one row a spell; columns are listed in ``histories.Histories``.

    Time away counts as time on the rung, as in a forecast. A silence that has outlasted the lapse
    rule does not: such a spell is followed to its last session and no further.
    """
    clearing = first_clearing(sessions, ladder)
    sessions = sessions.merge(clearing, on=["athlete", "rung"], how="left")
    cleared_on = sessions["cleared_on"]
    within = sessions[cleared_on.isna() | (sessions["date"] <= cleared_on)]
    spells = (
        within.groupby(["athlete", "rung"], sort=True)
        .agg(
            rung_index=("rung_index", "first"),
            start=("date", "min"),
            last_session=("date", "max"),
            n_sessions=("date", "size"),
            n_meets=("meets", "sum"),
            run=("run", "last"),
            cleared_on=("cleared_on", "first"),
            before_clearing=("previous", "first"),
        )
        .reset_index()
    )
    spells["under_way"] = (spells["start"] - log_start).dt.days < UNDER_WAY_DAYS
    last_seen = spells["athlete"].map(sessions.groupby("athlete")["date"].max())
    allowed = spells["athlete"].map(lapse_after)
    lapsed = (as_of - last_seen).dt.days > allowed
    idle = (as_of - spells["last_session"]).dt.days > allowed
    cleared = spells["cleared_on"].notna()
    spells["outcome"] = np.select(
        [cleared, idle & _moved_on(spells, ladder), lapsed],
        [CLEARED, PASSED_OVER, LAPSED],
        default=OPEN,
    )
    spells["open"] = spells["outcome"].isin([OPEN, LAPSED])
    end = spells["cleared_on"].where(cleared, as_of)
    left = spells["outcome"].isin([LAPSED, PASSED_OVER])
    spells["end"] = end.where(~left, spells["last_session"])
    spells["weeks"] = (spells["end"] - spells["start"]).dt.days / WEEK
    spells["clear_lower"] = (spells["before_clearing"] - spells["start"]).dt.days / WEEK
    return spells


def _moved_on(spells: pd.DataFrame, ladder: Ladder) -> pd.Series:
    """Whether the athlete has begun a rung that needs this one (waved past by the coach)."""
    after: dict[str, set[str]] = {key: set() for key in ladder.keys}
    for rung in reversed(ladder.rungs):
        for need in rung.needs:
            after[need] |= {rung.key} | after[rung.key]
    begun = spells.groupby("athlete")["rung"].agg(set)
    flags = [
        bool(after[rung] & begun[athlete])
        for athlete, rung in zip(spells["athlete"], spells["rung"], strict=True)
    ]
    return pd.Series(flags, index=spells.index, dtype=bool)
