"""``changes``: what changed since the last run, or since a date; what can't wait first."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated

import pandas as pd
import typer
from rich.console import Console
from rich.table import Table
from rich.text import Text

from forecast import words
from forecast.changes import (
    Changes,
    Snapshot,
    changes_since,
    keep,
    last_before,
    read_kept,
    snapshot,
)
from forecast.changes import changes as compare
from forecast.commands.common import (
    Athletes,
    ModelFile,
    OutFile,
    Read,
    Records,
    Seed,
    cut_date,
    print_table,
    reading,
    say,
    viewing,
)
from forecast.commands.people import named, rows_of
from forecast.errors import ForecastError
from forecast.log import counted, write_whole
from forecast.readiness import LogView

KEPT = "last_run.json"
LOOK_BACK = pd.Timedelta(weeks=1)
"""How far the first run looks back, when there is none before it."""

Since = Annotated[
    str | None, typer.Option("--since", help="Compare with this day instead of the last run.")
]
KeptFile = Annotated[
    Path | None,
    typer.Option("--kept", help=f"File of the last run's rows; {KEPT} beside the club file."),
]


@dataclass(frozen=True)
class Runs:
    """The runs before this one, and the file they are kept in, if any."""

    path: Path | None
    kept: list[Snapshot]

    @classmethod
    def of(cls, records: Records, path: Path | None) -> Runs:
        """Return the runs kept in a file, or beside the club that was given."""
        if path is None and records.home is not None:
            path = records.home / KEPT
        return cls(path, [] if path is None else read_kept(path))

    def before(self, as_of: pd.Timestamp) -> Snapshot | None:
        """Return the last run before a day."""
        return last_before(self.kept, as_of)

    def changes(self, view: LogView, since: str | None) -> Changes:
        """Compare with a day, or else the last run, or else a week before."""
        before = self.before(view.as_of)
        if since is not None or before is None:
            day = cut_date(since) if since is not None else view.as_of - LOOK_BACK
            return changes_since(view, day if day is not None else view.as_of, first=since is None)
        return compare(before, snapshot(view, before), view.log.ladder)

    def keep(self, view: LogView) -> None:
        """Keep this run's rows for the next one."""
        if self.path is not None:
            keep(self.path, self.kept, snapshot(view, self.before(view.as_of)))


@reading()
def changes(
    read: Read,
    since: Since = None,
    kept: KeptFile = None,
    seed: Seed = None,
    athlete: Athletes = None,
    out: OutFile = None,
    model: ModelFile = None,
) -> None:
    """What changed since the last run: pain, stalls, absences, clearings, comings and goings."""
    records = read()
    names = named(athlete or [], records.log)
    runs = Runs.of(records, kept)
    if runs.path is None and since is None:
        raise ForecastError(
            "Log files without a club have no place for the last run's rows; give --since DATE, "
            "or --kept FILE."
        )
    with viewing(records, "Changes", saved=model, seed=seed) as view:
        found = runs.changes(view, since)
    found = replace(found, table=rows_of(found.table, names))
    told = f"{counted(len(found.table), 'change')} since {found.since.date()}"
    if out is not None and out.suffix.casefold() == ".json":
        write_whole(out, _as_json(found))
        say(f"{words.CAUTION}\n{told} written to {out}.")
    else:
        print_table(found.table, lambda console: _show(console, records.name, found), out, told)
    if since is None:
        runs.keep(view)


def _as_json(found: Changes) -> bytes:
    whole = {
        "since": str(found.since.date()),
        "as_of": str(found.as_of.date()),
        "caution": words.CAUTION,
        "changes": found.table.to_dict("records"),
    }
    return (json.dumps(whole, indent=1, ensure_ascii=False) + "\n").encode("utf-8")


def _show(console: Console, name: str, found: Changes) -> None:
    what = counted(len(found.table), "change")
    days = f"since {found.since.date()}, as of {found.as_of.date()}"
    console.print(f"{name}: {what} {days}\n", style="bold")
    table = Table.grid(padding=(0, 1, 0, 0))
    table.add_column(width=12)
    table.add_column(width=16)
    table.add_column()
    for row in found.table.itertuples(index=False):
        table.add_row(Text(row.kind, "bold"), row.athlete, Text(row.text))
    if len(found.table):
        console.print(table)
        console.print()
    console.print(words.CAUTION)
