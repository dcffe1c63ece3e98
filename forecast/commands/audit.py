"""``audit``: whether the pass marks and the order of the rungs are right."""

from __future__ import annotations

from rich.console import Console

from forecast import words
from forecast.cohort import criterion_audit
from forecast.commands.common import (
    ModelFile,
    OutFile,
    Read,
    Seed,
    print_table,
    reading,
    viewing,
)
from forecast.log import counted


@reading()
def audit(read: Read, seed: Seed = None, out: OutFile = None, model: ModelFile = None) -> None:
    """Are the pass marks right? What another mark would do; --out FILE.csv, a row a step."""
    records = read()
    with viewing(records, "Audit", saved=model, seed=seed) as view:
        found = criterion_audit(view)

    def show(console: Console) -> None:
        console.print(f"{records.name}: audit, as of {view.as_of.date()}\n", style="bold")
        console.print(f"{found.text}\n\n{words.CAUTION}")

    print_table(found.frame(), show, out, f"Audit of {counted(len(found.rungs), 'step')}")
