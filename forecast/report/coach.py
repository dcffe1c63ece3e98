"""The coach's page: an answer, a sheet with a line an athlete, and each athlete in full."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from markupsafe import Markup

from forecast.charts import progress, small_line
from forecast.report.data import ReportData
from forecast.report.page import Figure, figure, render
from forecast.row import Row
from forecast.words import HEADINGS, RowWords, captions, for_coach, pages


@dataclass(frozen=True, slots=True)
class RungLine:
    """One open rung in words; ``small`` is its line, empty where there is none to draw."""

    row: Row
    words: RowWords
    small: Markup
    drawn: bool
    alt: str
    under: str
    bullets: tuple[str, ...]
    rests_on: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Client:
    """One athlete: the rungs, the most urgent first, and where they stand on this and other pages.

    ``page`` is the file of the athlete's own page, empty where none was written.
    """

    athlete: str
    anchor: str
    page: str
    rungs: tuple[RungLine, ...]


def coach_page(data: ReportData, files: Mapping[str, str], *, linked: bool = False) -> str:
    """Return the coach's page as HTML.

    ``files`` is the file of each athlete's page; ``linked`` says that they are written beside.
    """
    figures = _figures(data)
    changes = data.changes
    return render(
        "coach.html.j2",
        title=pages.text("coach", club=data.club),
        figures=figures,
        data=data,
        answer=pages.club_answer(data.rows),
        changed=pages.changes_line(changes.table["kind"], changes.since, data.as_of)
        if changes
        else "",
        changes=changes,
        clients=clients(data, files, linked=linked),
        away=pages.away_people(data.rows),
        how=figures[0].subtitle if figures else "",
        how_sure=pages.HOW_SURE,
        headings=HEADINGS,
    )


def anchor(file: str) -> str:
    """Return where on the coach's page the athlete with this file stands."""
    return f"client-{file.removeprefix('athlete-').removesuffix('.html')}"


def clients(data: ReportData, files: Mapping[str, str], *, linked: bool = False) -> list[Client]:
    """Return every athlete who is not away for long, the most urgent first."""
    by_athlete: dict[str, list[RungLine]] = {}
    for row in data.here:
        by_athlete.setdefault(row.athlete, []).append(_line(data, row))
    return [
        Client(name, anchor(files[name]), files[name] if linked else "", tuple(rungs))
        for name, rungs in by_athlete.items()
    ]


def _line(data: ReportData, row: Row) -> RungLine:
    words, mine = for_coach(row), data.tables.only([row.who])
    breaking = data.going_back.get(row.key, "")
    return RungLine(
        row=row,
        words=words,
        small=Markup(small_line(mine.level, mine.fan, row)) if len(mine.level) else Markup(),
        drawn=len(mine.sets) > 0,
        alt=captions.of_sets(row),
        under=captions.under_sets(row),
        bullets=tuple(text for text in (words.why, breaking, words.next_step) if text),
        rests_on=tuple(text for text in (*words.reasons, words.lapse) if text),
    )


def _figures(data: ReportData) -> list[Figure]:
    """Return the charts that the page draws for one rung after the other, one a measure."""
    return [
        figure(f"sets-{measure}", progress(data.tables, here))
        for measure, rows in data.by_measure.items()
        if (here := [row for row in rows if not row.is_away])
    ]
