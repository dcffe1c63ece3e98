"""The club: what changed, who needs a look, slow rungs, marks, re-tests, and the whole ladder."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated

import pandas as pd
import typer
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from forecast import ahead as whole_ladder
from forecast import changes as compared
from forecast import words
from forecast.changes import Changes, Snapshot, snapshot
from forecast.commands import common
from forecast.errors import ForecastError
from forecast.log import counted, write_whole
from forecast.plateau import DEFAULT_FALSE_ALARMS
from forecast.readiness import LogView
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


KEPT = "last_run.json"
LOOK_BACK = pd.Timedelta(weeks=1)
"""How far the first run looks back, when there is none before it."""

Since = Annotated[
    str | None, typer.Option("--since", help="Compare with this day instead of the last run.")
]
KeptFile = Annotated[
    Path | None,
    typer.Option("--kept", help=f"File of the last run's rows; {KEPT} beside the club file."),
]


@dataclass(frozen=True)
class Runs:
    """The runs before this one, and the file they are kept in, if any."""

    path: Path | None
    kept: list[Snapshot]

    @classmethod
    def of(cls, records: common.Records, path: Path | None) -> Runs:
        """Return the runs kept in a file, or beside the club that was given."""
        if path is None and records.home is not None:
            path = records.home / KEPT
        return cls(path, [] if path is None else compared.read_kept(path))

    def before(self, as_of: pd.Timestamp) -> Snapshot | None:
        """Return the last run before a day."""
        return compared.last_before(self.kept, as_of)

    def changes(self, view: LogView, since: str | None) -> Changes:
        """Compare with a day, or else the last run, or else a week before."""
        before, day = self.before(view.as_of), common.cut_date(since)
        if day is None and before is not None:
            return compared.changes(before, snapshot(view, before), view.log.ladder)
        start = view.as_of - LOOK_BACK if day is None else day
        return compared.changes_since(view, start, first=day is None)


@common.reading()
def changes(
    read: common.Read,
    since: Since = None,
    kept: KeptFile = None,
    seed: common.Seed = None,
    athlete: common.Athletes = None,
    out: common.OutFile = None,
    model: common.ModelFile = None,
) -> None:
    """What changed since the last run: pain, stalls, absences, clearings, comings and goings."""
    records = read()
    names = common.named(athlete, records.log)
    runs = Runs.of(records, kept)
    if runs.path is None and since is None:
        raise ForecastError(
            "Log files without a club have no place for the last run's rows; give --since DATE, "
            "or --kept FILE."
        )
    with common.viewing(records, "Changes", saved=model, seed=seed) as view:
        found = runs.changes(view, since)
    found = replace(found, table=common.rows_of(found.table, names))
    told = f"{counted(len(found.table), 'change')} since {found.since.date()}"

    def show(console: Console) -> None:
        console.print(f"{records.name}: {told}, as of {found.as_of.date()}\n", style="bold")
        table = Table.grid(padding=(0, 1, 0, 0))
        for width in (12, 16, None):
            table.add_column(width=width)
        for row in found.table.itertuples(index=False):
            table.add_row(Text(row.kind, "bold"), row.athlete, Text(row.text))
        if len(found.table):
            console.print(table)
            console.print()
        console.print(words.CAUTION)

    if out is not None and out.suffix.casefold() == ".json":
        whole = {
            "since": str(found.since.date()),
            "as_of": str(found.as_of.date()),
            "caution": words.CAUTION,
            "changes": found.table.to_dict("records"),
        }
        write_whole(out, (json.dumps(whole, indent=1, ensure_ascii=False) + "\n").encode("utf-8"))
        common.say(f"{words.CAUTION}\n{told} written to {out}.")
    else:
        common.print_table(found.table, show, out, told)
    if since is None and runs.path is not None:
        now = snapshot(view, runs.before(view.as_of))
        compared.keep(runs.path, runs.kept, now)
