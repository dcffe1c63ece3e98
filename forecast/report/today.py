"""Today's sheet: who trains, on which rung, what to reach, and boxes to write the sets into."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
import pandas as pd

from forecast.ahead import retests
from forecast.log import csv_bytes
from forecast.readiness import LogView
from forecast.report.page import Table, render, shown
from forecast.row import KEYS
from forecast.words import pages

COLUMNS = [
    *KEYS, "rung_name", "more", "reach", "makes", "chance", "last", "state", "action", "fallback",
    "retest", "p_next_session",
]  # fmt: skip
BOXES = 6
"""Sets that an athlete's line on paper has room for."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """What each athlete does today.

    ``table`` has a line an athlete, most urgent first: ``athlete, rung, rung_name, more`` (open
    rungs beside it), ``reach, makes, chance, last, state, action, retest, fallback`` as a coach
    reads them (empty where there is nothing to say; no reach and no chance under a hold), and
    ``p_next_session``. ``as_of`` is the day of the sheet.
    """

    club: str
    as_of: pd.Timestamp
    table: pd.DataFrame

    def shown(self) -> Table:
        """Return the table under headings that people read."""
        names = ("athlete", "rung_name", "reach", "makes", "chance", "last", "state", "action")
        return shown(self.table, *names, caption="today")

    def _repr_html_(self) -> str:
        return self.shown()._repr_html_()

    def html(self) -> str:
        """Return the sheet as a page to print, with boxes for the sets."""
        title = pages.text("today", club=self.club)
        return render("today.html.j2", title=title, figures=(), sheet=self, boxes=BOXES)

    def csv(self) -> bytes:
        """Return the same lines to type sets into, as columns that ``read_log`` takes."""
        sets = {f"set {number}": "" for number in range(1, BOXES + 1)}
        table = self.table[["athlete"]].assign(date=self.as_of.date(), rung=self.table["rung_name"])
        return csv_bytes(table.assign(**sets, pain="", note=""))


def today(view: LogView, athletes: Collection[str] | None = None, *, club: str = "") -> Sheet:
    """Return today's sheet: a line an athlete, of the rung that needs the coach most.

    Parameters
    ----------
    view
        A log as a fitted forecaster sees it; its cut date is the day of the sheet.
    athletes
        Who comes, by name; whoever is not away for long where left out.
    club
        Name for the heading; the ladder's where left out.
    """
    rows = [row for row in view.rows if (row.athlete in athletes if athletes else not row.is_away)]
    due = retests(view)
    again = due[due["due"].astype(bool)].groupby("athlete")["rung_name"].agg(", ".join).to_dict()
    sessions = view.histories.sessions.sort_values("date", kind="stable")
    best = sessions.groupby(KEYS)["best"].last().to_dict()
    lines = []
    for row, more in pages.one_each(rows):
        words = pages.today(row, best.get(row.key))
        keys = {"athlete": row.athlete, "rung": row.rung.key, "rung_name": row.rung.name}
        chance = row.wait.next_session if row.wait else np.nan
        retest = again.get(row.athlete, "")
        lines.append({**keys, "more": more, **words, "retest": retest, "p_next_session": chance})
    return Sheet(club or view.log.ladder.name, view.as_of, pd.DataFrame(lines, columns=COLUMNS))
