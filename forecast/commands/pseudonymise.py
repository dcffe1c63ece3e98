"""``pseudonymise``: a club to share, without names, notes and true dates."""

from __future__ import annotations

import secrets
from pathlib import Path
from typing import Annotated

import pandas as pd
import typer

from forecast.commands.common import ModelFile, Read, reading, say
from forecast.errors import ForecastError
from forecast.log import club_files, shift_days, write_all
from forecast.log import pseudonymise as shared_log
from forecast.model import load_model


@reading("fresh")
def pseudonymise(
    read: Read,
    out: Annotated[Path, typer.Option("--out", help="Folder to write the club to.")],
    key: Annotated[
        Path | None,
        typer.Option(
            "--key",
            help="A file of 16 bytes or more that you keep: the same key gives the same names and "
            "dates. Left out: a fresh one, kept nowhere.",
        ),
    ] = None,
    each: Annotated[
        bool,
        typer.Option(
            "--each", help="Move each athlete's dates by years of their own; no longer to forecast."
        ),
    ] = False,
    model: ModelFile = None,
) -> None:
    """Write a club to share: keyed names, no notes, dates moved; forecasts stay the same."""
    secret = secrets.token_bytes(32) if key is None else _key(key)
    if each and model is not None:
        raise ForecastError("--each and --model don't go together: a model has one calendar.")
    records = read(tell=False)
    shared = shared_log(records.log, secret, each=each)
    days = shift_days(secret)
    as_of = None if records.as_of is None or each else records.as_of - pd.Timedelta(days=days)
    fitted = None if model is None else load_model(model).dates_moved(days)
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ForecastError(f"{out} can't be made: {error.strerror}; name another.") from error
    paths = write_all(club_files(shared, out, as_of))
    if fitted is not None:
        paths.append(fitted.save(out / "model.zip"))
    for path in paths:
        typer.echo(path)
    say(
        "Names, notes and dates are gone; results, training days, body mass and age are as they "
        "were and may tell a person to who knows them. Look through the ladder's texts yourself."
    )


def _key(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except (OSError, ValueError) as error:
        raise ForecastError(f"The key {path} can't be read: {error}.") from error
