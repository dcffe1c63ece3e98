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

from forecast import changes as compared
from forecast import words
from forecast.changes import Changes, Snapshot, snapshot
from forecast.commands import common
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
    def of(cls, records: common.Records, path: Path | None) -> Runs:
        """Return the runs kept in a file, or beside the club that was given."""
        if path is None and records.home is not None:
            path = records.home / KEPT
        return cls(path, [] if path is None else compared.read_kept(path))

    def before(self, as_of: pd.Timestamp) -> Snapshot | None:
        """Return the last run before a day."""
        return compared.last_before(self.kept, as_of)

    def changes(self, view: LogView, since: str | None) -> Changes:
        """Compare with a day, or else the last run, or else a week before."""
        before, day = self.before(view.as_of), common.cut_date(since)
        if day is None and before is not None:
            return compared.changes(before, snapshot(view, before), view.log.ladder)
        start = view.as_of - LOOK_BACK if day is None else day
        return compared.changes_since(view, start, first=day is None)


@common.reading()
def changes(
    read: common.Read,
    since: Since = None,
    kept: KeptFile = None,
    seed: common.Seed = None,
    athlete: common.Athletes = None,
    out: common.OutFile = None,
    model: common.ModelFile = None,
) -> None:
    """What changed since the last run: pain, stalls, absences, clearings, comings and goings."""
    records = read()
    names = common.named(athlete, records.log)
    runs = Runs.of(records, kept)
    if runs.path is None and since is None:
        raise ForecastError(
            "Log files without a club have no place for the last run's rows; give --since DATE, "
            "or --kept FILE."
        )
    with common.viewing(records, "Changes", saved=model, seed=seed) as view:
        found = runs.changes(view, since)
    found = replace(found, table=common.rows_of(found.table, names))
    told = f"{counted(len(found.table), 'change')} since {found.since.date()}"

    def show(console: Console) -> None:
        console.print(f"{records.name}: {told}, as of {found.as_of.date()}\n", style="bold")
        table = Table.grid(padding=(0, 1, 0, 0))
        for width in (12, 16, None):
            table.add_column(width=width)
        for row in found.table.itertuples(index=False):
            table.add_row(Text(row.kind, "bold"), row.athlete, Text(row.text))
        if len(found.table):
            console.print(table)
            console.print()
        console.print(words.CAUTION)

    if out is not None and out.suffix.casefold() == ".json":
        whole = {
            "since": str(found.since.date()),
            "as_of": str(found.as_of.date()),
            "caution": words.CAUTION,
            "changes": found.table.to_dict("records"),
        }
        write_whole(out, (json.dumps(whole, indent=1, ensure_ascii=False) + "\n").encode("utf-8"))
        common.say(f"{words.CAUTION}\n{told} written to {out}.")
    else:
        common.print_table(found.table, show, out, told)
    if since is None and runs.path is not None:
        now = snapshot(view, runs.before(view.as_of))
        compared.keep(runs.path, runs.kept, now)
