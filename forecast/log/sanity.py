"""A look at a log as it was read: values by rung and athlete, and what a coach would ask about."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from forecast.log.cells import bare, clean_word, counted
from forecast.log.drafts import as_toml
from forecast.log.problems import Problem
from forecast.log.read import TrainingLog
from forecast.log.rows import SESSION

OF_MARK, OF_OTHERS, OTHERS = 5.0, 3.0, 3
"""A value is asked about at so many times its mark, or of the athlete's best in all other sessions
on the rung, where there are more than so many (judgements: people do leap, slips are tenfold)."""
FAR_BELOW, BEFORE = 0.5, 3
"""Asked about: a session that clears after so many that stayed below this share of the mark."""
NEVER_NEAR, NEVER_FAR, ENOUGH = 0.1, 10.0, 10
"""A rung of so many sets is asked about where all are below, or above, so many marks."""
COUNTED, TURNS = 0.95, 8
"""Values number the sets where this share of so many values, beside others of a session, does."""
JUMP, PAIRS, RARE = 0.13, 3, 0.1
"""How near to ten or a hundred times (log10) one file's values are to another's, pairs to be sure;
share of the sets of a name one letter apart, up to which a name may be a slip."""


@dataclass(frozen=True, slots=True)
class Sanity:
    """Flags: almost surely ``wrong``, single sets to look at ``first``, ``others`` to ask about."""

    wrong: tuple[Problem, ...] = ()
    first: tuple[Problem, ...] = ()
    others: tuple[Problem, ...] = ()


def look_through(log: TrainingLog) -> Sanity:
    """Look through a log as it was read; what the mapping calls ``right`` is not flagged."""
    marks = {rung.key: rung.criterion.target for rung in log.ladder.rungs}
    sets = log.sets.assign(mark=log.sets["rung"].map(marks).astype(float))
    if sets.empty:
        return Sanity()
    flags = [*_names(log), *_set_numbers(sets), *_jumps(sets), *_spellings(sets), *_far(sets)]
    flags = [flag for flag in [*flags, *_leaps(sets, log)] if flag.key not in log.right]
    kinds = (tuple(f for f in flags if f.kind == kind) for kind in ("wrong", "first", "look"))
    return Sanity(*kinds)


def as_read(log: TrainingLog) -> pd.DataFrame:
    """Return sets, median, range and three rows as they were read, by rung and athlete."""
    by = ["rung", "athlete"]
    groups = log.sets.groupby(by)
    values = groups["value"].agg(sets="size", median="median", low="min", high="max")
    place, size = groups.cumcount(), groups["value"].transform("size")
    few = log.sets[(place == 0) | (place == size // 2) | (place == size - 1)]
    shown = few["date"].dt.strftime("%Y-%m-%d: ") + few["value"].map("{:g}".format).astype("str")
    values["rows"] = shown.groupby([few[name] for name in by]).agg(
        lambda rows: "; ".join(dict.fromkeys(rows))
    )
    return values.reset_index()


def keys_of(flags: Sequence[Problem]) -> str:
    """Return the keys of flags as ``right`` takes them in a mapping."""
    return as_toml([flag.key for flag in flags])


def _flag(sure: Any, what: str, key: Any, count: Any, noun: str = "set", **facts: Any) -> Problem:
    facts["count"] = counted(int(count), noun)
    return Problem("wrong" if sure else "look", what, str(key), key=str(key), facts=facts)


def _names(log: TrainingLog) -> list[Problem]:
    """Athletes called like answers, or like rungs."""
    counts = log.sets["athlete"].value_counts().sort_index()
    names = counts.index.to_series().astype(object)
    words = names[(names.str.len() > 1) | ~names.str.isalnum()]  # A, F, N, 1 may be people
    answers = words.map(clean_word)
    answers = answers[[not isinstance(word, Problem) for word in answers]]
    rungs = {bare(text) for rung in log.ladder.rungs for text in (rung.key, rung.name)}
    alike = names[names.map(bare).isin(rungs)].index.difference(answers.index)
    return [
        *(_flag(answers.nunique() > 1, "named_answer", n, counts[n]) for n in answers.index),
        *(_flag(len(alike) > 1, "named_rung", n, counts[n]) for n in alike),
    ]


def _set_numbers(sets: pd.DataFrame) -> list[Problem]:
    """Files in which values count the sets of each session: 1, 2, 3."""
    listed = sets.sort_values(["file", "row", "set"], kind="stable")
    session = listed.groupby([*SESSION, "file"], sort=False)["value"]
    listed = listed.assign(turn=session.cumcount() + 1)[session.transform("size") > 1]
    files = (listed["value"] == listed["turn"]).groupby(listed["file"]).agg(["mean", "size"])
    files = files[(files["mean"] >= COUNTED) & (files["size"] >= TURNS)]
    return [_flag(True, "set_numbers", file, n, "value") for file, n in files["size"].items()]


def _jumps(sets: pd.DataFrame) -> list[Problem]:
    """Pairs of files in which values of the same people differ ten- or a hundredfold."""
    some = sets[sets["value"] > 0].groupby([*SESSION, "file"], as_index=False)["value"].median()
    some = some.sort_values(["athlete", "rung", "date"], kind="stable")
    before = some.groupby(["athlete", "rung"])[["file", "value"]].shift()
    moved = before["file"].notna() & (before["file"] != some["file"])
    if not moved.any():
        return []
    power = np.log10(some["value"] / before["value"])
    ordered = before["file"] < some["file"]  # the same two files, in either order
    files = [
        before["file"].where(ordered, some["file"]),
        some["file"].where(ordered, before["file"]),
    ]
    table = power.where(ordered, -power)[moved].groupby([one[moved] for one in files])
    table = table.agg(["median", "size"])
    far = table["median"].abs()
    table = table[((far - far.round()).abs() <= JUMP) & far.round().between(1, 2)]
    return [
        _flag(pairs >= PAIRS, "jump", " and ".join(pair), pairs, "time", ratio=10 ** round(abs(by)))
        for pair, by, pairs in table[table["size"] > 1].itertuples()
    ]


def _spellings(sets: pd.DataFrame) -> list[Problem]:
    """Rare names that are one letter from a common one, and never train on the same day as it."""
    counts, days = sets["athlete"].value_counts(), sets.groupby("athlete")["date"].agg(frozenset)
    names = pd.DataFrame({"name": counts.index.astype(object), "sets": counts.to_numpy()})
    names["plain"] = names["name"].map(bare)
    # two names one letter apart share a spelling with a letter left out (symmetric deletion)
    names["cut"] = names["plain"].map(lambda t: [t, *(t[:n] + t[n + 1 :] for n in range(len(t)))])
    cuts = names[names["plain"].str.len() > 3].explode("cut")
    pairs = cuts.merge(cuts, on="cut", suffixes=("", "_often"))
    pairs = pairs[(pairs["sets"] <= RARE * pairs["sets_often"])
                  & (pairs["plain"] != pairs["plain_often"])]  # fmt: skip
    pairs = pairs.drop_duplicates(["name", "name_often"])
    return [
        _flag(False, "spelling", one, counts[one], other=often)
        for one, often in zip(pairs["name"], pairs["name_often"], strict=True)
        if days[one].isdisjoint(days[often])
    ]


def _far(sets: pd.DataFrame) -> list[Problem]:
    """Rungs whose marks nobody comes near, or everybody is far above."""
    rungs = (sets["value"] / sets["mark"]).groupby(sets["rung"]).agg(["size", "min", "max"])
    far = (rungs["max"] < NEVER_NEAR) | (rungs["min"] > NEVER_FAR)
    return [
        _flag(False, "never_near", key, count, low=low, high=high)
        for key, count, low, high in rungs[far & (rungs["size"] >= ENOUGH)].itertuples()
    ]


def _leaps(sets: pd.DataFrame, log: TrainingLog) -> list[Problem]:
    """Single sets far above the mark or all others, and sessions that clear from far below."""
    valid = sets["value"].where(sets["clean"] & ~sets["assisted"])
    best = (
        sets.assign(valid=valid).groupby(SESSION, as_index=False)[["value", "valid", "mark"]].max()
    )
    keys = [best["athlete"], best["rung"]]
    history = best.groupby(["athlete", "rung"])["value"]
    top, is_top = history.transform("max"), best["value"] == history.transform("max")
    second = best["value"].where(~is_top).groupby(keys).transform("max")
    others = second.where(is_top & (is_top.groupby(keys).transform("sum") == 1), top)
    best["before"] = history.cummax().groupby(keys).shift()
    alone = [rung.key for rung in log.ladder.rungs if rung.criterion.confirm_sessions == 1]
    slip = (history.transform("size") > OTHERS) & (best["value"] > OF_OTHERS * others + 1)
    slip |= (best["value"] >= OF_MARK * best["mark"]) & ~(best["value"] <= OF_OTHERS * others)
    leap = (best["valid"] >= best["mark"]) & (best["before"] < FAR_BELOW * best["mark"])
    leap &= (history.cumcount() >= BEFORE) & best["rung"].isin(alone)
    best["kind"] = np.select([slip, leap], ["far_above", "leap"], "")
    at = sets.drop_duplicates([*SESSION, "value"]).set_index([*SESSION, "value"])[["file", "row"]]
    best = best.assign(times=best["value"] / best["mark"], day=best["date"].dt.date)
    asked = best[best["kind"] != ""].join(at, on=[*SESSION, "value"])
    return [
        Problem(
            "first", row["kind"], key="{athlete} {day} {rung} {value:g}".format_map(row),
            facts=row, file=row["file"], row=row["row"],
        )
        for row in asked.to_dict("records")
    ]  # fmt: skip
