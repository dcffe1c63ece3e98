"""Two days of a club compared: each change once, what can't wait first."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from forecast import words
from forecast.changes.snapshot import WEEKS_AHEAD, Snapshot, snapshot
from forecast.errors import ForecastError, HistoryError
from forecast.histories import CLEARED
from forecast.inline import frame_html
from forecast.ladder import Ladder
from forecast.log import as_day
from forecast.readiness import LogView
from forecast.row import CLIMBING, FLAT, KEYS, SLIPPING

KINDS = (
    "pain", "slipping", "flat", "away", "left", "re-test", "cleared", "moving again", "back",
    "came", "log", "chance",
)  # fmt: skip
"""Kinds of changes, the most urgent first."""
COLUMNS = ("kind", "athlete", "rung", "rung_name", "text")
Line = tuple[str, str, str, str, str]
NOISES = 3.0
"""A chance has moved when it did so by more than so many times what it moves by itself: once in
some hundred rungs a week where nothing is behind it, were its moves normal."""
LEAST_MOVE, GREAT_MOVE = 0.1, 0.5
"""A move smaller than the one is not worth a word, one larger than the other always (judgement)."""
TOGETHER = ("away", "back", "re-test", "cleared")
"""Told once an athlete for all their rungs."""


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
            return words.changes.text("nothing", self.as_of, since=self.since)
        return "\n".join(self.table["athlete"] + ": " + self.table["text"])

    def frame(self) -> pd.DataFrame:
        """Return the table."""
        return self.table.copy()

    def _repr_html_(self) -> str:
        heading = words.changes.text("heading", self.as_of, since=self.since)
        return f"<p>{heading}</p>" + frame_html(self.table, "kind", "athlete", "text")


def changes_since(view: LogView, since: pd.Timestamp | str, *, first: bool = False) -> Changes:
    """Compare a view with what the same forecaster says of an earlier day, in hindsight.

    ``first``: nothing was ever told, so that whoever is stuck is told however long it has been.
    """
    day = as_day(since, "since", HistoryError)
    if day >= view.as_of:
        raise ForecastError(
            f"since = {day.date()} is not before {view.as_of.date()}, the day looked at; give an "
            "earlier one."
        )
    before = snapshot(looking_back(view, day))
    if first:
        before = replace(before, rungs=before.rungs.assign(stuck=False))
    return changes(before, snapshot(view, before), view.log.ladder)


def looking_back(view: LogView, day: pd.Timestamp) -> LogView:
    """Return what the same forecaster sees of an earlier day; its constants know what came."""
    return replace(view, model=view.model.in_hindsight(), cut=day)


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
    found = [*_of_athletes(before, now, ladder), *_of_rungs(before, now), *_of_log(before, now)]
    table = pd.DataFrame(found, columns=list(COLUMNS)).astype("str")
    place = {kind: i for i, kind in enumerate(KINDS)}
    table = table.assign(place=table["kind"].map(place)).sort_values(["place", "athlete", "rung"])
    return Changes(table[list(COLUMNS)].reset_index(drop=True), before.as_of, now.as_of)


def _of_athletes(before: Snapshot, now: Snapshot, ladder: Ladder) -> Iterator[Line]:
    was = before.athletes.set_index("athlete")
    names = {rung.key: rung.name for rung in ladder.rungs}
    for row in now.athletes.itertuples(index=False):
        if row.pain_on >= before.as_of:
            name = names[row.pain_rung]
            text = words.changes.text("pain", now.as_of, score=row.pain, day=row.pain_on, rung=name)
            yield "pain", row.athlete, row.pain_rung, name, text
        if row.athlete not in was.index:
            kind, day = "came", row.first_on
        elif row.lapsed and not was.at[row.athlete, "lapsed"]:
            kind, day = "left", row.last_on
        else:
            continue
        yield kind, row.athlete, "", "", words.changes.text(kind, now.as_of, day=day)
    for athlete in sorted(set(was.index) - set(now.athletes["athlete"])):
        yield "left", athlete, "", "", words.changes.text("gone", now.as_of)


def _of_rungs(before: Snapshot, now: Snapshot) -> Iterator[Line]:
    """One word a rung, the first that holds; those of one athlete may be told together."""
    both = now.rungs.merge(before.rungs, on=KEYS, how="left", suffixes=("", "_was"))
    weeks = (now.as_of - before.as_of).days / 7.0
    both["p_was"] = [_chance_at(one, WEEKS_AHEAD) for one in both["chances_was"]]
    both["p"] = [_chance_at(one, WEEKS_AHEAD - weeks) for one in both["chances"]]
    noise = np.sqrt(both["p_was"] * (1.0 - both["p_was"]) * weeks / WEEKS_AHEAD)
    moved = (both["p"] - both["p_was"]).abs() > np.clip(NOISES * noise, LEAST_MOVE, GREAT_MOVE)
    known, state = both["state_was"].notna(), both["state"]
    is_true = {name: both[name].eq(True) for name in
               ("due", "due_was", "absent", "absent_was", "stuck", "stuck_was")}  # fmt: skip
    newly = is_true["stuck"] & ~is_true["stuck_was"]
    present = both["absent"].eq(False)
    rules = {
        "cleared": both["cleared_on"].notna() & both["cleared_on_was"].isna(),
        "re-test": is_true["due"] & ~is_true["due_was"],
        "away": known & is_true["absent"] & ~is_true["absent_was"],
        "slipping": newly & (state == SLIPPING),
        "flat": newly & (state == FLAT),
        "moving again": is_true["stuck_was"] & (state == CLIMBING),
        "back": is_true["absent_was"] & present & (state != CLEARED),
        "chance": known & moved & (weeks < WEEKS_AHEAD),
    }
    kind = np.select([rule.to_numpy(bool) for rule in rules.values()], list(rules), "")
    told = both.assign(
        kind=kind,
        as_of=now.as_of,
        weeks=weeks,
        until=before.as_of + pd.Timedelta(weeks=WEEKS_AHEAD),
    )[kind != ""]
    told["said"] = [words.changes.of_rung(row) for row in told.itertuples(index=False)]
    apart = told["rung"].mask(told["kind"].isin(TOGETHER), "")
    for (athlete, kind, _), lines in told.groupby(["athlete", "kind", apart], sort=False):
        each = (lines["rung_name"] + " " + lines["said"]).str.strip()
        keys, names = (", ".join(lines[name]) for name in ("rung", "rung_name"))
        yield kind, athlete, keys, names, words.changes.of_rungs(kind, each)


def _of_log(before: Snapshot, now: Snapshot) -> Iterator[Line]:
    """Days before the earlier one that read otherwise now, or are gone, or came late."""
    old = now.days[now.days["date"] < before.as_of]
    both = before.days.merge(old, on=["athlete", "date"], how="outer", suffixes=("_was", ""))
    new = set(now.athletes["athlete"]) - set(before.athletes["athlete"])
    both = both[~both["athlete"].isin(new)]
    vanished, late = both["digest"].isna(), both["digest_was"].isna()
    edited = ~vanished & ~late & (both["digest"] != both["digest_was"])
    for what, rows in (("vanished", vanished), ("edited", edited), ("late", late)):
        for athlete, lines in both[rows].groupby("athlete"):
            text = words.changes.days(what, lines["date"].sort_values(), now.as_of)
            yield "log", str(athlete), "", "", text


def _chance_at(chances: object, weeks: float) -> float:
    """Return the chance of having cleared within so many weeks; missing under a hold."""
    if not isinstance(chances, list):
        return np.nan
    return float(np.interp(weeks, np.arange(len(chances) + 1), [0.0, *chances]))
