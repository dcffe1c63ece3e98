"""The coach's page, an answer and a line an athlete, and the athletes', with nobody else's data."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from typing import Any

from forecast.charts import ROW, chance_by_week, ladder_ahead, progress
from forecast.report.data import ReportData
from forecast.report.page import Figure, Picture, figure, render
from forecast.row import PAIN, Row
from forecast.words import HEADINGS, captions, for_coach, pages


def coach_page(data: ReportData, files: Mapping[str, str], *, linked: bool = False) -> str:
    """Return the coach's page as HTML.

    ``files`` is the file of each athlete's page; ``linked`` says that they are written beside.
    """
    figures = [
        figure(f"sets-{measure}", progress(data.tables, here))
        for measure, rows in data.by_measure.items()
        if (here := [row for row in rows if not row.is_away])
    ]
    by_athlete: dict[str, list[dict[str, Any]]] = {}
    for row in data.here:
        by_athlete.setdefault(row.athlete, []).append(_line(data, row))
    clients = [
        {"athlete": name, "anchor": anchor(files[name]), "page": files[name] if linked else "",
         "rungs": rungs}
        for name, rungs in by_athlete.items()
    ]  # fmt: skip
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
        clients=clients,
        away=pages.away_people(data.rows),
        how=figures[0].subtitle if figures else "",
        how_sure=[*pages.HOW_SURE, *data.diary],
        headings=HEADINGS,
    )


def anchor(file: str) -> str:
    """Return where on the coach's page the athlete with this file stands."""
    return f"client-{file.removeprefix('athlete-').removesuffix('.html')}"


def _line(data: ReportData, row: Row) -> dict[str, Any]:
    """One open rung in words."""
    words = for_coach(row)
    why = " ".join(text for text in (words.why, data.going_back.get(row.key, "")) if text)
    return {
        "row": row,
        "words": words,
        "chance": pages.today(row)["chance"],
        "moved": data.moved.get(row.key, ""),
        "drawn": row.seen.sessions > 0,
        "alt": captions.of_sets(row),
        "under": captions.under_sets(row),
        "bullets": (why, words.next_step),
        "rests_on": [text for text in (*words.reasons, words.lapse) if text],
    }


def athlete_pages(
    data: ReportData, athletes: Iterable[str], back: Mapping[str, str] | None = None
) -> Iterator[tuple[str, str]]:
    """Make the pages of athletes one by one: name, and page as HTML.

    The charts are made once for the club; a page holds the part with its athlete's rows. ``back``
    is where the coach's page has each of them, if one is written beside these.
    """
    drawn = _drawn(data)
    for athlete in athletes:
        yield athlete, _page(data.only(athlete), drawn, (back or {}).get(athlete, ""))


def _drawn(data: ReportData) -> dict[str, Figure]:
    tables = data.tables if data.notes else data.tables.without_notes()
    figures = {
        f"sets-{measure}": figure(f"sets-{measure}", progress(tables, rows))
        for measure, rows in data.by_measure.items()
    }
    if free := [row for row in data.rows if row.wait]:
        figures["chance"] = figure("chance", chance_by_week(data.curve, free))
    if len(data.ahead):
        place = {key: number for number, key in enumerate(data.ladder.keys)}
        upward = data.ahead.sort_values("rung", key=lambda keys: keys.map(place), kind="stable")
        chart = ladder_ahead(upward, as_of=data.as_of, horizon_weeks=data.ahead_weeks)
        title, how = pages.text("up_title"), pages.text("up_how")
        figures["ahead"] = figure("ahead", chart, title=title, subtitle=how)
    return figures


def _page(data: ReportData, drawn: Mapping[str, Figure], back: str) -> str:
    hurts = any(row.state == PAIN for row in data.rows)
    pictures = [_pictures(row, first=place == 0) for place, row in enumerate(data.rows)]
    figures = [
        drawn[name].of("who", whose)
        for name in drawn
        if (whose := {p.who: None for each in pictures for p in each if p.figure == name})
    ]
    ahead = None
    if len(data.ahead) > 1 and not hurts:
        ahead = replace(
            drawn["ahead"].of("athlete", [data.athlete], height=ROW * len(data.ahead)),
            alt=captions.caption(
                "ahead", who=data.athlete, count=len(data.ahead), horizon=data.ahead_weeks
            ).description,
        )
        figures.append(ahead)
    return render(
        "athlete.html.j2",
        title=pages.text("athlete", athlete=data.athlete),
        figures=figures,
        data=data,
        cards=list(zip(data.cards, pictures, strict=True)),
        back=back,
        ahead=ahead,
        nothing_open="" if data.cards else pages.nothing_open(data.cleared, data.as_of),
        stop=pages.STOP,
        pain=hurts,
    )


def _pictures(row: Row, *, first: bool) -> tuple[Picture, ...]:
    """What is drawn of a rung: its sets, where any were logged; the chance, but beside pain.

    How to read them stands beside the ``first`` alone.
    """
    how = {
        name: captions.of_rows(name, [row]).subtitle if first else ""
        for name in ("progress", "chance")
    }
    pictures = []
    if row.seen.sessions:
        name, alt = f"sets-{row.rung.criterion.measure}", captions.of_sets(row)
        note = captions.under_sets(row)
        title = pages.text("sets")
        pictures.append(Picture(name, row.who, title, how["progress"], alt, note))
    if row.wait:
        title, alt = pages.text("chances"), captions.of_chance(row)
        pictures.append(Picture("chance", row.who, title, how["chance"], alt))
    return tuple(pictures)
