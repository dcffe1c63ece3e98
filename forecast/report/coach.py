"""The coach's page: an answer, a sheet with a line an athlete, and each athlete in full."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from markupsafe import Markup

from forecast.charts import progress, small_line
from forecast.report.data import ReportData
from forecast.report.page import figure, render
from forecast.row import Row
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
    """One open rung in words; ``small`` is its line, empty where there is none to draw."""
    words, mine = for_coach(row), data.tables.only([row.who])
    why = " ".join(text for text in (words.why, data.going_back.get(row.key, "")) if text)
    return {
        "row": row,
        "words": words,
        "chance": pages.today(row)["chance"],
        "moved": data.moved.get(row.key, ""),
        "small": Markup(small_line(mine.level, mine.fan, row)) if len(mine.level) else Markup(),
        "drawn": len(mine.sets) > 0,
        "alt": captions.of_sets(row),
        "under": captions.under_sets(row),
        "bullets": (why, words.next_step),
        "rests_on": [text for text in (*words.reasons, words.lapse) if text],
    }
