"""What the cohort room is asked with and answers as: records, spells on one clock, groups."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass
from html import escape
from typing import Any, ClassVar

import numpy as np
import pandas as pd

from forecast.errors import HistoryError
from forecast.histories import CLEARED, Histories, build_histories
from forecast.inline import frame_html
from forecast.ladder import Ladder
from forecast.log import TrainingLog, as_day, checked_log

Records = TrainingLog | Histories

SINCE_COLUMN = "on_rung_since"
START_YEAR = "start_year"
DAYS = 7.0


class Shown:
    """A result that shows itself in a notebook: what it says, and the head of its table.

    ``_says`` is the function of ``words.cohort`` that makes sentences of it.
    """

    __slots__ = ()
    table: pd.DataFrame
    _says: ClassVar[Callable[[Any], str]]

    @property
    def text(self) -> str:
        """What the answer says, in sentences."""
        return type(self)._says(self)

    def frame(self) -> pd.DataFrame:
        """Return the answer as a table."""
        return self.table.copy()

    def _repr_html_(self) -> str:
        text = "".join(f"<p>{escape(line)}</p>" for line in self.text.splitlines())
        return text + frame_html(self.frame())


def stacked(tables: list[pd.DataFrame], columns: list[str]) -> pd.DataFrame:
    """Return tables below each other; an empty one with these columns where there is none."""
    return pd.concat(tables, ignore_index=True) if tables else pd.DataFrame(columns=columns)


def as_histories(records: Records, as_of: pd.Timestamp | str | None = None) -> Histories:
    """Return histories as they are, or made from a log with the usual lapse rule.

    Give histories built with the model's ``lapse_weeks`` where a model has another. Raises
    ``LogError`` if it is neither a log nor histories, ``HistoryError`` if the cut date is not a
    date, is another than that of the histories given, or no usable set lies before it.
    """
    if isinstance(records, Histories):
        if as_of is not None and as_day(as_of, "as_of", HistoryError) != records.as_of:
            raise HistoryError(
                f"These histories end on {records.as_of.date()}; to look as of {as_of}, give the "
                "log instead."
            )
        return records
    return build_histories(checked_log(records), as_of)


@dataclass(frozen=True, slots=True)
class SpellTimes:
    """Spells on a clock that starts with each athlete's first set on the rung.

    ``table`` has one row a spell that can be used: ``athlete, athlete_id, rung, rung_index,
    outcome``, ``entry`` (weeks from its beginning to when it came into the log, -1 where the log
    saw it begin), ``exit`` (weeks to its end) and ``cleared``. ``left_out`` are spells under way
    when the log began whose beginning nobody wrote down.
    """

    table: pd.DataFrame
    left_out: pd.DataFrame


def spell_times(histories: Histories) -> SpellTimes:
    """Put all spells on one clock; see ``SpellTimes`` for what becomes of those under way."""
    spells = histories.spells
    since = _known_since(histories)
    late = since.notna()
    kept = late | ~spells["under_way"]
    begin = since.where(late, spells["start"])
    shift = (spells["start"] - begin).dt.days / DAYS
    table = spells[["athlete", "athlete_id", "rung", "rung_index", "outcome"]].copy()
    table["entry"] = np.where(late, shift, -1.0)
    table["exit"] = spells["weeks"] + shift
    table["cleared"] = spells["outcome"] == CLEARED
    seen = table["exit"] > table["entry"]
    return SpellTimes(
        table=table[kept & seen].reset_index(drop=True),
        left_out=spells.loc[~(kept & seen), ["athlete", "rung", "outcome"]].reset_index(drop=True),
    )


def _known_since(histories: Histories) -> pd.Series:
    """Date on which each spell truly began, where the roster tells and it is the one meant.

    The roster has one date an athlete: that of the rung they were on when they entered the log,
    unless they were on several.
    """
    spells, noted = histories.spells, histories.roster.get(SINCE_COLUMN, pd.Series(dtype=object))
    # One by one, and never guessed: 03/04/2026 has no order of day and month of its own.
    dates = {
        who: as_day(cell, f"Roster, athlete {who!r}, column {SINCE_COLUMN}", HistoryError)
        for who, cell in noted.dropna().items()
    }
    written = spells["athlete"].map(dates).astype("datetime64[ns]")
    first = spells.groupby("athlete")["start"].transform("min")
    at_entry = (spells["start"] - first).dt.days < 14
    alone = at_entry.groupby(spells["athlete"]).transform("sum") == 1
    return written.where(at_entry & alone & (written < spells["start"]))


def group_of(histories: Histories, by: str, table: pd.DataFrame) -> pd.Series:
    """Return the group of each spell: its rung, a roster column, or the year of the first set.

    Raises ``HistoryError`` if the name is not a text, no column of the roster has it, or the column
    is known for nobody.
    """
    if not isinstance(by, str):
        raise HistoryError(f"by = {by!r}; give one column's name as text, such as 'rung'.")
    if by == "rung":
        return table["rung"]
    if by == START_YEAR:
        first = histories.sessions.groupby("athlete")["date"].min().dt.year
        return table["athlete"].map(first).astype("Int64")
    if by not in histories.roster.columns:
        choices = ", ".join(["rung", START_YEAR, *map(str, histories.roster.columns)])
        raise HistoryError(f"by = {by!r} is not a column of the roster; choose one of: {choices}.")
    values = table["athlete"].map(histories.roster[by])
    if values.notna().sum() == 0:
        raise HistoryError(f"Roster column {by!r} is empty for everybody in the log; fill it in.")
    return values


def group_names(ladder: Ladder, by: str, groups: pd.Series) -> dict[Hashable, str]:
    """Return what to call each group of ``group_of``: a rung's name, else the group itself."""
    if by == "rung":
        return {rung.key: rung.name for rung in ladder.rungs}
    return {group: str(group) for group in groups.dropna().unique()}
