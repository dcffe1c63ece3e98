"""A club of 30 whose last 20 weeks hold planted stalls, layoffs, pain and athletes who leave."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from forecast.histories import build_histories
from forecast.log import TrainingLog
from forecast.simulate import Setting, simulate_cohort

ATHLETES, BEFORE, WEEKS = 30, 40, 20
START = pd.Timestamp("2024-01-01")
CUT = START + pd.Timedelta(weeks=BEFORE)
END = CUT + pd.Timedelta(weeks=WEEKS)
STALLS, LAYOFFS, PAINS, LEAVERS = 3, 3, 3, 2
LIKE_LAST = 8
"""A stall goes on as the last sessions were, drawn by chance."""


@dataclass(frozen=True)
class Planted:
    """The log; what was planted, one row an event (``kind, athlete, rung, on``); true levels."""

    log: TrainingLog
    events: pd.DataFrame
    levels: pd.DataFrame


def planted_club(seed: int) -> Planted:
    """Invent the club; who is struck is drawn by the seed among those with a record to go by."""
    cohort = simulate_cohort(
        "steady", ATHLETES, seed=seed, weeks=BEFORE + WEEKS, follow_up=0, lapse_rate=0.0,
        start=str(START.date()), setting=Setting(sessions_per_week=(2.0, 4.0)),
    )  # fmt: skip
    log, rng = cohort.log, np.random.default_rng(seed)
    stalling = _can_stall(log)
    stalling = stalling.iloc[np.sort(rng.permutation(len(stalling))[:STALLS])]
    last = log.sets.groupby("athlete")["date"].max()
    coming = last.index[last > END - pd.Timedelta(weeks=2)].difference(stalling["athlete"])
    old = set(log.sets.loc[log.sets["date"] < CUT - pd.Timedelta(weeks=8), "athlete"])
    others = rng.permutation([name for name in coming if name in old])
    struck = np.split(others[: LAYOFFS + PAINS + LEAVERS], np.cumsum([LAYOFFS, PAINS]))
    sets, events = log.sets, []
    for athlete, rung in zip(stalling["athlete"], stalling["rung"], strict=True):
        sets = _stalled(sets, athlete, rung, CUT, rng)
        events.append(("stall", athlete, rung, CUT))
    for kind, people in zip(("layoff", "pain", "left"), struck, strict=True):
        for number, athlete in enumerate(people):
            on = CUT + pd.Timedelta(weeks=2 + 2 * number)
            mine = sets["athlete"] == athlete
            if kind == "pain":
                first = sets.loc[mine & (sets["date"] >= on), "date"].min()
                sets = sets.assign(pain=sets["pain"].mask(mine & (sets["date"] == first), 6.0))
            else:
                until = on + pd.Timedelta(weeks=6) if kind == "layoff" else END
                sets = sets[~(mine & sets["date"].between(on, until, inclusive="left"))]
            events.append((kind, athlete, "", on))
    sets = sets.sort_values(["athlete", "date", "rung", "set"]).reset_index(drop=True)
    table = pd.DataFrame(events, columns=["kind", "athlete", "rung", "on"])
    return Planted(replace(log, sets=sets, rows_in=len(sets)), table, cohort.levels)


def _can_stall(log: TrainingLog) -> pd.DataFrame:
    """Rungs under way at the cut with a record, whose last sessions did not meet; one each."""
    histories = build_histories(log, CUT)
    spells, sessions = histories.open_spells, histories.sessions
    late = sessions[sessions["spell"].isin(spells.index)].groupby("spell").tail(LIKE_LAST)
    met = late.groupby("spell")["meets"].any().reindex(spells.index)
    fresh = spells["last_session"] > CUT - pd.Timedelta(weeks=1)
    found = spells[(spells["n_sessions"] >= 12) & ~met & fresh].sort_values(["athlete", "start"])
    return found.drop_duplicates("athlete")[["athlete", "rung"]].reset_index(drop=True)


def _stalled(
    sets: pd.DataFrame, athlete: str, rung: str, on: pd.Timestamp, rng: np.random.Generator
) -> pd.DataFrame:
    """From a day on the athlete does nothing but this rung, each day one of the last sessions."""
    mine = sets["athlete"] == athlete
    here = sets[mine & (sets["rung"] == rung) & (sets["date"] < on)]
    like = here["date"].drop_duplicates().to_numpy()[-LIKE_LAST:]
    days = sets.loc[mine & (sets["date"] >= on), "date"].drop_duplicates().to_numpy()
    new = [
        here[here["date"] == drawn].assign(date=day)
        for day, drawn in zip(days, rng.choice(like, len(days)), strict=True)
    ]
    return pd.concat([sets[~(mine & (sets["date"] >= on))], *new], ignore_index=True)
