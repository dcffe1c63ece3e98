"""``retests``: rungs cleared once that have probably dropped below their mark since."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table

from forecast import ahead
from forecast.commands.common import (
    CAUTION,
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
from forecast.commands.weeks_screen import stands_at, units_of
from forecast.log import counted

LEGEND = (
    "\nShortest away first. Stands at: what a usual day would show now, and the pass mark. Weeks "
    "off: without a set on any rung, beyond ordinary rest. Come back gradually.\n"
)


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
    due = table[table["due"]]
    told = f"{len(due)} of {counted(len(table), 'cleared rung')} due for a re-test"

    def show(console: Console) -> None:
        console.print(f"{records.name}: {told}, as of {view.as_of.date()}\n", style="bold")
        units = units_of(records.log)
        shown = Table("Athlete", "Rung", "Stands at", "Weeks off", box=None, padding=(0, 2, 0, 0))
        for row in due.sort_values(["weeks_off", "athlete"]).to_dict("records"):
            weeks = f"{row['weeks_off']:.0f}" if row["weeks_off"] >= 1 else "sets since show it"
            shown.add_row(row["athlete"], row["rung_name"], stands_at(row, units), weeks)
        if len(due):
            console.print(shown)
            console.print(LEGEND)
        console.print(CAUTION)

    print_table(table, show, out, told)
