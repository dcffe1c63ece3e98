"""``check``: what was understood of a log, what was not, and how to mend it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from forecast.commands.common import (
    LadderFile,
    MappingFile,
    OrderOption,
    Paths,
    RosterFile,
    SheetOption,
    TableOption,
    read_records,
    say,
)
from forecast.log import describe_log, write_rejected
from forecast.log.cells import visible


def check(
    paths: Paths,
    ladder: LadderFile = None,
    mapping: MappingFile = None,
    roster: RosterFile = None,
    date_order: OrderOption = None,
    sheet: SheetOption = None,
    table: TableOption = None,
    rejected: Annotated[
        Path | None, typer.Option("--rejected", help="Write the rejected rows: .csv or .xlsx.")
    ] = None,
) -> None:
    """Say what was understood of a log, what was not, and how to mend it."""
    records = read_records(
        paths,
        ladder=ladder,
        mapping=mapping,
        roster=roster,
        date_order=date_order,
        sheet=sheet,
        table=table,
        tell=False,  # the account below has it
    )
    typer.echo(visible(f"{records.name}\n\n{describe_log(records.log).text}"))
    if rejected is not None:
        say(f"Rejected rows written to {write_rejected(records.log, rejected)}.")
