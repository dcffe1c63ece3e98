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
from forecast.errors import ForecastError
from forecast.ladder_file import read_ladder
from forecast.log import (
    counted,
    describe_log,
    draft_mapping,
    load_mapping,
    visible,
    write_rejected,
    write_whole,
)


def _draft(path: Path, read: Read) -> str:
    """Write the draft, say how many questions are in it, and return its path as a mapping."""
    asked = dict(read.keywords)
    if asked["ladder"] is None:
        raise ForecastError("--draft goes with log files and --ladder FILE.")
    order = asked["date_order"]
    text = draft_mapping(
        asked["paths"],
        read_ladder(asked["ladder"]),
        mapping=load_mapping(asked["mapping"]),
        date_order=order.value if order else None,
        table=asked["table"],
        sheet=asked["sheet"],
    )
    write_whole(path, text.encode("utf-8"))
    questions = sum(line.startswith("# ") and " = " in line for line in text.splitlines())
    asked_of_you = counted(questions, "question")
    say(f"Mapping drafted to {path}, with {asked_of_you} (lines that begin with #).")
    return str(path)


@reading("as_of", "fresh")
def check(
    read: Read,
    rejected: Annotated[
        Path | None, typer.Option("--rejected", help="Write the rejected rows: .csv or .xlsx.")
    ] = None,
    draft: Annotated[
        Path | None,
        typer.Option(
            "--draft",
            help="Write a whole mapping here: columns and words that are sure, questions about "
            "the rest. Answer them, then give it as --mapping.",
        ),
    ] = None,
) -> None:
    """Say what was understood of a log, what was not, and how to mend it."""
    drafted = {} if draft is None else {"mapping": _draft(draft, read)}
    records = read(tell=False, **drafted)  # the account below has it
    typer.echo(visible(f"{records.name}\n\n{describe_log(records.log).text}"))
    if rejected is not None:
        say(f"Rejected rows written to {write_rejected(records.log, rejected)}.")
