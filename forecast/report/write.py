"""Write the pages for coach, analyst and athlete: names of files, and all of them or none."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections import Counter
from collections.abc import Callable, Container, Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import pandas as pd

from forecast.backtest import BacktestResult
from forecast.errors import ForecastError, HistoryError
from forecast.ladder_file import make_folder
from forecast.log import TrainingLog, as_day, write_all
from forecast.readiness import Fitted, LogView
from forecast.report.analyst import analyst_page
from forecast.report.cards import anchor, athlete_pages, coach_page
from forecast.report.data import ReportData, gather
from forecast.report.page import DRAWING_FILE, drawing_file, in_one_file, is_linked

if TYPE_CHECKING:
    from forecast.changes import Changes

Who = Literal["coach", "analyst", "athlete"]
READERS: tuple[Who, ...] = ("coach", "analyst", "athlete")
COACH = "coach.html"
Progress = Callable[[str], None]
LONGEST = 48
"""Letters of a name in a file's name."""


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
    changes: Changes | None = None,
    diary: pd.DataFrame | None = None,
    single_file: bool = False,
    progress: Progress | None = None,
) -> list[Path]:
    """Write HTML pages and return their paths; all of them, or none.

    ``coach.html``, ``analyst.html``, and one ``athlete-NAME.html`` for each athlete with an open
    rung, or with every rung they logged behind them; and ``charts.js``, the code that draws, once
    for all. A page loads nothing else, and an athlete's page holds nobody else's data.

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
    changes
        What changed since an earlier day, for the top of the coach's page.
    diary
        What was forecast before, as ``changes.read_diary`` reads it: what moved, what came true.
    single_file
        Put the code that draws into each page (half a megabyte), so that it can be mailed alone.
    progress
        Called with a few words at each step.

    Raises
    ------
    ForecastError
        An unknown reader, a folder that can't be written to, a log of another ladder, or a log
        without a model.
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
    folder = make_folder(out)
    data = gather(
        log,
        model,
        None if as_of is None else as_day(as_of, "as_of", HistoryError),
        club=club,
        for_coach="coach" in who,
        for_athlete="athlete" in who,
        notes=notes,
        changes=changes,
        diary=diary,
        progress=progress,
    )
    pages = _pages(dict.fromkeys(who), data, trust, progress or (lambda _: None))
    files = write_all(
        (folder / name, text.encode("utf-8")) for name, text in _with_code(pages, single_file)
    )
    return [path for path in files if path.name != DRAWING_FILE]


def _with_code(pages: Iterable[tuple[str, str]], single_file: bool) -> Iterator[tuple[str, str]]:
    """Put the code that draws into each page, or behind the last page where one links to it."""
    linked = False
    for name, page in pages:
        linked = linked or (is_linked(page) and not single_file)
        yield name, in_one_file(page) if single_file else page
    if linked:
        yield DRAWING_FILE, drawing_file()


def _pages(
    readers: Container[str], data: ReportData, trust: BacktestResult | None, say: Progress
) -> Iterator[tuple[str, str]]:
    """Make the readers' pages one by one: file name and content; those for coaches know theirs."""
    files = file_names([*data.athletes, *data.finished], "athlete")
    if "coach" in readers:
        say("pages for coach")
        yield COACH, coach_page(data, files, linked="athlete" in readers)
    if "analyst" in readers:
        say("pages for analyst")
        yield "analyst.html", analyst_page(data, trust)
    if "athlete" in readers:
        say("pages for athlete")
        back = {athlete: f"{COACH}#{anchor(name)}" for athlete, name in files.items()}
        for athlete, page in athlete_pages(data, files, back if "coach" in readers else None):
            yield files[athlete], page


def slug(name: str) -> str:
    """Return the name in small ASCII letters, digits and hyphens.

    A name of which nothing is left that way becomes a short digest of itself.
    """
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode("ascii")
    text = re.sub(r"[^a-z0-9]+", "-", plain.lower()).strip("-")[:LONGEST].strip("-")
    return text or hashlib.sha256(name.encode("utf-8")).hexdigest()[:8]


def file_names(names: Iterable[str], prefix: str) -> dict[str, str]:
    """Return a distinct file name for each name: ``athlete-arvo-w.html``.

    Names that look alike get a digest of their own behind the common part, so that a name keeps
    its file whoever else is in the club.
    """
    slugs = {name: slug(name) for name in names}
    counts = Counter(slugs.values())
    files = {}
    for name, value in slugs.items():
        digest = hashlib.sha256(name.encode("utf-8")).hexdigest()[:6]
        files[name] = f"{prefix}-{value}{'' if counts[value] == 1 else '-' + digest}.html"
    return files
