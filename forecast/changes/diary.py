"""The diary: what was forecast on each day, kept beside the club, and what came of it."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from forecast import words
from forecast.errors import ForecastError
from forecast.histories import PASSED_OVER, Histories
from forecast.log import write_whole
from forecast.row import KEYS, Row

DIARY = "diary.csv"
COLUMNS = {
    "as_of": "datetime64[ns]", "athlete": "str", "rung": "str", "sessions": "int64",
    "per_week": "float64", "p_8": "float64", "date_mid": "datetime64[ns]",
}  # fmt: skip
LOOK_AHEAD = 8
"""Weeks ahead of the chance that is held against what came."""
A_WHILE = pd.Timedelta(days=5)
"""Between a forecast and the earlier one it is compared with, at least (judgement)."""
BINS = (0.0, 0.2, 0.4, 0.6, 0.8, 1.0)


def entries(rows: Sequence[Row], as_of: pd.Timestamp) -> pd.DataFrame:
    """Return a day's lines of the diary: chance and date missing where nothing ahead is given."""
    lines = [
        (as_of, *row.key, row.seen.sessions, row.seen.per_week,
         row.wait.chances[LOOK_AHEAD] if row.wait else np.nan,
         row.wait.dates[1] if row.wait else pd.NaT)
        for row in rows
    ]  # fmt: skip
    return pd.DataFrame(lines, columns=list(COLUMNS)).astype(COLUMNS)


def read_diary(path: Path) -> pd.DataFrame:
    """Return the diary in a file, empty where there is none.

    Raises ``ForecastError`` if it holds something else.
    """
    try:
        text = path.read_text(encoding="utf-8") if path.exists() else ",".join(COLUMNS)
        kept = pd.read_csv(io.StringIO(text), dtype={"athlete": "str", "rung": "str"})
        kept = kept[list(COLUMNS)].astype(COLUMNS)
        if not kept["p_8"].dropna().between(0, 1).all() or kept[["as_of", *KEYS]].isna().any(
            axis=None
        ):
            raise ValueError
    except (OSError, ValueError, KeyError) as error:
        raise ForecastError(
            f"{path} does not hold a diary of forecasts; move it away, and a new one is begun."
        ) from error
    return kept


def keep_entries(path: Path, rows: Sequence[Row], as_of: pd.Timestamp) -> None:
    """Add a day's forecasts behind those kept; a day that is there already stays as it was."""
    kept = read_diary(path)
    if not (kept["as_of"] == as_of).any() and rows:
        day = entries(rows, as_of).round({"per_week": 2, "p_8": 4})
        before = path.read_bytes() if path.exists() else (",".join(COLUMNS) + "\n").encode()
        added = day.to_csv(header=False, index=False, lineterminator="\n").encode("utf-8")
        write_whole(path, before + added)


def came(diary: pd.DataFrame, histories: Histories) -> pd.DataFrame:
    """Return the entries due by the cut of the histories, with ``due``, ``cleared_on, came``.

    Whoever had stopped logging by then without clearing is left out: it is not known what would
    have come. So is a rung that was passed over, or is no longer in the log.
    """
    spells = histories.spells
    spells = spells.loc[spells["outcome"] != PASSED_OVER, [*KEYS, "cleared_on"]]
    sets = pd.concat([histories.sets, histories.after_clearing])
    last = sets.groupby("athlete")["date"].max()
    table = diary.dropna(subset="p_8").merge(spells, on=KEYS)
    table["due"] = table["as_of"] + pd.Timedelta(weeks=LOOK_AHEAD)
    table["came"] = table["cleared_on"] <= table["due"]
    ended = table["cleared_on"].notna() & (table["cleared_on"] < table["as_of"])
    silent = (table["due"] - last.reindex(table["athlete"]).to_numpy()).dt.days
    usual = histories.lapse_after.reindex(table["athlete"]).to_numpy(float)
    followed = table["came"] | (silent <= usual)
    return table[(table["due"] <= histories.as_of) & followed & ~ended].reset_index(drop=True)


def came_true(due: pd.DataFrame) -> pd.DataFrame:
    """Return, by what was said, how many came true: ``said, expected, n, came``."""
    said = pd.cut(due["p_8"], list(BINS), include_lowest=True, labels=list(BINS[:-1]))
    groups = due.groupby(said, observed=True)
    table = groups.agg(expected=("p_8", "mean"), n=("came", "size"), came=("came", "sum"))
    table = table.rename_axis("low").reset_index()
    table["said"] = [words.changes.said(float(low), float(low) + 0.2) for low in table["low"]]
    return table[["said", "expected", "n", "came"]]


def in_words(due: pd.DataFrame, name: str = "came_true") -> str:
    """Return how often what was said came true: ``came_true`` of forecasts kept, ``hindsight``."""
    return words.changes.diary(came_true(due), due["as_of"].min(), LOOK_AHEAD, name)


def own_diary(due: pd.DataFrame, histories: Histories) -> dict[str, str]:
    """Return of each athlete what was said some weeks ago, and what came of it, in a sentence."""
    names = {rung.key: rung.name for rung in histories.ladder.rungs}
    latest = due.assign(rung_name=due["rung"].map(names)).sort_values("as_of", kind="stable")
    latest = latest[latest["as_of"] == latest.groupby("athlete")["as_of"].transform("max")]
    return {
        str(athlete): words.changes.looked_back(lines, histories.as_of)
        for athlete, lines in latest.groupby("athlete")
    }


def moved(diary: pd.DataFrame, rows: Sequence[Row], as_of: pd.Timestamp) -> dict[tuple, str]:
    """Return by athlete and rung how far the date moved since an earlier day, and why."""
    days = diary.loc[diary["as_of"] <= as_of - A_WHILE, "as_of"]
    if days.empty:
        return {}
    before = diary[diary["as_of"] == days.max()].set_index(KEYS)
    return {
        row.key: words.changes.moved_by(row, before.loc[row.key])
        for row in rows
        if row.key in before.index and row.wait and not row.is_away
    }
