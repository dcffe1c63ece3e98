"""The record every other room reads: the sets that were understood, and all that was not."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import pandas as pd

from forecast.errors import LogError
from forecast.ladder import Ladder
from forecast.log.days import as_day


@dataclass(frozen=True, slots=True)
class TrainingLog:
    """Sets, one row each, with everything set aside and why.

    Attributes
    ----------
    sets
        One row a set with the columns of ``SET_COLUMNS``, sorted by athlete, date, rung, set.
    rejected
        One row for each source row that is not in ``sets`` (exact duplicates too, with
        ``kind == "duplicate"``); columns ``REJECTED_COLUMNS``.
    warnings
        Sentences about what was understood in one of several ways, or is worth a look.
    roster
        One row an athlete, index ``athlete``, any covariates; empty where none was given.
    ladder
        The ladder the log was read against.
    rows_in
        Number of data rows in the source; always ``len(sets) + len(rejected)``.
    """

    sets: pd.DataFrame
    rejected: pd.DataFrame
    warnings: tuple[str, ...]
    roster: pd.DataFrame
    ladder: Ladder
    rows_in: int
    understood: tuple[str, ...] = field(default=())

    @property
    def athletes(self) -> list[str]:
        """Names of the athletes with at least one set, sorted."""
        return sorted(self.sets["athlete"].unique())

    def _repr_html_(self) -> str:
        days = self.sets["date"].agg(["min", "max"]).dt.date
        span = f", {days.iloc[0]} to {days.iloc[1]}" if len(self.sets) else ""
        return (
            f"<p>{len(self.sets)} sets of {len(self.athletes)} athletes{span}; "
            f"{len(self.rejected)} of {self.rows_in} rows set aside (.rejected)</p>"
        )

    def before(self, as_of: pd.Timestamp | str) -> TrainingLog:
        """Return the log as it stood before ``as_of``: nothing dated on or after that day.

        ``rejected`` and ``rows_in`` stay those of the source: most of these rows have no date.
        Raises ``LogError`` if ``as_of`` is not a date.
        """
        day = as_day(as_of, "as_of", LogError)
        return replace(self, sets=self.sets[self.sets["date"] < day].reset_index(drop=True))


def checked_log(log: object) -> TrainingLog:
    """Return the log given, or raise ``LogError`` where it is something else, such as a club."""
    if isinstance(log, TrainingLog):
        return log
    raise LogError(
        f"A {type(log).__name__} was given where a log is needed; give what read_log returned, or "
        "the .log of what read_club returned."
    )
