"""``report``, ``backtest``, ``demo``: pages for every reader, how far to trust them, and a club."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import pandas as pd
import typer
from rich.console import Console
from rich.padding import Padding
from rich.text import Text

import forecast
from forecast import words
from forecast.changes import came, in_words
from forecast.commands import common
from forecast.commands.club import KeptFile, Runs, Since
from forecast.commands.weeks import show
from forecast.errors import ForecastError
from forecast.histories import build_histories
from forecast.log import counted, csv_bytes, visible, write_whole

FOLDER = "data_demo"
PAGES = Path("build") / "pages"
"""Where the demo's pages go; git leaves ``build/`` alone."""


class Reader(StrEnum):
    """For whom a page is."""

    coach = "coach"
    analyst = "analyst"
    athlete = "athlete"


@common.reading()
def report(
    read: common.Read,
    out: Annotated[Path | None, typer.Option("--out", help="Folder to write the pages to.")] = None,
    who: Annotated[
        list[Reader] | None, typer.Option("--who", help="For whom; may be repeated; all if not.")
    ] = None,
    notes: Annotated[
        bool, typer.Option("--notes", help="Show athletes the notes written beside their sets.")
    ] = False,
    backtest: Annotated[
        Path | None,
        typer.Option("--backtest", help="A result of backtest --keep, for the analyst's page."),
    ] = None,
    text: Annotated[
        bool, typer.Option("--text", help="With --who athlete: one message each, for a phone.")
    ] = False,
    single_file: Annotated[
        bool, typer.Option("--single-file", help="Keep each page whole, to be mailed alone.")
    ] = False,
    horizon: common.Horizon = None,
    seed: common.Seed = None,
    model: common.ModelFile = None,
    since: Since = None,
    kept: KeptFile = None,
) -> None:
    """Write pages for coach, analyst and athletes, to open or print without a network."""
    # Altair takes seconds to load; the other commands do without it.
    from forecast.backtest import load_backtest
    from forecast.report import READERS, write_report

    if text != (out is None) or (text and who != [Reader.athlete]):
        raise ForecastError(
            "Name the folder for the pages with --out FOLDER; or ask for messages to the screen "
            "with --who athlete --text, without --out."
        )
    records = read()
    trust = None if backtest is None else load_backtest(backtest)
    if trust is not None:
        scored, logged = (
            pd.MultiIndex.from_frame(table[["athlete", "rung"]])
            for table in (trust.outcomes, records.log.sets)
        )
        if not scored.isin(logged).any():
            raise ForecastError(
                f"The backtest {backtest} is of other records: this log has none of its athletes "
                "on the same rung; run backtest --keep on this log."
            )
    runs = Runs.of(records, kept)
    with common.viewing(records, "Report", saved=model, horizon=horizon, seed=seed) as view:
        if out is None:  # messages
            messages = [words.pages.message(*one) for one in words.pages.one_each(view.rows)]
            typer.echo(visible("\n\n".join(messages)))
            return
        common.keep_diary(records, view.rows, view.as_of, model)
        told = runs.changes(view, since) if since or runs.before(view.as_of) else None
        pages = write_report(
            view,
            who=[reader.value for reader in who] if who else READERS,
            out=out,
            club=records.name,
            trust=trust,
            notes=notes,
            changes=told,
            diary=common.diary(records),
            single_file=single_file,
            progress=view.progress,
        )
    for page in pages:
        typer.echo(page)
    common.say(words.CAUTION)


@common.reading()
def today(
    read: common.Read,
    coach: Annotated[
        str | None, typer.Option("--coach", help="Only the athletes of this coach of the roster.")
    ] = None,
    group: Annotated[
        str | None, typer.Option("--group", help="Only the athletes of this group of the roster.")
    ] = None,
    present: Annotated[
        str | None, typer.Option("--present", help='Who comes: "Bo, Ada"; half a name will do.')
    ] = None,
    seed: common.Seed = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="A sheet to print (.html), or to type into (.csv).")
    ] = None,
    model: common.ModelFile = None,
) -> None:
    """Who trains today: the rung in hand, what to reach, the chance of it, and what to do."""
    from forecast.report import today as sheet_of

    records = read()
    asked = [name.strip() for name in (present or "").split(",") if name.strip()]
    names = common.named(asked, records.log) or None
    for column, value in (("coach", coach), ("group", group)):
        if value is not None:
            theirs = common.in_roster(records.log.roster, column, value)
            names = [name for name in names or theirs if name in theirs]
    with common.viewing(records, "Today", saved=model, seed=seed) as view:
        common.keep_diary(records, view.rows, view.as_of, model)
        sheet = sheet_of(view, names, club=records.name)
    told = words.say.text("sheet_of", people=counted(len(sheet.table), "athlete"))
    ending = out.suffix.casefold() if out else ""
    if out is not None and ending in (".html", ".csv"):
        write_whole(out, sheet.html().encode("utf-8") if ending == ".html" else sheet.csv())
        common.say(f"{words.CAUTION}\n{told} written to {out}.")
        if ending == ".csv":
            common.say(words.say.text("typed"))
        return

    def show(console: Console) -> None:
        day = words.say.text("on_day", day=sheet.as_of)
        console.print(f"{records.name}: {day}\n", style="bold")
        for line in sheet.table.itertuples():
            heading = f"{line.athlete}, {words.pages.and_more(line.rung_name, line.more)}"
            console.print(Text(f"{heading}: {line.state}", "bold"))
            console.print(Padding(Text(words.pages.today_text(line)), (0, 0, 1, 4)))
        console.print(words.say.text("today_nobody") if sheet.table.empty else "", end="")
        console.print(words.CAUTION)

    common.print_report(show, out)
    if out is not None:
        common.say(f"{told} written to {out}.")


@common.reading("sheet", "as_of", "fresh", "like")
def backtest(
    read: common.Read,
    cuts: Annotated[int, typer.Option("--cuts", min=1, help="Number of dates drawn blind.")] = 4,
    on: Annotated[
        list[str] | None, typer.Option("--on", help="A cut date of your own; may be repeated.")
    ] = None,
    baselines: Annotated[
        bool, typer.Option("--baselines/--no-baselines", help="Score the baselines too.")
    ] = True,
    horizon: common.Horizon = None,
    seed: common.Seed = None,
    scores: Annotated[
        Path | None, typer.Option("--scores", help="Write every score to this CSV file.")
    ] = None,
    keep: Annotated[
        Path | None, typer.Option("--keep", help="Keep the result in this file, for report.")
    ] = None,
) -> None:
    """Score the forecasts that would have been made at past dates against what came of them."""
    from forecast.backtest import backtest as run_backtest
    from forecast.backtest import save_backtest

    records = read()
    model = common.new_model(horizon, seed)
    dates = [day for day in map(common.cut_date, on or []) if day is not None]
    with common.progress("Backtest") as step:
        result = run_backtest(
            records.log,
            dates or cuts,
            model=model,
            baselines=baselines,
            horizon_weeks=model.horizon_weeks,
            seed=model.random_state,
            progress=step,
        )
    typer.echo(visible(f"{records.name}\n"))
    typer.echo(result.summary())
    for line in diary_of(records, model.lapse_weeks):
        typer.echo(f"\n{line}")
    if scores is not None:
        write_whole(scores, csv_bytes(result.scores))
        common.say(f"Scores written to {scores}.")
    if keep is not None:
        save_backtest(result, keep)
        common.say(words.say.text("backtest_kept", path=keep))


def diary_of(records: common.Records, lapse_weeks: float) -> list[str]:
    """Return how often the forecasts kept beside the club came true, where there are any."""
    kept = common.diary(records)
    if kept is None:
        return []
    due = came(kept, build_histories(records.log, records.as_of, lapse_weeks=lapse_weeks))
    return [in_words(due)] if len(due) else []


def demo(
    out: Annotated[Path, typer.Option("--out", help="Folder to write the pages to.")] = PAGES,
) -> None:
    """Forecast the invented club that comes with the source, and write pages for each reader."""
    from forecast.report import make_folder, write_report

    places = (Path(FOLDER), Path(forecast.__file__).resolve().parents[1] / FOLDER)
    place = next((one for one in places if (one / "club.toml").exists()), None)
    if place is None:
        raise ForecastError(
            f"There is no folder {FOLDER} here: it comes with the source, not with the installed "
            "package. Run this from a clone, or run 'weeks' on your own records."
        )
    make_folder(out)  # a folder that can't be written to is better known before the fit
    common.say(words.say.text("reading_demo", place=place))
    records = common.read_records([str(place)])
    with common.viewing(records, "Forecast") as view:
        result = view.forecast()
    common.print_report(lambda console: show(console, records, result))
    with common.progress("Pages") as step:
        pages = write_report(view, out=out, club=records.name, progress=step)
    typer.echo(words.screens.pages(pages))
