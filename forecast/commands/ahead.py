"""``ahead``: weeks until every rung still ahead is cleared, the top one last."""

from __future__ import annotations

from typing import Annotated

import pandas as pd
import typer
from rich.console import Console
from rich.text import Text

from forecast.ahead import LadderAhead
from forecast.commands import weeks_screen
from forecast.commands.common import (
    CAUTION,
    Athletes,
    ModelFile,
    OutFile,
    Read,
    Records,
    Seed,
    print_table,
    reading,
    viewing,
)
from forecast.commands.people import named, rows_of
from forecast.log import counted
from forecast.readiness import PAIN, marked, with_usual

HORIZON_AHEAD = 260


@reading()
def ahead(
    read: Read,
    horizon: Annotated[
        int, typer.Option("--horizon", min=1, max=1040, help="Weeks to look ahead.")
    ] = HORIZON_AHEAD,
    by: Annotated[
        str | None, typer.Option("--by", help="Also: the top of the ladder by this date?")
    ] = None,
    seed: Seed = None,
    athlete: Athletes = None,
    out: OutFile = None,
    model: ModelFile = None,
) -> None:
    """Weeks until each athlete clears every rung still ahead, the top one last."""
    records = read()
    names = named(athlete or [], records.log)
    with viewing(records, "Ladder ahead", saved=model, seed=seed) as view:
        result = view.ladder_ahead(horizon_weeks=horizon, target_date=by)
    summary = rows_of(result.summary, names)
    told = f"{len(summary)} rungs ahead"
    shown = with_usual(summary, view.histories, records.log.ladder)
    shown = marked(shown, view.plateaus())
    print_table(summary, lambda console: _show(console, records, result, shown), out, told)


def _show(console: Console, records: Records, result: LadderAhead, summary: pd.DataFrame) -> None:
    what = f"{counted(len(summary), 'rung')} ahead"
    weeks_screen.heading(console, records.name, what, summary, result.as_of)
    console.print("Chances of clearing in %, counted from that day.\n")
    weeks_screen.lines(console, records.log, summary, result.as_of, result.horizon_weeks, _note)
    mark_of = dict(zip(summary["athlete"], summary["mark"], strict=True))
    for row in result.target.to_dict("records"):
        if row["athlete"] in mark_of:
            held = mark_of[row["athlete"]] == PAIN
            said = f"{weeks_screen.ON_HOLD}, pain is noted." if held else row["text"]
            console.print(f"{row['athlete']}: {said}\n")
    console.print(weeks_screen.legend(result.horizon_weeks))
    console.print(CAUTION)


def _note(row: dict) -> Text:
    said = weeks_screen.notes(row)
    return Text(f"Note: {said}." if said else "", "bold yellow")
