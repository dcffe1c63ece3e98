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
    Athletes,
    ModelFile,
    OutFile,
    Read,
    Records,
    Seed,
    print_table,
    reading,
    viewing,
)
from forecast.commands.people import named, rows_of
from forecast.log import counted
from forecast.plateau import DEFAULT_FALSE_ALARMS, urgent_first
from forecast.readiness import AWAY, marked


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
    """Who needs a look: in pain, slipping, flat, paused or thinly logged, and since when."""
    records = read()
    names = named(athlete or [], records.log)
    with viewing(records, "Plateaus", saved=model, seed=seed) as view:
        states = view.plateaus(false_alarms_per_year=false_alarms)
    states = rows_of(states, names)
    told = f"States of {len(states)} open rungs"
    print_table(states, lambda console: _show(console, records, states), out, told)


def _show(console: Console, records: Records, states: pd.DataFrame) -> None:
    listed = marked(urgent_first(states), states)
    away = listed["mark"] == AWAY
    watched, rest = listed[~away], listed[away]
    console.print(
        f"{records.name}: of {counted(len(states), 'open rung')}, {len(watched)} to look at, "
        f"{len(states) - len(listed)} climbing as expected, {len(rest)} at rest while the athlete "
        "is away.\n",
        style="bold",
    )
    names = {rung.key: rung.name for rung in records.log.ladder.rungs}
    for row in watched.to_dict("records"):
        console.print(Text(f"{row['athlete']}, {names[row['rung']]}: {row['mark']}", "bold"))
        told = " ".join(part for part in (row["why"], row["next_step"]) if part)
        console.print(Padding(Text(told), (0, 0, 1, 4)))
    if len(rest):
        weeks = states.set_index(["athlete", "rung"])["wait_weeks"]
        said = [
            f"{athlete}, {names[rung]} ({weeks[athlete, rung]:.0f} weeks)"
            for athlete, rung in zip(rest["athlete"], rest["rung"], strict=True)
        ]
        console.print(Text("Away, no plateau but a pause", "bold"))
        console.print(Padding(Text("; ".join(said) + "."), (0, 0, 1, 4)))
    console.print(CAUTION)
