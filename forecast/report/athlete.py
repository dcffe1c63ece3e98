"""The athlete's page: one plain sheet with nobody else's data on it."""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd

from forecast.charts import chance_by_week, ladder_ahead, progress
from forecast.ladder import Rung
from forecast.log import counted
from forecast.readiness import AWAY, CLIMBING, FLAT, LAST_SESSIONS, PAIN, SLIPPING, UNCLEAR
from forecast.report.advice import CONFIDENCE_WORDS, HELPS, STATE_WORDS, STOP
from forecast.report.data import AthleteData
from forecast.report.figures import Figure, figure
from forecast.report.page import render
from forecast.report.tables import OpenTables
from forecast.report.words import (
    in_sessions,
    say_chance,
    say_date,
    say_day,
    say_range,
    say_usual,
    say_value,
    say_weeks,
)

WIDE = 7.0
"""Weeks of range from which a part of a month is said and not a day."""


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
    figures: tuple[Figure, ...] = field(repr=False)

    def _repr_markdown_(self) -> str:
        lines = [
            f"## {self.name}",
            f"**Where you stand.** {self.stands}",
            f"**The range ahead.** {self.headline}. {self.when}",
            f"**Stuck, or is this normal?** {self.state}. {self.state_text}",
            "**What usually helps**, as common practice goes:",
            "\n".join(f"- {text}" for text in self.helps),
            f"**How sure is this?** {self.sure}",
            *([f"**On this rung.** {self.caution}"] if self.caution else []),
        ]
        return "\n\n".join(lines)


def athlete_cards(data: AthleteData) -> list[RungCard]:
    """Return what there is to say on each open rung of an athlete, in the ladder's order."""
    rows = data.forecast.summary
    return [_card(data, rows.iloc[i], i) for i in range(len(rows))]


def athlete_page(data: AthleteData) -> str:
    """Return the page of one athlete as HTML."""
    rows = data.forecast.summary
    cards = athlete_cards(data)
    figures = [f for card in cards for f in card.figures]
    ahead = _ahead(data)
    return render(
        "athlete.html.j2",
        title=f"{data.athlete}: where you stand",
        figures=[*figures, *ahead],
        data=data,
        cards=cards,
        ahead=ahead,
        nothing_open="" if cards else _nothing_open(data),
        stop=STOP,
        pain=(rows["mark"] == PAIN).any(),
    )


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


def _ahead(data: AthleteData) -> list[Figure]:
    if len(data.ahead) < 2 or (data.forecast.summary["mark"] == PAIN).any():
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
        state=STATE_WORDS[row["mark"]],
        state_text=_state_text(row, plateau, as_of),
        helps=_helps(row["mark"], rung, data),
        sure=_sure(row),
        form=rung.form,
        caution=rung.caution,
        figures=_figures(data, row["who"], number),
    )


def _figures(data: AthleteData, who: str, number: int) -> tuple[Figure, ...]:
    one = data.tables.only("who", who)
    if one.curve.empty:
        return (_sets_figure(number, one),) if len(one.sets) else ()
    chance = chance_by_week(one.curve, one.points, as_of=data.forecast.as_of)
    figures = [
        figure(
            f"chance-{number}",
            chance,
            title="How likely by when",
            subtitle="How the chance grows week by week, if you keep training as lately."
            + (" Shaded: 8 in 10 clear it in here." if one.points["week"].notna().any() else ""),
        )
    ]
    if len(one.sets):
        figures.insert(0, _sets_figure(number, one))
    return tuple(figures)


def _sets_figure(number: int, one: OpenTables) -> Figure:
    chart = progress(one.sets, one.level, one.fan, one.marks)
    bar = bool(one.marks["date_low"].notna().any())
    return figure(
        f"progress-{number}",
        chart,
        title="Your sets so far",
        subtitle="Each point is a set. The line is what a usual day brings, the shade how "
        "well that is known; dotted, where it is heading."
        + (" The bar on the pass mark is when you may clear it." if bar else ""),
    )


def _stands(row: pd.Series, rung: Rung) -> str:
    criterion = rung.criterion
    mark = say_value(criterion.target, criterion.measure) + in_sessions(criterion.confirm_sessions)
    level = say_usual(row["usual"], criterion.measure)
    if row["sessions"] == 0:
        return (
            f"You have no session on this rung yet. Going by your other rungs, a first usual day "
            f"would bring about {level}; the mark is {mark}."
        )
    sessions = counted(row["sessions"], "session")
    if pd.isna(row["usual"]):
        last = counted(min(int(row["sessions"]), LAST_SESSIONS), "session")
        return f"No set of your last {last} counted toward the mark of {mark} yet."
    next_one = (
        ""
        if row["mark"] == PAIN
        else f" Chance that your next session meets the mark: {say_chance(row['p_next_session'])}."
    )
    return (
        f"On a usual day you are at about {level}; the mark is {mark}. That is read from "
        f"{sessions}, not from your best day.{next_one}"
    )


def _headline(row: pd.Series, as_of: pd.Timestamp, horizon: int) -> str:
    if row["mark"] == PAIN:
        return "On hold"
    if pd.isna(row["weeks_mid"]):
        return f"Probably more than {horizon} weeks"
    wide = row["weeks_high"] - row["weeks_low"]
    date = say_date(row["date_mid"], as_of, range_weeks=wide)
    weeks = say_weeks(row["weeks_mid"], horizon)
    return f"{weeks[0].upper()}{weeks[1:]}: {date}"


def _when(row: pd.Series, as_of: pd.Timestamp, horizon: int) -> str:
    if row["mark"] == PAIN:
        return (
            "Pain is noted, so no weeks and no dates until a licensed clinician or your coach has "
            "seen it."
        )
    # For somebody away "as lately" would be not at all; the forecast has their coming back in it.
    away = row["mark"] == AWAY
    given = "If you come back as others have" if away else "If you keep training as you have lately"
    if pd.isna(row["weeks_low"]):
        return (
            f"{given}, clearing this within {horizon} weeks is "
            f"not likely ({say_chance(1 - row['p_never_in_horizon'])}). That can change with what "
            "and how you train; talk it over with your coach."
        )
    wide = row["weeks_high"] - row["weeks_low"]
    low = say_date(row["date_low"], as_of, range_weeks=wide)
    if pd.isna(row["weeks_high"]):
        longer = say_chance(row["p_never_in_horizon"])
        return (
            f"{given}, 1 in 10 would clear it before {low} "
            f"({say_range(row['weeks_low'], row['weeks_low'], horizon)}), and {longer} would need "
            f"more than {horizon} weeks."
        )
    high = say_date(row["date_high"], as_of, range_weeks=wide)
    return (
        f"{given}, 8 in 10 would clear it between {low} and "
        f"{high} ({say_range(row['weeks_low'], row['weeks_high'], horizon)}); 1 in 10 sooner, "
        "1 in 10 later."
    )


def _chances(row: pd.Series) -> tuple[tuple[str, str], ...]:
    if row["mark"] == PAIN:
        return ()
    weeks = [w for w in (4, 8, 12, 26) if pd.notna(row[f"p_{w}"])]
    return tuple((f"within {w} weeks", say_chance(row[f"p_{w}"])) for w in weeks)


def _state_text(row: pd.Series, plateau: pd.Series, as_of: pd.Timestamp) -> str:
    state = row["mark"]
    if state == PAIN:
        return "Whether you are stuck is not the question now; pain comes first."
    if state == CLIMBING:
        return "What you can do on a usual day has been rising lately."
    if state == AWAY:
        return "You have not trained this rung lately; nothing says you are stuck."
    if state == UNCLEAR and row["sessions"] == 0:
        return "There is no session yet to judge by."
    if state == UNCLEAR:
        return "Your record so far fits both getting better and standing still."
    moved = "hardly moved" if state == FLAT else "gone down"
    text = f"Your usual day has {moved}{_since(plateau, as_of)}."
    if plateau["changed"]:
        text += f" Seen in your log at about the same time, not as its cause: {plateau['changed']}."
    return (
        f"{text} This warning is set to be a false alarm only about once in five years of "
        "training, but it can be one."
    )


def _since(plateau: pd.Series, as_of: pd.Timestamp) -> str:
    """Since when, no finer than it is known; empty where that can't be told."""
    if pd.isna(plateau["since"]):
        return " for some time"
    days = [say_date(plateau[name], as_of, range_weeks=WIDE) for name in
            ("since", "since_low", "since_high")]  # fmt: skip
    return f" since {days[0]} (somewhere between {days[1]} and {days[2]})"


def _helps(state: str, rung: Rung, data: AthleteData) -> tuple[str, ...]:
    helps = HELPS[state]
    if rung.fallback and state in (FLAT, SLIPPING):
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
    sessions = f"{counted(row['sessions'], 'session')} of yours on this rung"
    if row["mark"] == PAIN:
        return f"The record holds {sessions}; {others}."
    return (
        f"This forecast is {CONFIDENCE_WORDS[row['confidence']]}: it rests on {sessions}, and "
        f"{others}. The range is meant to hold 8 times in 10, so 2 times in 10 it will be wrong."
    )
