"""``report``: pages for coach, analyst and athlete."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import pandas as pd
import typer

from forecast import words
from forecast.backtest import BacktestResult, load_backtest
from forecast.commands.changes import KeptFile, Runs, Since
from forecast.commands.common import Horizon, ModelFile, Read, Seed, reading, say, viewing
from forecast.errors import ForecastError
from forecast.log import TrainingLog


class Reader(StrEnum):
    """For whom a page is."""

    coach = "coach"
    analyst = "analyst"
    athlete = "athlete"


@reading()
def report(
    read: Read,
    out: Annotated[Path, typer.Option("--out", help="Folder to write the pages to.")],
    who: Annotated[
        list[Reader] | None, typer.Option("--who", help="For whom; may be repeated; all if not.")
    ] = None,
    notes: Annotated[
        bool, typer.Option("--notes", help="Show athletes the notes written beside their sets.")
    ] = False,
    backtest: Annotated[
        Path | None,
        typer.Option("--backtest", help="A result of backtest --keep, for the analyst's page."),
    ] = None,
    single_file: Annotated[
        bool, typer.Option("--single-file", help="Keep each page whole, to be mailed alone.")
    ] = False,
    horizon: Horizon = None,
    seed: Seed = None,
    model: ModelFile = None,
    since: Since = None,
    kept: KeptFile = None,
) -> None:
    """Write pages for coach, analyst and athletes, to open or print without a network."""
    # Altair takes seconds to load; the other commands do without it.
    from forecast.report import READERS, write_report

    records = read()
    trust = None if backtest is None else _of_these(load_backtest(backtest), records.log, backtest)
    runs = Runs.of(records, kept)
    with viewing(records, "Report", saved=model, horizon=horizon, seed=seed) as view:
        told = runs.changes(view, since) if since or runs.before(view.as_of) else None
        pages = write_report(
            view,
            who=[reader.value for reader in who] if who else READERS,
            out=out,
            club=records.name,
            trust=trust,
            notes=notes,
            changes=told,
            single_file=single_file,
            progress=view.progress,
        )
    for page in pages:
        typer.echo(page)
    say(words.CAUTION)


def _of_these(result: BacktestResult, log: TrainingLog, path: Path) -> BacktestResult:
    """Refuse a backtest of other records: none of its athletes and rungs is in the log."""
    asked = pd.MultiIndex.from_frame(result.outcomes[["athlete", "rung"]])
    if not asked.isin(pd.MultiIndex.from_frame(log.sets[["athlete", "rung"]])).any():
        raise ForecastError(
            f"The backtest {path} is of other records: this log has none of its athletes on the "
            "same rung; run backtest --keep on this log."
        )
    return result
