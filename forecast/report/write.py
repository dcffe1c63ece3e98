"""Write the pages for coach, analyst and athlete."""

from __future__ import annotations

from collections.abc import Callable, Container, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Literal

import pandas as pd

from forecast.backtest import BacktestResult
from forecast.changes import Changes
from forecast.errors import ForecastError, HistoryError
from forecast.log import TrainingLog, as_day
from forecast.readiness import Fitted, LogView, ReadinessForecast
from forecast.report.analyst import analyst_page
from forecast.report.athlete import athlete_pages
from forecast.report.coach import anchor, coach_page
from forecast.report.data import ReportData, gather
from forecast.report.files import file_names, make_folder, write_pages

Who = Literal["coach", "analyst", "athlete"]
READERS: tuple[Who, ...] = ("coach", "analyst", "athlete")
COACH = "coach.html"
Progress = Callable[[str], None]


def write_report(
    log: TrainingLog | LogView,
    model: Fitted | None = None,
    as_of: pd.Timestamp | str | None = None,
    *,
    who: Sequence[str] = READERS,
    out: str | Path,
    club: str = "",
    trust: BacktestResult | None = None,
    notes: bool = False,
    forecast: ReadinessForecast | None = None,
    changes: Changes | None = None,
    progress: Progress | None = None,
) -> list[Path]:
    """Write self-contained HTML pages and return their paths; all of them, or none.

    ``coach.html``, ``analyst.html``, and one ``athlete-NAME.html`` for each athlete with an open
    rung, or with every rung they logged behind them. A page loads nothing from anywhere, and an
    athlete's page holds nobody else's data.

    Parameters
    ----------
    log
        The log, of the ladder the model was fitted on; or a fitted forecaster's view of one,
        which has a model and a cut date already.
    model
        A fitted forecaster.
    as_of
        Cut date; the day after the last set where left out.
    who
        Readers to write for.
    out
        Folder; made where it is not there.
    club
        Name for headings; the ladder's where left out.
    trust
        A backtest on the same log, for the analyst's page.
    notes
        Show athletes the free-text notes of their own sets; they stay with the coach otherwise.
    forecast
        The model's forecast of the log, where it has been made already: at its cut the pages are.
    changes
        What changed since an earlier day, for the top of the coach's page.
    progress
        Called with a few words at each step.

    Raises
    ------
    ForecastError
        An unknown reader, a folder that can't be written to, a log of another ladder, a
        forecast as of another day, or a log without a model.
    NotFittedError
        ``fit`` was not called on the model.
    HistoryError
        No set is dated before ``as_of``.
    """
    strangers = [name for name in who if name not in READERS]
    if strangers or not who:
        raise ForecastError(
            f"who = {', '.join(map(repr, strangers)) or 'nobody'}; "
            f"choose from {', '.join(READERS)}."
        )
    day = None if as_of is None else as_day(as_of, "as_of", HistoryError)
    if forecast is not None and day is not None and day != forecast.as_of:
        raise ForecastError(
            f"The forecast is as of {forecast.as_of.date()}, the pages as of {day.date()}; make "
            "both for one day."
        )
    say = progress or (lambda _: None)
    folder = make_folder(out)
    data = gather(
        log,
        model,
        as_of,
        club=club,
        for_coach="coach" in who,
        for_athlete="athlete" in who,
        notes=notes,
        forecast=forecast,
        progress=progress,
    )
    data = replace(data, changes=changes)
    return write_pages(folder, _pages(dict.fromkeys(who), data, trust, say))


def _pages(
    readers: Container[str], data: ReportData, trust: BacktestResult | None, say: Progress
) -> Iterator[tuple[str, str]]:
    """Make the readers' pages one by one: file name and content; those for coaches know theirs."""
    files = file_names([*data.athletes, *data.finished], "athlete")
    if "coach" in readers:
        say("pages for coach")
        yield COACH, coach_page(data, files if "athlete" in readers else None)
    if "analyst" in readers:
        say("pages for analyst")
        yield "analyst.html", analyst_page(data, trust)
    if "athlete" in readers:
        say("pages for athlete")
        back = {athlete: f"{COACH}#{anchor(name)}" for athlete, name in files.items()}
        for athlete, page in athlete_pages(data, files, back if "coach" in readers else None):
            yield files[athlete], page
