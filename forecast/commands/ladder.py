"""``ahead``, ``what-if``, ``retests``: the whole ladder, other rates, rungs to re-test."""

from __future__ import annotations

from typing import Annotated

import pandas as pd
import typer
from rich.console import Console
from rich.table import Table
from rich.text import Text

from forecast import ahead as whole_ladder
from forecast import words
from forecast.commands import common
from forecast.log import counted


@common.reading()
def ahead(
    read: common.Read,
    horizon: common.Ahead = common.HORIZON_AHEAD,
    by: Annotated[
        str | None, typer.Option("--by", help="Also: the top of the ladder by this date?")
    ] = None,
    away: common.Away = False,
    seed: common.Seed = None,
    athlete: common.Athletes = None,
    out: common.OutFile = None,
    model: common.ModelFile = None,
) -> None:
    """Weeks until each athlete clears every rung still ahead, the top one last."""
    records = read()
    names = common.named(athlete, records.log)
    with common.viewing(records, "Ladder ahead", saved=model, seed=seed) as view:
        result = view.ladder_ahead(horizon_weeks=horizon, target_date=by)
        open_rows = {row.key: row for row in view.rows}
    summary = common.rows_of(result.summary, names)
    gone = {row.athlete for row in open_rows.values() if row.is_away}
    listed = summary if away or names else summary[~summary["athlete"].isin(gone)]

    def show(console: Console) -> None:
        what, people = f"{counted(len(listed), 'rung')} ahead", listed["athlete"].nunique()
        heading = words.screens.club_heading(records.name, what, people, result.as_of)
        console.print(heading, style="bold")
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
            when = ["-", words.ON_HOLD, ""]
            if pd.isna(line["on_hold"]):
                span = line["weeks_low"], line["weeks_high"], result.horizon_weeks
                when = [words.say.percent(line["p_26"]), words.say.span(*span),
                        words.say.half(line["date_mid"], *span, result.as_of)]  # fmt: skip
            table.add_row(Text(name, "bold"), line["rung_name"], stands, *when, note)
            before = line["athlete"]
        console.print(table)
        note = words.screens.away_note([row for row in open_rows.values() if not names])
        console.print(f"\n{note}\n" if note and not away else "")
        target = common.rows_of(result.target, sorted(set(listed["athlete"])))
        for line in target.to_dict("records"):
            console.print(f"{line['athlete']}: {line['text']}\n")
        console.print(words.CAUTION)

    common.print_table(summary, show, out, f"{counted(len(summary), 'rung')} ahead")


@common.reading()
def what_if(
    read: common.Read,
    athlete: Annotated[str, typer.Option("--athlete", help="Whose ladder; half a name will do.")],
    rates: Annotated[
        list[float] | None,
        typer.Option("--sessions-per-week", help="A rate; may be repeated. Left out: 2, 3 and 4."),
    ] = None,
    horizon: common.Ahead = common.HORIZON_AHEAD,
    seed: common.Seed = None,
    out: common.OutFile = None,
    model: common.ModelFile = None,
) -> None:
    """How one athlete's ladder would look at other rates of training: association, not cause."""
    records = read()
    (who,) = common.named([athlete], records.log)
    with common.viewing(records, "What if", saved=model, seed=seed) as view:
        found = whole_ladder.what_if(
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

    common.print_table(found.table, show, out, f"What if for {who}")


@common.reading()
def retests(
    read: common.Read,
    seed: common.Seed = None,
    athlete: common.Athletes = None,
    out: common.OutFile = None,
    model: common.ModelFile = None,
) -> None:
    """Which cleared rungs are due for a re-test, and why; --out FILE.csv has all the cleared."""
    records = read()
    names = common.named(athlete, records.log)
    with common.viewing(records, "Re-tests", saved=model, seed=seed) as view:
        table = common.rows_of(whole_ladder.retests(view), names)
    due = table[table["due"]].sort_values(["weeks_off", "athlete"])
    told = words.say.text("due", due=len(due), cleared=counted(len(table), "cleared rung"))

    def show(console: Console) -> None:
        console.print(f"{records.name}: {told}, as of {view.as_of.date()}\n", style="bold")
        measure = {rung.key: rung.criterion.measure for rung in records.log.ladder.rungs}
        shown = Table("Athlete", "Rung", "Usual day", "Weeks off", box=None, padding=(0, 2, 0, 0))
        for row in due.to_dict("records"):
            stands = words.screens.stands(row["level_value"], row["target"], measure[row["rung"]])
            off = (
                f"{row['weeks_off']:.0f}"
                if row["weeks_off"] >= 1
                else words.say.text("sets_show_it")
            )
            shown.add_row(row["athlete"], row["rung_name"], stands, off)
        if len(due):
            console.print(shown)
            console.print(f"\n{words.say.text('retests_legend')}\n")
        console.print(words.CAUTION)

    common.print_table(table, show, out, told)
