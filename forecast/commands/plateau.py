"""``plateau``: who is flat, slipping, paused or in pain, since when, and what usually helps."""

from __future__ import annotations

from typing import Annotated

import pandas as pd
import typer
from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from forecast.commands.common import (
    CAUTION,
    AsOf,
    Athletes,
    LadderFile,
    MappingFile,
    ModelFile,
    OrderOption,
    OutFile,
    Paths,
    Records,
    RosterFile,
    Seed,
    SheetOption,
    TableOption,
    fitted_model,
    print_report,
    progress,
    read_records,
    rows_of,
    say,
)
from forecast.log.writing import csv_bytes, write_whole
from forecast.plateau import urgent_first
from forecast.plateau.table import DEFAULT_FALSE_ALARMS


def plateau(
    paths: Paths,
    ladder: LadderFile = None,
    mapping: MappingFile = None,
    roster: RosterFile = None,
    date_order: OrderOption = None,
    sheet: SheetOption = None,
    table: TableOption = None,
    as_of: AsOf = None,
    false_alarms: Annotated[
        float,
        typer.Option("--false-alarms", help="False alarms a year of training to put up with."),
    ] = DEFAULT_FALSE_ALARMS,
    seed: Seed = None,
    athlete: Athletes = None,
    out: OutFile = None,
    model: ModelFile = None,
) -> None:
    """Who needs a look: in pain, slipping, flat, paused or thinly logged, and since when."""
    records = read_records(
        paths,
        ladder=ladder,
        mapping=mapping,
        roster=roster,
        date_order=date_order,
        sheet=sheet,
        table=table,
        as_of=as_of,
    )
    with progress("Plateaus") as step:
        fitted = fitted_model(records, step, saved=model, horizon=None, seed=seed)
        states = fitted.plateaus(records.log, records.as_of, false_alarms_per_year=false_alarms)
    states = rows_of(states, athlete or [])
    if out is not None and out.suffix.casefold() == ".csv":
        write_whole(out, csv_bytes(states))
        say(CAUTION)
    else:
        print_report(lambda console: _show(console, records, states), out)
    if out is not None:
        say(f"States of {len(states)} open rungs written to {out}.")


def _show(console: Console, records: Records, states: pd.DataFrame) -> None:
    watched = urgent_first(states)
    climbing = len(states) - len(watched)
    console.print(
        f"{records.name}: {len(watched)} of {len(states)} open rungs need a look; {climbing} climb "
        "as they should.\n",
        style="bold",
    )
    names = {rung.key: rung.name for rung in records.log.ladder.rungs}
    for row in watched.to_dict("records"):
        console.print(Text(f"{row['athlete']}, {names[row['rung']]}: {row['state']}", "bold"))
        told = " ".join(part for part in (row["why"], row["next_step"]) if part)
        console.print(Padding(Text(told), (0, 0, 1, 4)))
    console.print(CAUTION)
