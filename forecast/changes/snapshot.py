"""A club on one day as rows small enough to keep, in a file of the last runs."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from forecast.ahead import retests
from forecast.errors import ForecastError
from forecast.histories import CLEARED, Histories
from forecast.histories import PAIN as PAIN_NOTED
from forecast.log import write_whole
from forecast.readiness import LogView
from forecast.row import CLIMBING, KEYS, STUCK
from forecast.types import Flags
from forecast.words import for_coach, say

WEEKS_AHEAD = 12
"""Weeks ahead for which chances are compared."""
HERE = pd.Timedelta(days=10)
"""Somebody who came as lately as this is there to be tested (judgement)."""
LASTS = pd.Timedelta(days=10)
"""A rung found flat is told as such once it is at two runs, or where they are further apart than
this (judgement): of the flags that go up in a week, many are down again in the next."""


@dataclass(frozen=True, slots=True)
class Snapshot:
    """A club on one day: nothing dated on or after ``as_of`` was used.

    ``rungs`` has one row an athlete and rung, open or cleared: ``cleared_on`` is missing where it
    is open, ``due`` a cleared rung to be tested again, of somebody who comes; ``absent``: the
    athlete is away, and not this rung alone left; ``stuck``: flat or slipping for longer than a
    week, or not known to have moved again since; ``chances`` of having cleared within 1, 2, ... 12
    weeks. ``athletes`` has the days of the first and last set, ``lapsed`` (counted as one who
    stopped), and the last pain worth passing on; ``days`` a ``digest`` of each athlete's day.
    """

    as_of: pd.Timestamp
    rungs: pd.DataFrame
    athletes: pd.DataFrame
    days: pd.DataFrame


def snapshot(view: LogView, before: Snapshot | None = None) -> Snapshot:
    """Return the club as a view has it.

    Who was stuck at the run ``before`` is until they climb. Raises ``HistoryError`` if no set is
    dated before the view's cut.
    """
    athletes = _athletes(view.histories)
    rungs = pd.concat([_open(view, before), _cleared(view, athletes)], ignore_index=True)
    sets = view.log.sets[view.log.sets["date"] < view.as_of]
    # of each athlete's day, whatever file and row it stands in, in which order
    content = pd.util.hash_pandas_object(sets.drop(columns=["file", "row"]), index=False)
    days = content.groupby([sets["athlete"], sets["date"]]).sum().rename("digest").reset_index()
    days["digest"] = [f"{number & 0xFFFFFFFF:08x}" for number in days["digest"]]
    return Snapshot(view.as_of, rungs, athletes, days)


def _open(view: LogView, before: Snapshot | None) -> pd.DataFrame:
    columns = [
        *KEYS, "rung_name", "sessions", "stands", "sessions_per_week", "state", "absent",
        "wait_weeks", "reason",
    ]  # fmt: skip
    lines = [
        (*row.key, row.rung.name, row.seen.sessions,
         "" if np.isnan(row.level.value)
         else say.value(row.level.value, row.rung.criterion.measure),
         row.seen.per_week, row.state, row.away is not None and row.away.person,
         row.seen.weeks_since, for_coach(row).why)
        for row in view.rows_of("pool")
    ]  # fmt: skip
    rows = pd.DataFrame(lines, columns=columns)
    rows = rows.astype(dict.fromkeys(KEYS, "str"))  # of an empty table too
    curve = view.curve()
    chances = curve[curve["week"] <= WEEKS_AHEAD].groupby(KEYS)["p_cleared"].agg(list)
    rows = rows.join(chances.rename("chances"), on=KEYS)
    return rows.assign(stuck=_stuck(rows, before, view.as_of), cleared_on=pd.NaT, due=False)


def _stuck(rows: pd.DataFrame, before: Snapshot | None, as_of: pd.Timestamp) -> Flags:
    """Who is known to be stuck: still, or for more than a week; until they climb."""
    flat = rows["state"].isin(STUCK).to_numpy()
    if before is None:
        return flat
    was = before.rungs.set_index(KEYS).reindex(pd.MultiIndex.from_frame(rows[KEYS]))
    known = was["stuck"].eq(True).to_numpy()
    lasts = was["state"].isin(STUCK).to_numpy() | (as_of - before.as_of > LASTS)
    return np.asarray((flat & (lasts | known)) | (known & (rows["state"] != CLIMBING).to_numpy()))


def _cleared(view: LogView, athletes: pd.DataFrame) -> pd.DataFrame:
    spells = view.histories.spells
    done = spells.loc[spells["outcome"] == CLEARED, [*KEYS, "cleared_on"]]
    again = retests(view).set_index(KEYS)["due"]
    here = set(athletes.loc[view.as_of - athletes["last_on"] <= HERE, "athlete"])
    names = {rung.key: rung.name for rung in view.log.ladder.rungs}
    keys = pd.MultiIndex.from_frame(done[KEYS])
    due = again.reindex(keys).eq(True).to_numpy() & done["athlete"].isin(here)
    return done.assign(
        rung_name=done["rung"].map(names), due=due.astype(bool), state=CLEARED, stuck=False
    )


def _athletes(histories: Histories) -> pd.DataFrame:
    sets = pd.concat([histories.sets, histories.after_clearing])
    days = sets.groupby("athlete")["date"].agg(first_on="min", last_on="max")
    hurt = sets[sets["pain"] >= PAIN_NOTED].sort_values(["date", "pain"])
    last = hurt.drop_duplicates("athlete", keep="last").set_index("athlete")
    last = last[["pain", "date", "rung"]].set_axis(["pain", "pain_on", "pain_rung"], axis=1)
    silent = (histories.as_of - days["last_on"]).dt.days
    table = days.assign(lapsed=silent > histories.lapse_after.reindex(days.index)).join(last)
    return table.reset_index().astype({"pain": float, "pain_on": "datetime64[ns]"})


VERSION, KEPT_RUNS = 2, 2
"""Of the file; and the last day's run with one before it: asked twice, the answer is the same."""
DAYS = {"rungs": ["cleared_on"], "athletes": ["first_on", "last_on", "pain_on"], "days": ["date"]}


def keep(path: Path, kept: list[Snapshot], now: Snapshot) -> None:
    """Write this run beside those kept, whole or not at all; a day run again takes its place.

    A look back, at a day before the last one kept, is not kept.
    """
    if any(run.as_of > now.as_of for run in kept):
        return
    earlier = [run for run in kept if run.as_of < now.as_of]
    runs = [*earlier[-KEPT_RUNS + 1 :], now]
    plain: list[dict] = [{"as_of": str(run.as_of.date())} for run in runs]
    for run, made in zip(runs, plain, strict=True):
        for name, days in DAYS.items():
            table = getattr(run, name)
            table = table.assign(**{day: table[day].dt.strftime("%Y-%m-%d") for day in days})
            made[name] = json.loads(table.to_json(orient="split", index=False))
    content = json.dumps({"changes": VERSION, "runs": plain}, ensure_ascii=False)
    write_whole(path, (content + "\n").encode("utf-8"))


def read_kept(path: Path) -> list[Snapshot]:
    """Return the runs kept in a file, oldest first; none where it is not there.

    Raises ``ForecastError`` if it holds something else.
    """
    if not path.exists():
        return []
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
        if found["changes"] != VERSION:
            return []  # of an earlier version: as if this were the first run
        runs = []
        for run in found["runs"]:
            tables = {
                name: pd.DataFrame(run[name]["data"], columns=run[name]["columns"]).astype(
                    dict.fromkeys(days, "datetime64[ns]")
                )
                for name, days in DAYS.items()
            }
            runs.append(Snapshot(pd.Timestamp(run["as_of"]), **tables))
        return runs
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise ForecastError(
            f"{path} does not hold the rows of the last run; move it away, or name another file "
            "with --kept."
        ) from error


def last_before(kept: list[Snapshot], as_of: pd.Timestamp) -> Snapshot | None:
    """Return the last run before a day, ``None`` where there is none."""
    earlier = [run for run in kept if run.as_of < as_of]
    return earlier[-1] if earlier else None
