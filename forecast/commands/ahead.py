"""``ahead``: weeks until every rung still ahead is cleared, the top one last."""

from __future__ import annotations

from typing import Annotated

import pandas as pd
import typer
from rich.console import Console
from rich.text import Text

from forecast.ahead import LadderAhead
from forecast.commands import weeks_screen
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
from forecast.log.cells import counted
from forecast.log.writing import csv_bytes, write_whole

HORIZON_AHEAD = 260


def ahead(
    paths: Paths,
    ladder: LadderFile = None,
    mapping: MappingFile = None,
    roster: RosterFile = None,
    date_order: OrderOption = None,
    sheet: SheetOption = None,
    table: TableOption = None,
    as_of: AsOf = None,
    horizon: Annotated[
        int, typer.Option("--horizon", min=1, max=1040, help="Weeks to look ahead.")
    ] = HORIZON_AHEAD,
    by: Annotated[
        str | None, typer.Option("--by", help="Also: the top of the ladder by this date?")
    ] = None,
    seed: Seed = None,
    athlete: Athletes = None,
    out: OutFile = None,
    model: ModelFile = None,
) -> None:
    """Weeks until each athlete clears every rung still ahead, the top one last."""
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
    with progress("Ladder ahead") as step:
        fitted = fitted_model(records, step, saved=model, horizon=None, seed=seed)
        result = fitted.ladder_ahead(
            records.log, records.as_of, horizon_weeks=horizon, target_date=by
        )
    summary = rows_of(result.summary, athlete or [])
    if out is not None and out.suffix.casefold() == ".csv":
        write_whole(out, csv_bytes(summary))
        say(CAUTION)
    else:
        print_report(lambda console: _show(console, records, result, summary), out)
    if out is not None:
        say(f"{len(summary)} rungs ahead written to {out}.")


def _show(console: Console, records: Records, result: LadderAhead, summary: pd.DataFrame) -> None:
    what = f"{counted(len(summary), 'rung')} ahead"
    weeks_screen.heading(console, records.name, what, summary, result.as_of)
    console.print("Chances of clearing in %, counted from that day.\n")
    weeks_screen.lines(console, records.log, summary, result.as_of, result.horizon_weeks, _note)
    for row in result.target.to_dict("records"):
        if row["athlete"] in set(summary["athlete"]):
            console.print(f"{row['athlete']}: {row['text']}\n")
    console.print(weeks_screen.legend(result.horizon_weeks))
    console.print(CAUTION)


def _note(row: dict) -> Text:
    said = weeks_screen.notes(row)
    return Text(f"Note: {said}." if said else "", "bold yellow")
