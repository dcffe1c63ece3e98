"""The athlete's page: one plain sheet with nobody else's data on it."""

from __future__ import annotations

from dataclasses import dataclass

import altair as alt
import pandas as pd

from forecast.charts import chance_by_week, ladder_ahead, progress
from forecast.ladder import Rung
from forecast.report.advice import CONFIDENCE_WORDS, HELPS, STATE_WORDS, STOP
from forecast.report.data import AthleteData
from forecast.report.figures import Figure, figure
from forecast.report.page import render
from forecast.report.words import (
    count_of,
    in_sessions,
    say_chance,
    say_date,
    say_range,
    say_value,
    say_weeks,
)

PAIN = "pain noted"


@dataclass(frozen=True, slots=True)
class RungCard:
    """What the page says about one open rung, in sentences."""

    name: str
    stands: str
    headline: str
    when: str
    chances: tuple[tuple[str, str], ...]
    state: str
    state_text: str
    helps: tuple[str, ...]
    sure: str
    form: str
    caution: str
    figures: tuple[Figure, ...]


def athlete_page(data: AthleteData) -> str:
    """Return the page of one athlete as HTML."""
    rows = data.forecast.summary
    cards = [_card(data, rows.iloc[i], i) for i in range(len(rows))]
    figures = [f for card in cards for f in card.figures]
    ahead = _ahead(data)
    return render(
        "athlete.html.j2",
        title=f"{data.athlete}: where you stand",
        figures=[*figures, *ahead],
        data=data,
        cards=cards,
        ahead=ahead,
        stop=STOP,
        pain=rows["warnings"].str.contains(PAIN).any(),
    )


def _ahead(data: AthleteData) -> list[Figure]:
    if len(data.ahead) < 2:
        return []
    chart = ladder_ahead(data.ahead, as_of=data.forecast.as_of, horizon_weeks=data.ahead_weeks)
    return [
        figure(
            "ahead",
            chart,
            title="The ladder ahead of you",
            subtitle="Top rung first. Bar: 8 in 10 get there in here. Diamond: half have by then. "
            "Arrow: it may take longer than the chart is wide.",
            note="The further up, the wider: each rung waits for the one before.",
        )
    ]


def _card(data: AthleteData, row: pd.Series, number: int) -> RungCard:
    rung = data.ladder.rung(row["rung"])
    plateau = data.plateaus[data.plateaus["rung"] == row["rung"]].iloc[0]
    as_of, horizon = data.forecast.as_of, data.forecast.horizon_weeks
    return RungCard(
        name=row["rung_name"],
        stands=_stands(row, rung),
        headline=_headline(row, as_of, horizon),
        when=_when(row, as_of, horizon),
        chances=_chances(row),
        state=STATE_WORDS[plateau["state"]],
        state_text=_state_text(row, plateau, as_of),
        helps=_helps(plateau["state"], rung, data),
        sure=_sure(row),
        form=rung.form,
        caution=rung.caution,
        figures=_figures(data, row["who"], number),
    )


def _figures(data: AthleteData, who: str, number: int) -> tuple[Figure, ...]:
    one = data.tables.only("who", who)
    chance = chance_by_week(one.curve, one.points, as_of=data.forecast.as_of)
    figures = [
        figure(
            f"chance-{number}",
            chance,
            title="How likely by when",
            subtitle="The line rises from 0 to 100 % as the weeks pass, if you keep training as "
            "lately. Shaded: 8 in 10 clear it in here.",
        )
    ]
    if len(one.sets):
        sets = progress(one.sets, one.level, one.fan, one.marks)
        figures.insert(0, _sets_figure(number, sets))
    return tuple(figures)


def _sets_figure(number: int, chart: alt.LayerChart) -> Figure:
    return figure(
        f"progress-{number}",
        chart,
        title="Your sets so far",
        subtitle="Each point is a set. The line is what a usual day brings, the shade how "
        "well that is known; dotted, where it is heading. The bar on the pass mark is when you may "
        "clear it.",
    )


def _stands(row: pd.Series, rung: Rung) -> str:
    criterion = rung.criterion
    mark = say_value(criterion.target, criterion.measure) + in_sessions(criterion.confirm_sessions)
    level = say_value(row["level_value"], criterion.measure)
    if row["sessions"] == 0:
        return (
            f"You have no session on this rung yet. Going by your other rungs, a first usual day "
            f"would bring about {level}; the mark is {mark}."
        )
    sessions = count_of(row["sessions"], "session")
    return (
        f"On a usual day you are at about {level}; the mark is {mark}. That is read from "
        f"{sessions}, not from your best day. Chance that your next session meets the mark: "
        f"{say_chance(row['p_next_session'])}."
    )


def _headline(row: pd.Series, as_of: pd.Timestamp, horizon: int) -> str:
    if pd.isna(row["weeks_mid"]):
        return f"Probably more than {horizon} weeks"
    wide = row["weeks_high"] - row["weeks_low"]
    date = say_date(row["date_mid"], as_of, range_weeks=wide)
    weeks = say_weeks(row["weeks_mid"], horizon)
    return f"{weeks[0].upper()}{weeks[1:]}: {date}"


def _when(row: pd.Series, as_of: pd.Timestamp, horizon: int) -> str:
    if pd.isna(row["weeks_low"]):
        return (
            f"If you keep training as you have lately, clearing this within {horizon} weeks is "
            f"not likely ({say_chance(1 - row['p_never_in_horizon'])}). That can change with what "
            "and how you train; talk it over with your coach."
        )
    wide = row["weeks_high"] - row["weeks_low"]
    low = say_date(row["date_low"], as_of, range_weeks=wide)
    if pd.isna(row["weeks_high"]):
        longer = say_chance(row["p_never_in_horizon"])
        return (
            f"If you keep training as you have lately, 1 in 10 would clear it before {low} "
            f"({say_weeks(row['weeks_low'], horizon)}), and {longer} would need more than "
            f"{horizon} weeks."
        )
    high = say_date(row["date_high"], as_of, range_weeks=wide)
    return (
        f"If you keep training as you have lately, 8 in 10 would clear it between {low} and "
        f"{high} ({say_range(row['weeks_low'], row['weeks_high'], horizon)}); 1 in 10 sooner, "
        "1 in 10 later."
    )


def _chances(row: pd.Series) -> tuple[tuple[str, str], ...]:
    weeks = [w for w in (4, 8, 12, 26) if pd.notna(row[f"p_{w}"])]
    return tuple((f"within {w} weeks", say_chance(row[f"p_{w}"])) for w in weeks)


def _state_text(row: pd.Series, plateau: pd.Series, as_of: pd.Timestamp) -> str:
    state = plateau["state"]
    since = ""
    if pd.notna(plateau["since"]):
        since = " since " + say_date(plateau["since"], as_of, range_weeks=7)
    if state == "climbing":
        return f"What you can do on a usual day has been rising{since}."
    if state == "flat":
        return (
            f"Your usual day has hardly moved{since}. This warning is set so that it is rarely a "
            "false alarm, but it can be one."
        )
    if state == "slipping":
        return f"Your usual day has been going down{since}."
    if state == "paused":
        return f"You have not trained this rung{since or ' lately'}; nothing says you are stuck."
    if row["sessions"] == 0:
        return "There is no session yet to judge by."
    return "Your record so far fits both getting better and standing still."


def _helps(state: str, rung: Rung, data: AthleteData) -> tuple[str, ...]:
    helps = HELPS[state]
    if rung.fallback and state in ("flat", "slipping"):
        name = data.ladder.rung(rung.fallback).name
        helps = (*helps, f"The rung to go back to when form breaks here: {name}.")
    return helps


def _sure(row: pd.Series) -> str:
    comparable = int(row["comparable"])
    others = (
        "nobody in this record has cleared it yet"
        if comparable == 0
        else f"{comparable} cleared one like it before"
        if comparable == 1
        else f"{comparable} others cleared it before"
    )
    sessions = f"{count_of(row['sessions'], 'session')} of yours on this rung"
    return (
        f"This forecast is {CONFIDENCE_WORDS[row['confidence']]}: it rests on {sessions}, and "
        f"{others}. The range is meant to hold 8 times in 10, so 2 times in 10 it will be wrong."
    )
