"""``backtest``: how good forecasts would have been, had they been made at past dates."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from forecast.backtest import backtest as run_backtest
from forecast.backtest import save_backtest
from forecast.commands.common import (
    Horizon,
    Read,
    Seed,
    cut_date,
    new_model,
    progress,
    reading,
    say,
)
from forecast.log import csv_bytes, visible, write_whole


@reading("sheet", "table", "as_of", "fresh")
def backtest(
    read: Read,
    cuts: Annotated[int, typer.Option("--cuts", min=1, help="Number of dates drawn blind.")] = 4,
    on: Annotated[
        list[str] | None, typer.Option("--on", help="A cut date of your own; may be repeated.")
    ] = None,
    baselines: Annotated[
        bool, typer.Option("--baselines/--no-baselines", help="Score the baselines too.")
    ] = True,
    horizon: Horizon = None,
    seed: Seed = None,
    scores: Annotated[
        Path | None, typer.Option("--scores", help="Write every score to this CSV file.")
    ] = None,
    keep: Annotated[
        Path | None, typer.Option("--keep", help="Keep the result in this file, for report.")
    ] = None,
) -> None:
    """Score the forecasts that would have been made at past dates against what came of them."""
    records = read()
    model = new_model(horizon, seed)
    dates = [day for day in map(cut_date, on or []) if day is not None]
    with progress("Backtest") as step:
        result = run_backtest(
            records.log,
            dates or cuts,
            model=model,
            baselines=baselines,
            horizon_weeks=model.horizon_weeks,
            seed=model.random_state,
            progress=step,
        )
    typer.echo(visible(f"{records.name}\n"))
    typer.echo(result.summary())
    if scores is not None:
        write_whole(scores, csv_bytes(result.scores))
        say(f"Scores written to {scores}.")
    if keep is not None:
        save_backtest(result, keep)
        say(f"The backtest is kept in {keep}; 'report --backtest' puts it on the analyst's page.")
