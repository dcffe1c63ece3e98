"""The athlete's page: one plain sheet with nobody else's data on it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace

import pandas as pd

from forecast.charts import ROW, chance_by_week, ladder_ahead, progress
from forecast.ladder import Ladder
from forecast.readiness import PAIN
from forecast.report.advice import STOP
from forecast.report.cards import RungCard, athlete_cards
from forecast.report.data import AthleteData, ReportData
from forecast.report.figures import Figure, figure
from forecast.report.page import render
from forecast.report.words import say_day


def athlete_pages(
    data: ReportData, athletes: Iterable[str], back: Mapping[str, str] | None = None
) -> Iterator[tuple[str, str]]:
    """Make the pages of athletes one by one: name, and page as HTML.

    The charts are made once for the club; a page holds the part with its athlete's rows.

    Parameters
    ----------
    data
        The club's tables.
    athletes
        Whose pages.
    back
        Where the coach's page has each of them, if one is written beside these.
    """
    drawn, tables = _figures(data), data.for_athletes.split("athlete")
    for athlete in athletes:
        mine = data.only(athlete, tables[athlete])
        yield athlete, _page(mine, drawn, (back or {}).get(athlete, ""))


def _figures(data: ReportData) -> dict[str, Figure]:
    tables, found = data.for_athletes, {}
    if len(tables.sets):
        chart = progress(tables.sets, tables.level, tables.fan, tables.marks)
        found["progress"] = figure("progress", chart)
    if len(tables.curve):
        found["chance"] = figure(
            "chance", chance_by_week(tables.curve, tables.points, as_of=data.as_of)
        )
    if len(data.ahead):
        upward = data.ahead.sort_values("rung", key=_place(data.ladder), kind="stable")
        chart = ladder_ahead(upward, as_of=data.as_of, horizon_weeks=data.ahead_weeks)
        found["ahead"] = figure(
            "ahead",
            chart,
            title="The ladder ahead of you",
            subtitle="Top rung first. Bar: 8 in 10 get there in here. Diamond: half have by then. "
            "Arrow: it may take longer than the chart is wide.",
            note="The further up, the wider: each rung waits for the one before.",
        )
    return found


def _place(ladder: Ladder) -> Callable[[pd.Series], pd.Series]:
    """Places of rungs in the ladder's order, which no single athlete's rungs need show."""
    return lambda keys: keys.map({key: place for place, key in enumerate(ladder.keys)})


def _page(data: AthleteData, drawn: dict[str, Figure], back: str) -> str:
    cards = athlete_cards(data)
    hurts = bool((data.forecast.summary["mark"] == PAIN).any())
    figures = [
        drawn[name].of("who", {p.who: None for p in found})
        for name in ("progress", "chance")
        if (found := [p for card in cards for p in card.pictures if p.figure == name])
    ]
    ahead = None
    if len(data.ahead) > 1 and not hurts:
        ahead = replace(
            drawn["ahead"].of("athlete", [data.athlete], height=ROW * len(data.ahead)),
            alt=f"Range of weeks to each of the {len(data.ahead)} rungs still ahead of "
            f"{data.athlete}, top rung first.",
        )
        figures.append(ahead)
    return render(
        "athlete.html.j2",
        title=f"{data.athlete}: where you stand",
        figures=figures,
        data=data,
        cards=cards,
        answer=_answer(cards),
        back=back,
        ahead=ahead,
        nothing_open="" if cards else _nothing_open(data),
        stop=STOP,
        pain=hurts,
    )


def _answer(cards: list[RungCard]) -> list[str]:
    """One sentence a rung: its state, and when."""
    return [f"{card.name}: {card.state.lower()}; {card.soon}." for card in cards]


def _nothing_open(data: AthleteData) -> str:
    """What there is to say where every rung logged is behind the athlete."""
    as_of = data.forecast.as_of
    said = [
        f"{data.ladder.rung(row.rung).name} on {say_day(row.cleared_on, as_of)}"
        for row in data.cleared.itertuples(index=False)
    ]
    done = f"You cleared {'; '.join(said)}. " if said else ""
    return (
        f"No rung is open for you now, so there is nothing to forecast. {done}What comes next is "
        "for you and your coach to choose."
    )
