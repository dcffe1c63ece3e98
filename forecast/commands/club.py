"""``plateau``, ``cohort``, ``audit``: who needs a look, which rungs are slow, and the marks."""

from __future__ import annotations

from typing import Annotated

import pandas as pd
import typer
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from forecast import words
from forecast.commands import common
from forecast.log import counted
from forecast.plateau import DEFAULT_FALSE_ALARMS
from forecast.result import states_table
from forecast.row import TRIAGE, most_urgent_first


@common.reading()
def plateau(
    read: common.Read,
    false_alarms: Annotated[
        float,
        typer.Option("--false-alarms", help="False alarms a year of training to put up with."),
    ] = DEFAULT_FALSE_ALARMS,
    seed: common.Seed = None,
    athlete: common.Athletes = None,
    out: common.OutFile = None,
    model: common.ModelFile = None,
) -> None:
    """Who needs a look: pain, slipping, flat, form first; since when, and what next."""
    records = read()
    names = common.named(athlete, records.log)
    with common.viewing(records, "Plateaus", saved=model, seed=seed) as view:
        rows = view.rows_of("pool", false_alarms_per_year=false_alarms)
    rows = tuple(row for row in rows if not names or row.athlete in names)

    def show(console: Console) -> None:
        console.print(f"{words.screens.triage_heading(records.name, rows)}\n", style="bold")
        for row in most_urgent_first(rows):
            if row.state in TRIAGE:
                told = words.for_coach(row)
                console.print(Text(f"{row.athlete}, {row.rung.name}: {told.state}", "bold"))
                console.print(Padding(Text(f"{told.why} {told.next_step}"), (0, 0, 1, 4)))
        console.print(words.CAUTION)

    common.print_table(
        states_table(rows), show, out, f"States of {counted(len(rows), 'open rung')}"
    )


@common.reading()
def cohort(
    read: common.Read,
    seed: common.Seed = None,
    out: common.OutFile = None,
    model: common.ModelFile = None,
) -> None:
    """Which rung holds people up, which is hard, and who stops; --out FILE.csv, a row a rung."""
    # Takes seconds to load; the other commands do without it.
    from forecast.cohort import bottlenecks, lapse_hazard, lapse_incidence, pace_and_difficulty

    records = read()
    with common.viewing(records, "Cohort", saved=model, seed=seed) as view:
        slow, pace = bottlenecks(view), pace_and_difficulty(view)
        stopped = lapse_incidence(view.histories), lapse_hazard(view)
    hard = pace.rungs[["rung", "gain", "gain_low", "gain_high", "weeks", "weeks_low", "weeks_high"]]
    renamed = {name: f"average_{name}" for name in hard.columns if name != "rung"}
    table = slow.frame().merge(hard.rename(columns=renamed), on="rung")

    def number(value: float, unit: str = "") -> str:
        return "-" if pd.isna(value) else f"{value:.0f}{unit}"

    def show(console: Console) -> None:
        console.print(f"{records.name}: the cohort, as of {view.as_of.date()}\n", style="bold")
        shown = Table(*words.say.TEXTS["lists"]["cohort"], box=None, padding=(0, 2, 0, 0))
        for row in table.sort_values("weeks_per_clearing", ascending=False).to_dict("records"):
            half, watched = row["median_weeks"], row["watched_weeks"]
            beyond = pd.isna(half) and not pd.isna(watched)  # fewer than half had cleared it
            shown.add_row(
                row["rung_name"], str(row["spells"]), str(row["cleared"]),
                number(row["weeks_per_clearing"]),
                f"> {watched:.0f}" if beyond else number(half),
                number(100 * row["flat_share"], " %"), number(100 * row["lapse_share"], " %"),
            )  # fmt: skip
        console.print(shown)
        console.print(f"\n{words.say.text('cohort_legend')}")
        for found in (slow, pace, *stopped):
            console.print(f"\n{found.text}")
        console.print(f"\n{words.CAUTION}")

    common.print_table(table, show, out, f"Cohort table of {counted(len(table), 'rung')}")


@common.reading()
def audit(
    read: common.Read,
    seed: common.Seed = None,
    out: common.OutFile = None,
    model: common.ModelFile = None,
) -> None:
    """Are the pass marks right? What another mark would do; --out FILE.csv, a row a step."""
    from forecast.cohort import criterion_audit

    records = read()
    with common.viewing(records, "Audit", saved=model, seed=seed) as view:
        found = criterion_audit(view)

    def show(console: Console) -> None:
        console.print(f"{records.name}: audit, as of {view.as_of.date()}\n", style="bold")
        console.print(f"{found.text}\n\n{words.CAUTION}")

    told = f"Audit of {counted(len(found.rungs), 'step')}"
    common.print_table(found.frame(), show, out, told)
