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
    Records,
    Seed,
    fitted_model,
    model_path,
    print_report,
    progress,
    reading,
    say,
)
from forecast.commands.kept_answer import Answer, keep_answer, read_answer
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
    answer = _kept(records, engine, horizon, seed) if model is save_model is None else None
    if answer is None:
        answer = _worked_out(records, engine, model, horizon, seed, save_model)
    result = _only(answer.forecast, names)
    others = [said for name, said in answer.nothing_open.items() if name in names or not names]
    if form is Format.table:
        print_report(
            lambda console: weeks_screen.show(
                console, records.name, records.log, answer.states, result, why=why, others=others
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


def _kept(records: Records, engine: Engine, horizon: int | None, seed: int | None) -> Answer | None:
    """Return what this was answered with when last asked, if it is kept and may be used."""
    path = None if records.fresh else model_path(records, horizon, seed)
    return None if path is None else read_answer(path, engine.value)


def _worked_out(
    records: Records,
    engine: Engine,
    saved: Path | None,
    horizon: int | None,
    seed: int | None,
    save_model: Path | None,
) -> Answer:
    """Return the answer of a saved, kept or new model; keep it where the model is kept."""
    with progress("Forecast") as step:
        fitted = fitted_model(records, step, saved=saved, horizon=horizon, seed=seed)
        if save_model is not None:
            say(f"Model written to {fitted.save(save_model)}.")
        view = fitted.view(records.log, records.as_of, progress=step)
        found = view.forecast(engine.value)
        others = nothing_open(records.log, view.histories, found.summary)
        answer = Answer(found, weeks_screen.states_shown(view, found), others)
    path = None if saved is not None else model_path(records, horizon, seed)
    if path is not None:
        keep_answer(path, answer)
    return answer


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
