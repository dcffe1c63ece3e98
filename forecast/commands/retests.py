"""``retests``: rungs cleared once that have probably dropped below their mark since."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd
from rich.console import Console
from rich.table import Table

from forecast import ahead, words
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


@reading()
def retests(
    read: Read,
    seed: Seed = None,
    athlete: Athletes = None,
    out: OutFile = None,
    model: ModelFile = None,
) -> None:
    """Which cleared rungs are due for a re-test, and why; --out FILE.csv has all the cleared."""
    records = read()
    names = named(athlete or [], records.log)
    with viewing(records, "Re-tests", saved=model, seed=seed) as view:
        table = rows_of(ahead.retests(view), names)
    due = table[table["due"]].sort_values(["weeks_off", "athlete"])
    told = f"{len(due)} of {counted(len(table), 'cleared rung')} due for a re-test"

    def show(console: Console) -> None:
        console.print(f"{records.name}: {told}, as of {view.as_of.date()}\n", style="bold")
        measure = {rung.key: rung.criterion.measure for rung in records.log.ladder.rungs}
        shown = Table("Athlete", "Rung", "Usual day", "Weeks off", box=None, padding=(0, 2, 0, 0))
        for row in due.to_dict("records"):
            weeks = f"{row['weeks_off']:.0f}" if row["weeks_off"] >= 1 else "sets since show it"
            shown.add_row(row["athlete"], row["rung_name"], _stands(row, measure), weeks)
        if len(due):
            console.print(shown)
            console.print(f"\n{words.screens.RETESTS_LEGEND}\n")
        console.print(words.CAUTION)

    print_table(table, show, out, told)


def _stands(row: dict, measure: Mapping[str, str]) -> str:
    kind = measure[row["rung"]]
    shown = "-" if pd.isna(row["level_value"]) else words.say.value(row["level_value"], kind)
    return f"{shown} of {words.say.value(row['target'], kind)}"
