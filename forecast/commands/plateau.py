"""``plateau``: triage: who is in pain, slipping, flat, or lacks form, since when, and what next."""

from __future__ import annotations

from typing import Annotated

import typer
from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from forecast import words
from forecast.commands.common import (
    Athletes,
    ModelFile,
    OutFile,
    Read,
    Seed,
    print_table,
    reading,
    viewing,
)
from forecast.commands.people import named
from forecast.log import counted
from forecast.plateau import DEFAULT_FALSE_ALARMS
from forecast.result import states_table
from forecast.row import TRIAGE, most_urgent_first


@reading()
def plateau(
    read: Read,
    false_alarms: Annotated[
        float,
        typer.Option("--false-alarms", help="False alarms a year of training to put up with."),
    ] = DEFAULT_FALSE_ALARMS,
    seed: Seed = None,
    athlete: Athletes = None,
    out: OutFile = None,
    model: ModelFile = None,
) -> None:
    """Who needs a look: pain, slipping, flat, form first; since when, and what next."""
    records = read()
    names = named(athlete or [], records.log)
    with viewing(records, "Plateaus", saved=model, seed=seed) as view:
        rows = view.rows_of("pool", false_alarms_per_year=false_alarms)
    rows = tuple(row for row in rows if not names or row.athlete in names)

    def show(console: Console) -> None:
        console.print(words.screens.triage_heading(records.name, rows), style="bold")
        console.print()
        for row in most_urgent_first(rows):
            if row.state not in TRIAGE:
                continue
            said = words.for_coach(row)
            console.print(Text(f"{row.athlete}, {row.rung.name}: {said.state}", "bold"))
            console.print(Padding(Text(f"{said.why} {said.next_step}"), (0, 0, 1, 4)))
        console.print(words.CAUTION)

    told = f"States of {counted(len(rows), 'open rung')}"
    print_table(states_table(rows), show, out, told)
