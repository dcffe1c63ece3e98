"""``report``: pages for coach, analyst and athlete."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from forecast.commands.common import (
    CAUTION,
    HORIZON_WEEKS,
    SEED,
    AsOf,
    Horizon,
    LadderFile,
    MappingFile,
    OrderOption,
    Paths,
    RosterFile,
    Seed,
    SheetOption,
    TableOption,
    progress,
    read_records,
    say,
)
from forecast.errors import ForecastError
from forecast.model import ReadinessForecaster, load_model


class Reader(StrEnum):
    """For whom a page is."""

    coach = "coach"
    analyst = "analyst"
    athlete = "athlete"


def report(
    paths: Paths,
    out: Annotated[Path, typer.Option("--out", help="Folder to write the pages to.")],
    who: Annotated[
        list[Reader] | None, typer.Option("--who", help="For whom; may be repeated; all if not.")
    ] = None,
    notes: Annotated[
        bool, typer.Option("--notes", help="Show athletes the notes written beside their sets.")
    ] = False,
    ladder: LadderFile = None,
    mapping: MappingFile = None,
    roster: RosterFile = None,
    date_order: OrderOption = None,
    sheet: SheetOption = None,
    table: TableOption = None,
    as_of: AsOf = None,
    horizon: Horizon = None,
    seed: Seed = None,
    model: Annotated[
        Path | None, typer.Option("--model", help="Use a saved model instead of fitting one.")
    ] = None,
) -> None:
    """Write pages for coach, analyst and athletes, to mail or print; they load nothing."""
    # Altair takes seconds to load; the other commands do without it.
    from forecast.report import READERS, write_report

    if model is not None and not (horizon is seed is None):
        raise ForecastError("--model brings its own --horizon and --seed; leave them out.")
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
    with progress("Report") as step:
        if model is not None:
            fitted = load_model(model)
        else:
            fitted = ReadinessForecaster(
                horizon_weeks=HORIZON_WEEKS if horizon is None else horizon,
                random_state=SEED if seed is None else seed,
            )
            fitted.fit(records.log, records.as_of, progress=step)
        pages = write_report(
            records.log,
            fitted,
            records.as_of,
            who=[reader.value for reader in who] if who else READERS,
            out=out,
            club=records.name,
            notes=notes,
            progress=step,
        )
    for page in pages:
        typer.echo(page)
    say(CAUTION)
