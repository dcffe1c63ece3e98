"""``cohort``: which rung is slow and which hard, who is quick, and who stops."""

from __future__ import annotations

from collections.abc import Hashable
from typing import Any

import pandas as pd
from rich.console import Console
from rich.table import Table

from forecast import words
from forecast.cohort import bottlenecks, lapse_hazard, lapse_incidence, pace_and_difficulty
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

LEGEND = (
    "\nWeeks at risk a clearing: all weeks that anybody had the rung in hand, for each time it was "
    "cleared. Flat: share of those weeks without a gain that matters."
)


@reading()
def cohort(read: Read, seed: Seed = None, out: OutFile = None, model: ModelFile = None) -> None:
    """Which rung holds people up, which is hard, and who stops; --out FILE.csv, a row a rung."""
    records = read()
    with viewing(records, "Cohort", saved=model, seed=seed) as view:
        slow, pace = bottlenecks(view), pace_and_difficulty(view)
        stopped = lapse_incidence(view.histories), lapse_hazard(view)
    hard = pace.rungs[["rung", "gain", "gain_low", "gain_high", "weeks", "weeks_low", "weeks_high"]]
    renamed = {name: f"average_{name}" for name in hard.columns if name != "rung"}
    table = slow.frame().merge(hard.rename(columns=renamed), on="rung")

    def show(console: Console) -> None:
        console.print(f"{records.name}: the cohort, as of {view.as_of.date()}\n", style="bold")
        console.print(_rungs(table))
        console.print(LEGEND)
        for found in (slow, pace, *stopped):
            console.print(f"\n{found.text}")
        console.print(f"\n{words.CAUTION}")

    print_table(table, show, out, f"Cohort table of {counted(len(table), 'rung')}")


def _rungs(table: pd.DataFrame) -> Table:
    """A line a rung, slowest first."""
    shown = Table(
        "Rung", "Spells", "Cleared", "Weeks at risk a clearing", "Half by week", "Flat", "Lapsed",
        box=None, padding=(0, 2, 0, 0),
    )  # fmt: skip
    for row in table.sort_values("weeks_per_clearing", ascending=False).to_dict("records"):
        shown.add_row(
            row["rung_name"], str(row["spells"]), str(row["cleared"]),
            _number(row["weeks_per_clearing"]), _half_by(row),
            _number(100 * row["flat_share"], " %"), _number(100 * row["lapse_share"], " %"),
        )  # fmt: skip
    return shown


def _number(value: float, unit: str = "") -> str:
    return "-" if pd.isna(value) else f"{value:.0f}{unit}"


def _half_by(row: dict[Hashable, Any]) -> str:
    """The week by which half had cleared; beyond the weeks watched where fewer than half had."""
    if pd.isna(row["median_weeks"]) and not pd.isna(row["watched_weeks"]):
        return f"> {row['watched_weeks']:.0f}"
    return _number(row["median_weeks"])
