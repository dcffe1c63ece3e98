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
from forecast.errors import ForecastError
from forecast.ladder_file import read_ladder
from forecast.log import describe_log, draft_mapping, load_mapping, write_rejected
from forecast.log.cells import counted, visible
from forecast.log.writing import write_whole


def _draft(
    path: Path,
    paths: list[str],
    ladder: str | None,
    mapping: str | None,
    date_order: OrderOption,
    sheet: str | None,
    table: str | None,
) -> str:
    """Write the draft, say how many questions are in it, and return its path as a mapping."""
    if ladder is None:
        raise ForecastError("--draft goes with log files and --ladder FILE.")
    text = draft_mapping(
        paths,
        read_ladder(ladder),
        mapping=load_mapping(mapping),
        date_order=date_order.value if date_order else None,
        table=table,
        sheet=sheet,
    )
    write_whole(path, text.encode("utf-8"))
    asked = sum(line.startswith("# ") and " = " in line for line in text.splitlines())
    say(f"Mapping drafted to {path}, with {counted(asked, 'question')} (lines that begin with #).")
    return str(path)


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
    if draft is not None:
        mapping = _draft(draft, paths, ladder, mapping, date_order, sheet, table)
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
