"""A ladder drafted from a log: its exercises, what each counts, and likely marks."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import get_args

import numpy as np
import pandas as pd

from forecast.errors import LogError
from forecast.ladder import Criterion, Ladder, Measure, Rung
from forecast.log.cells import bare, show
from forecast.log.club import ladder_text
from forecast.log.draft import draft
from forecast.log.drafts import as_toml
from forecast.log.mapping import header_meaning, load_mapping
from forecast.log.problems import say
from forecast.log.read import opening, read_log
from forecast.log.roles import RungNames, profile
from forecast.log.shapes import EMPTY, is_day
from forecast.log.sources import Source, open_sources

__all__ = ["ACROSS", "LikelyRung", "as_toml", "draft_ladder", "exercise_places", "likely_text"]
ACROSS = "(headers)"
"""Where exercises stand that are each a column."""
OTHER = {"seconds": "reps", "reps": "seconds", "kg": "reps", "cm": "seconds"}
MOST_RUNGS, HIGHER, BOTH = 60, 1.25, 2 / 3
"""Exercises drafted at most; the mark of a rung that nobody left is so many times the best shown;
a rung needs the one before where this share of those on both began it later (judgements)."""


@dataclass(frozen=True, slots=True)
class LikelyRung:
    """A rung as drafted; ``sure`` where the cells allow only its measure."""

    rung: Rung
    sure: bool
    sets: int
    athletes: int
    low: float
    high: float

    def marked(self, measure: Measure | None = None, target: float | None = None) -> LikelyRung:
        """Return the rung with another measure or mark, or with its own, as somebody said."""
        mark = self.rung.criterion
        given = Criterion(measure or mark.measure, target or mark.target)
        return replace(self, rung=replace(self.rung, criterion=given), sure=True)


def exercise_places(source: Source, sheet: str | Sequence[str] | None) -> dict[str, list[str]]:
    """Return the names of exercises by where they may stand: headers, ``(sheet)``, ``ACROSS``.

    One place alone where a header or the shape says so; errors as in ``read_log``.
    """
    raws = open_sources(source, opening(load_mapping(None), EMPTY, sheet, None))
    told: dict[str, Counter[str]] = {}
    likely: dict[str, Counter[str]] = {}
    across: dict[str, None] = {}
    nothing = RungNames(EMPTY)
    for raw in raws:
        for header in raw.cells.columns:
            column, means = raw.cells[header], header_meaning(header)
            cells = profile(column, nothing)
            free = means is None and not re.search(r"\d", header)
            often = cells.words > 0.9 and cells.often > 1.5 and cells.answers < 0.5
            if means == "rung" or (free and often):
                place = told if means == "rung" else likely
                place.setdefault(header, Counter()).update(map(show, column[~raw.blank]))
            elif free and max(cells.numbers, cells.telling) > 0.5 and cells.dates < 0.5:
                across[header] = None
    places = {header: [n for n in names if n] for header, names in (told or likely).items()}
    tabs = list(dict.fromkeys(raw.sheet for raw in raws if raw.sheet))
    if told or len(tabs) < 2:
        return places if told or len(across) < 2 else places | {ACROSS: list(across)}
    if all(sum(map(is_day, raw.cells.columns)) > 1 for raw in raws):
        return {"(sheet)": tabs}
    return places | ({ACROSS: list(across)} if len(across) > 1 else {}) | {"(sheet)": tabs}


def draft_ladder(
    source: Source, place: str, names: Sequence[str], sheet: str | Sequence[str] | None
) -> tuple[LikelyRung, ...]:
    """Draft the rungs of a log whose exercises have these names in a place, the lowest first.

    Each has the measure that most of its cells can be read in, and as its mark what athletes who
    went on to another had shown at best. Raises ``LogError`` where nothing can be read.
    """
    keys: dict[str, str] = {}
    for name in names[:MOST_RUNGS]:
        keys.setdefault(re.sub(r"\W+", "_", bare(name)).strip("_") or f"rung_{len(keys)}", name)
    trials = {
        m: Ladder("Trial", tuple(Rung(k, n, "", Criterion(m, 10.0)) for k, n in keys.items()))
        for m in get_args(Measure)
    }
    given = {"columns": {"rung": place}} if place != ACROSS else {}
    guessed = draft(source, trials["reps"], mapping=given, sheet=sheet).guessed()
    guessed.pop("units", None)  # units of headers tell the measures
    if "athlete" not in guessed.setdefault("columns", {}):
        guessed.setdefault("read", {}).setdefault("athlete", "?")
    readings = {
        m: read_log(source, one, mapping=guessed, sheet=sheet).sets for m, one in trials.items()
    }
    counts = pd.DataFrame({m: sets["rung"].value_counts() for m, sets in readings.items()})
    counts = counts.reindex(list(keys)).fillna(0)
    tied = counts.eq(counts.max(axis=1), axis=0)
    values = readings["seconds"].groupby("rung")["value"]
    rounded = (values.median() >= 10) & (values.agg(lambda v: (v % 5 == 0).mean()) > 0.5)
    # measures that read as many cells: round numbers are seconds, others reps
    as_reps = tied["reps"] & ~rounded.reindex(tied.index, fill_value=False)
    chosen = tied.idxmax(axis=1).mask(as_reps, "reps")
    sets = pd.concat([r[r["rung"].map(chosen) == m] for m, r in readings.items()])
    if sets.empty:
        raise LogError("Nothing in this log can be read without its ladder; give it with --ladder.")
    days = (sets["date"] - sets["date"].min()).dt.days.astype(float)
    first = days.groupby([sets["athlete"], sets["rung"]]).min().unstack()
    order = first.rank(axis=1).mean().sort_values(kind="stable").index
    first = first[order]
    best = sets["value"].where(sets["clean"] & ~sets["assisted"])
    shown = best.groupby([sets["athlete"], sets["rung"]]).max().unstack().reindex_like(first)
    left = first.T[::-1].cummax().T[order].gt(first) & shown.notna()  # a later rung was begun
    totals = sets.groupby("rung").agg(
        sets=("value", "size"), athletes=("athlete", "nunique"), low=("value", "min"),
        high=("value", "max"),
    )  # fmt: skip
    rungs = []
    for n, key in enumerate(order):
        gone = shown[key][left[key]]
        mark = gone.median() if len(gone) > 1 else HIGHER * totals["high"][key]
        step = 5 if mark >= 10 else 1
        criterion = Criterion(chosen[key], float(max(step * np.ceil(mark / step - 0.5), 1)))
        both = first[[order[n - 1], key]].dropna()
        later = n > 0 and len(both) and (both[key] > both[order[n - 1]]).mean() >= BOTH
        rung = Rung(key, keys[key], "", criterion, (order[n - 1],) if later else ())
        sure = bool(tied.loc[key].sum() == 1)
        rungs.append(LikelyRung(rung, sure, *totals.astype(object).loc[key]))
    return tuple(rungs)


def likely_text(ladder: Ladder, rungs: Sequence[LikelyRung]) -> str:
    """Return a drafted ladder as TOML; a measure that nothing tells is a question behind ``#``."""
    head, *blocks = ladder_text(ladder).split("\n\n")
    for n, one in enumerate(rungs):
        line = f'measure = "{one.rung.criterion.measure}"'
        asked = say("measure_open", line=line, other=OTHER[one.rung.criterion.measure])
        blocks[n] = blocks[n] if one.sure else blocks[n].replace(line, asked)
    return "\n\n".join([head, *blocks])
