"""Two days of a club compared: what a coach is told, each thing once, what can't wait first."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from copy import copy
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from forecast.changes.snapshot import KEYS, WEEKS_AHEAD, Snapshot, chance_at, snapshot
from forecast.errors import ForecastError, HistoryError
from forecast.histories import CLEARED
from forecast.ladder import Ladder
from forecast.log import as_day, counted
from forecast.readiness import LogView
from forecast.row import CLIMBING, FLAT, SLIPPING
from forecast.words import say

KINDS = (
    "pain", "slipping", "flat", "away", "left", "re-test", "cleared", "moving again", "back",
    "came", "log", "chance",
)  # fmt: skip
"""What is told, the most urgent first."""
COLUMNS = ("kind", "athlete", "rung", "rung_name", "text")
NOISES = 3.0
"""A chance has moved when it did so by more than so many times what it moves by itself: once in
some hundred rungs a week where nothing is behind it, were its moves normal."""
LEAST_MOVE, GREAT_MOVE = 0.1, 0.5
"""A move smaller than the one is not worth a word, one larger than the other always (judgement)."""
MOST_DAYS = 5
"""Days named in a sentence."""
RATE_MOVED = 1.3
"""Attendance has changed where it did so by this factor (judgement)."""


@dataclass(frozen=True, slots=True)
class Changes:
    """What changed in a club between two days.

    Attributes
    ----------
    table
        One row a change, the most urgent first: ``kind`` (one of ``KINDS``), ``athlete``, ``rung``
        and ``rung_name`` (several rungs parted by commas, empty where it is the athlete's alone),
        ``text``.
    since, as_of
        The two days; what is dated on or after ``as_of`` was not used.
    """

    table: pd.DataFrame
    since: pd.Timestamp
    as_of: pd.Timestamp

    @property
    def text(self) -> str:
        """The changes in sentences, one a line."""
        if self.table.empty:
            return f"Nothing to tell since {say.day(self.since, self.as_of)}."
        return "\n".join(self.table["athlete"] + ": " + self.table["text"])

    def frame(self) -> pd.DataFrame:
        """Return the table."""
        return self.table.copy()

    def _repr_html_(self) -> str:
        heading = f"<p>Since {say.day(self.since, self.as_of)}, as of {self.as_of.date()}</p>"
        return heading + self.table[["kind", "athlete", "text"]].to_html(index=False)


def changes_since(view: LogView, since: pd.Timestamp | str, *, first: bool = False) -> Changes:
    """Compare a view with what the same forecaster says of an earlier day, in hindsight.

    ``first``: nothing was ever told, so that whoever is stuck is told however long it has been.
    Raises ``ForecastError`` if that is not a date, or not before the view's own, ``HistoryError``
    if no set is dated before it.
    """
    day = as_day(since, "since", HistoryError)
    if day >= view.as_of:
        raise ForecastError(
            f"since = {day.date()} is not before {view.as_of.date()}, the day looked at; give an "
            "earlier one."
        )
    model: Any = copy(view.model)
    model.hindsight = True
    before = snapshot(replace(view, model=model, cut=day))
    if first:
        before = replace(before, rungs=before.rungs.assign(stuck=False))
    return changes(before, snapshot(view, before), view.log.ladder)


def changes(before: Snapshot, now: Snapshot, ladder: Ladder) -> Changes:
    """Return what changed between two days of a club.

    A rung has one word at most. Chances are compared for one and the same date, twelve weeks after
    the earlier day. Where a forecast is right its chance p of a date so many weeks W ahead moves
    by chance alone, up or down, until it is 0 or 1 on that date: by p(1 - p) in variance, of which
    k weeks are a share of k / W (the variance of a martingale is the sum of its steps'). A move is
    told where it is three times the root of that and a tenth at least, or one half.

    Parameters
    ----------
    before, now
        The club on both days.
    ladder
        For names and units.

    Raises
    ------
    ForecastError
        The days are not in order.
    """
    if before.as_of >= now.as_of:
        raise ForecastError(
            f"{before.as_of.date()} is not before {now.as_of.date()}; give the earlier day first."
        )
    found = [
        row for make in (_of_athletes, _of_rungs, _of_log) for row in make(before, now, ladder)
    ]
    table = pd.DataFrame(found, columns=list(COLUMNS)).astype("str")
    place = {kind: i for i, kind in enumerate(KINDS)}
    table = table.assign(place=table["kind"].map(place)).sort_values(["place", "athlete", "rung"])
    return Changes(table[list(COLUMNS)].reset_index(drop=True), before.as_of, now.as_of)


Row = tuple[str, str, str, str, str]


def _of_athletes(before: Snapshot, now: Snapshot, ladder: Ladder) -> Iterator[Row]:
    was = before.athletes.set_index("athlete")
    names = {rung.key: rung.name for rung in ladder.rungs}
    for row in now.athletes.itertuples(index=False):
        if row.pain_on >= before.as_of:
            name = names[row.pain_rung]
            said = (
                f"pain of {row.pain:.0f} noted on {say.day(row.pain_on, now.as_of)} ({name}): stop "
                "what hurts, and refer to a licensed clinician."
            )
            yield "pain", row.athlete, row.pain_rung, name, said
        if row.athlete not in was.index:
            yield "came", row.athlete, "", "", f"came on {say.day(row.first_on, now.as_of)}."
        elif row.lapsed and not was.at[row.athlete, "lapsed"]:
            said = f"has probably left: no set since {say.day(row.last_on, now.as_of)}."
            yield "left", row.athlete, "", "", said
    for athlete in sorted(set(was.index) - set(now.athletes["athlete"])):
        yield "left", athlete, "", "", "is no longer in the log."


def _of_rungs(before: Snapshot, now: Snapshot, ladder: Ladder) -> Iterator[Row]:
    """One word a rung; rungs of one athlete that share a word are told together."""
    joined = now.rungs.merge(before.rungs, on=KEYS, how="left", suffixes=("", "_was"))
    joined["known"] = joined["state_was"].notna()
    joined["until"] = before.as_of + pd.Timedelta(weeks=WEEKS_AHEAD)
    joined["weeks"] = (now.as_of - before.as_of).days / 7.0
    joined["as_of"] = now.as_of
    words = [_word(row) for row in joined.itertuples(index=False)]
    told = joined.assign(kind=[word for word, _ in words], said=[said for _, said in words])
    told = told[told["kind"] != ""]
    apart = told["rung"].mask(told["kind"].isin(TOGETHER), "")
    for (athlete, kind, _), part in told.groupby(["athlete", "kind", apart], sort=False):
        each = (part["rung_name"] + " " + part["said"]).str.strip()
        keys, names = (", ".join(part[name]) for name in ("rung", "rung_name"))
        yield kind, athlete, keys, names, SENTENCES[kind].format(", ".join(each))


def _of_log(before: Snapshot, now: Snapshot, ladder: Ladder) -> Iterator[Row]:
    """Days before the earlier one that read otherwise now, or are gone, or came late."""
    old = now.days[now.days["date"] < before.as_of]
    keys = ["athlete", "date"]
    both = before.days.merge(old, on=keys, how="outer", suffixes=("_was", ""))
    both = both[
        ~both["athlete"].isin(set(now.athletes["athlete"]) - set(before.athletes["athlete"]))
    ]
    vanished, late = both["digest"].isna(), both["digest_was"].isna()
    edited = ~vanished & ~late & (both["digest"] != both["digest_was"])
    for what, rows in (("has vanished", vanished), ("was edited", edited), ("came late", late)):
        for athlete, part in both[rows].groupby("athlete"):
            days = [say.day(day, now.as_of) for day in part["date"].sort_values()]
            more = f" and {len(days) - MOST_DAYS} days more" if len(days) > MOST_DAYS else ""
            said = f"what was written of {', '.join(days[:MOST_DAYS])}{more} {what}."
            yield "log", str(athlete), "", "", said


TOGETHER = ("away", "back", "re-test", "cleared")
"""Words told once an athlete for all their rungs."""
SENTENCES = {
    "slipping": "{}",
    "flat": "{}",
    "away": "away from {}.",
    "re-test": "due for a re-test: {}.",
    "cleared": "cleared {}.",
    "moving again": "{}",
    "back": "back on {}.",
    "chance": "{}.",
}


def _word(row: Any) -> tuple[str, str]:
    """The most urgent word on a rung, and what is said with it; empty where there is none."""
    return next(((kind, said(row)) for kind, holds, said in RULES if holds(row)), ("", ""))


def _newly(state: str) -> Callable[[Any], bool]:
    return lambda row: row.state == state and row.stuck is True and row.stuck_was is not True


def _moving(row: Any) -> bool:
    return bool(row.stuck_was is True and row.state == CLIMBING)


def _moved(row: Any) -> bool:
    told = isinstance(row.chances_was, list) and isinstance(row.chances, list)  # not on hold
    if not row.known or not told or row.weeks >= WEEKS_AHEAD:
        return False
    was, is_now = _chances(row)
    noise = np.sqrt(was * (1.0 - was) * row.weeks / WEEKS_AHEAD)
    return bool(abs(is_now - was) > np.clip(NOISES * noise, LEAST_MOVE, GREAT_MOVE))


def _chances(row: Any) -> tuple[float, float]:
    """Chances of one date, twelve weeks after the earlier day: then and now."""
    return (
        chance_at(row.chances_was, WEEKS_AHEAD),
        chance_at(row.chances, WEEKS_AHEAD - row.weeks),
    )


def _why_moved(row: Any) -> str:
    was, is_now = _chances(row)
    sessions = row.sessions - row.sessions_was
    why = [f"{counted(round(sessions), 'session')} since" if sessions > 0 else "no session since"]
    if row.stands != row.stands_was and row.stands and row.stands_was:
        why.append(f"a usual day shows {row.stands} where it showed {row.stands_was}")
    rates = row.sessions_per_week, row.sessions_per_week_was
    if min(rates) > 0 and abs(np.log(rates[0] / rates[1])) > np.log(RATE_MOVED):
        why.append(f"{rates[0]:.1f} sessions a week after {rates[1]:.1f}")
    if row.wait_weeks > 2.0:
        why.append(f"last trained {row.wait_weeks:.0f} weeks ago")
    return (
        f"chance of clearing it by {say.day(row.until, row.as_of)} went from {say.percent(was)} to "
        f"{say.percent(is_now)} ({'; '.join(why)})"
    )


RULES: tuple[tuple[str, Callable[[Any], bool], Callable[[Any], str]], ...] = (
    ("cleared", lambda row: pd.notna(row.cleared_on) and pd.isna(row.cleared_on_was),
     lambda row: f"on {say.day(row.cleared_on, row.as_of)}"),
    ("re-test", lambda row: row.due and row.due_was is not True, lambda row: ""),
    ("away", lambda row: row.known and row.absent is True and row.absent_was is not True,
     lambda row: f"for {row.wait_weeks:.0f} weeks"),
    ("slipping", _newly(SLIPPING), lambda row: f"is slipping. {row.reason}"),
    ("flat", _newly(FLAT), lambda row: f"is flat. {row.reason}"),
    ("moving again", _moving, lambda row: f"is moving again. {row.reason}"),
    ("back", lambda row: row.absent_was is True and row.absent is False and row.state != CLEARED,
     lambda row: f"after {row.wait_weeks_was + row.weeks - row.wait_weeks:.0f} weeks"),
    ("chance", _moved, _why_moved),
)  # fmt: skip
"""Word, when it holds, and what is said; the first that holds is the one told."""
