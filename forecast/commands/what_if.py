"""``what-if``: one athlete's ladder at other numbers of sessions a week; association, no cause."""

from __future__ import annotations

from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table

from forecast import ahead, words
from forecast.commands.ahead import HORIZON_AHEAD
from forecast.commands.common import (
    ModelFile,
    OutFile,
    Read,
    Seed,
    print_table,
    reading,
    viewing,
)
from forecast.commands.people import named


@reading()
def what_if(
    read: Read,
    athlete: Annotated[str, typer.Option("--athlete", help="Whose ladder; half a name will do.")],
    rates: Annotated[
        list[float] | None,
        typer.Option("--sessions-per-week", help="A rate; may be repeated. Left out: 2, 3 and 4."),
    ] = None,
    horizon: Annotated[
        int, typer.Option("--horizon", min=1, max=1040, help="Weeks to look ahead.")
    ] = HORIZON_AHEAD,
    seed: Seed = None,
    out: OutFile = None,
    model: ModelFile = None,
) -> None:
    """How one athlete's ladder would look at other rates of training: association, not cause."""
    records = read()
    (who,) = named([athlete], records.log)
    with viewing(records, "What if", saved=model, seed=seed) as view:
        found = ahead.what_if(
            view, athlete=who, sessions_per_week=rates or (2.0, 3.0, 4.0), horizon_weeks=horizon
        )
        held = {row.athlete for row in view.rows if row.hold}

    def show(console: Console) -> None:
        console.print(f"{records.name}: {who}, as of {view.as_of.date()}\n", style="bold")
        for name, rows in found.table.groupby("rung_name", sort=False):
            table = Table(
                "Sessions a week", "By 12 weeks", "By 26 weeks", "Weeks", title=str(name), box=None,
                title_justify="left", title_style="bold", padding=(0, 2, 0, 0),
            )  # fmt: skip
            for row in rows.to_dict("records"):
                rate = f"{row['sessions_per_week']:g}" + (" (as now)" if row["as_now"] else "")
                chances = (words.say.percent(row[by]) for by in ("p_12", "p_26"))
                span = words.say.span(row["weeks_low"], row["weeks_high"], horizon)
                table.add_row(rate, *chances, words.ON_HOLD if who in held else span)
            console.print(table)
            console.print()
        console.print(f"{found.warning}\n\n{words.CAUTION}")

    print_table(found.table, show, out, f"What if for {who}")
