"""``audit``: whether the pass marks and the order of the rungs are right."""

from __future__ import annotations

from rich.console import Console

from forecast import words
from forecast.cohort import as_histories, criterion_audit
from forecast.commands.common import OutFile, Read, print_table, reading
from forecast.log import counted


@reading("fresh")
def audit(read: Read, out: OutFile = None) -> None:
    """Are the pass marks right? What margins and the weeks after them say; --out FILE.csv."""
    records = read()
    histories = as_histories(records.log, records.as_of)
    found = criterion_audit(histories)

    def show(console: Console) -> None:
        console.print(f"{records.name}: audit, as of {histories.as_of.date()}\n", style="bold")
        console.print(f"{found.text}\n\n{words.CAUTION}")

    told = f"Audit of {counted(len(found.rungs) - 1, 'rung')}"
    print_table(found.frame(), show, out, told)
