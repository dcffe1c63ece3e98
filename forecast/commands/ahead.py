"""``ahead``: weeks until every rung still ahead is cleared, the top one last."""

from __future__ import annotations

from typing import Annotated

import pandas as pd
import typer
from rich.console import Console
from rich.table import Table
from rich.text import Text

from forecast import words
from forecast.commands.common import (
    Athletes,
    ModelFile,
    OutFile,
    Read,
    Seed,
    print_table,
    reading,
    viewing,
)
from forecast.commands.people import named, rows_of
from forecast.log import counted

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
    away: Annotated[
        bool, typer.Option("--away", help="List those away for long too, in full.")
    ] = False,
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
        open_rows = {row.key: row for row in view.rows}
    summary = rows_of(result.summary, names)
    gone = {row.athlete for row in open_rows.values() if row.is_away}
    listed = summary if away or names else summary[~summary["athlete"].isin(gone)]

    def show(console: Console) -> None:
        what = f"{counted(len(listed), 'rung')} ahead"
        people = listed["athlete"].nunique()
        console.print(
            words.screens.club_heading(records.name, what, people, result.as_of), style="bold"
        )
        table = Table(
            "Athlete", "Rung", "Usual day", "By 26 weeks", "Weeks", "Half by", "Note",
            box=None, padding=(0, 1, 0, 0), pad_edge=False,
        )  # fmt: skip
        before = ""
        for line in listed.to_dict("records"):
            row = open_rows.get((line["athlete"], line["rung"]))
            stands = "-" if row is None else words.for_coach(row).stands
            note = line["warnings"] if row is None else words.for_coach(row).state
            name = "" if line["athlete"] == before else line["athlete"]
            table.add_row(Text(name, "bold"), line["rung_name"], stands,
                          *_when(line, result.as_of, result.horizon_weeks), note)  # fmt: skip
            before = line["athlete"]
        console.print(table)
        note = words.screens.away_note([row for row in open_rows.values() if not names])
        console.print(f"\n{note}\n" if note and not away else "")
        for line in rows_of(result.target, sorted(set(listed["athlete"]))).to_dict("records"):
            console.print(f"{line['athlete']}: {line['text']}\n")
        console.print(words.CAUTION)

    print_table(summary, show, out, f"{counted(len(summary), 'rung')} ahead")


def _when(line: dict, as_of: pd.Timestamp, horizon: int) -> tuple[str, str, str]:
    """Return the chance by 26 weeks, the range in weeks, and by when half clear it."""
    if pd.notna(line["on_hold"]):
        return "-", words.ON_HOLD, ""
    low, high = line["weeks_low"], line["weeks_high"]
    half = words.say.half(line["date_mid"], low, high, horizon, as_of)
    return words.say.percent(line["p_26"]), words.say.span(low, high, horizon), half
