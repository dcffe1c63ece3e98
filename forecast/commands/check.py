"""``check``: what was understood of a log, what was not, and how to mend it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from forecast.commands.common import (
    Read,
    reading,
    say,
)
from forecast.log import describe_log, write_rejected
from forecast.log.cells import visible


@reading("as_of")
def check(
    read: Read,
    rejected: Annotated[
        Path | None, typer.Option("--rejected", help="Write the rejected rows: .csv or .xlsx.")
    ] = None,
) -> None:
    """Say what was understood of a log, what was not, and how to mend it."""
    records = read(tell=False)  # the account below has it
    typer.echo(visible(f"{records.name}\n\n{describe_log(records.log).text}"))
    if rejected is not None:
        say(f"Rejected rows written to {write_rejected(records.log, rejected)}.")
