"""``weeks``: how many weeks until each open rung is cleared, and why."""

from __future__ import annotations

from dataclasses import replace
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from forecast.commands import weeks_files, weeks_screen
from forecast.commands.common import (
    CAUTION,
    Athletes,
    Engine,
    EngineOption,
    Horizon,
    ModelFile,
    OutFile,
    Read,
    Seed,
    fitted_model,
    print_report,
    progress,
    reading,
    say,
)
from forecast.commands.people import named, nothing_open, rows_of
from forecast.errors import ForecastError
from forecast.log import write_whole
from forecast.readiness import ReadinessForecast


class Format(StrEnum):
    """How the forecast is written."""

    table = "table"
    csv = "csv"
    json = "json"
    parquet = "parquet"


@reading()
def weeks(
    read: Read,
    horizon: Horizon = None,
    engine: EngineOption = Engine.pool,
    seed: Seed = None,
    athlete: Athletes = None,
    why: Annotated[
        bool, typer.Option("--why", help="Chances by 4 to 26 weeks too, and the reasons.")
    ] = False,
    form: Annotated[
        Format | None,
        typer.Option("--format", help="Left out: by the ending of --out, else table."),
    ] = None,
    out: OutFile = None,
    model: ModelFile = None,
    save_model: Annotated[
        Path | None, typer.Option("--save-model", help="Save the fitted model (a .zip).")
    ] = None,
) -> None:
    """Weeks until each athlete clears the next rung: a line each, most urgent first."""
    form = _format(form, out)
    records = read()
    names = named(athlete or [], records.log)
    with progress("Forecast") as step:
        fitted = fitted_model(records, step, saved=model, horizon=horizon, seed=seed)
        if save_model is not None:
            say(f"Model written to {fitted.save(save_model)}.")
        view = fitted.view(records.log, records.as_of, progress=step)
        whole = view.forecast(engine.value)
    result = _only(whole, names)
    others = nothing_open(records.log, view.histories, whole.summary, names)
    if form is Format.table:
        print_report(
            lambda console: weeks_screen.show(
                console, records.name, view, result, why=why, others=others
            ),
            out,
        )
        _said(result, out)
        return
    content = weeks_files.WRITERS[form.value](result)
    if out is None:
        typer.echo(content, nl=False)
    else:
        write_whole(out, content)
    _said(result, out)
    say("\n".join([*others, CAUTION]))


def _said(result: ReadinessForecast, out: Path | None) -> None:
    if out is not None:
        say(f"Forecast of {len(result.summary)} open rungs written to {out}.")


def _format(form: Format | None, out: Path | None) -> Format:
    if form is None:
        endings = {".csv": Format.csv, ".json": Format.json, ".parquet": Format.parquet}
        form = endings.get(out.suffix.casefold() if out else "", Format.table)
    if form is Format.parquet and out is None:
        raise ForecastError("A Parquet file can't go to the screen; name it with --out FILE.")
    return form


def _only(result: ReadinessForecast, names: list[str]) -> ReadinessForecast:
    """Keep the athletes named, all where none is."""
    return replace(
        result,
        summary=rows_of(result.summary, names),
        curve=rows_of(result.curve, names),
        reasons=rows_of(result.reasons, names),
    )
