"""The athlete's page: one plain sheet with nobody else's data on it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace

import pandas as pd

from forecast.charts import ROW, chance_by_week, ladder_ahead, progress
from forecast.ladder import Rung
from forecast.log import counted
from forecast.readiness import AWAY, CLIMBING, FLAT, LAST_SESSIONS, PAIN, SLIPPING, UNCLEAR
from forecast.report.advice import CONFIDENCE_WORDS, HELPS, STATE_WORDS, STOP
from forecast.report.data import AthleteData, ReportData
from forecast.report.figures import Figure, Picture, figure
from forecast.report.page import render
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
    soon: str
    when: str
    chances: tuple[tuple[str, str], ...]
    state: str
    state_text: str
    normal: str
    helps: tuple[str, ...]
    sure: str
    form: str
    caution: str
    pictures: tuple[Picture, ...] = field(repr=False)

    def _repr_markdown_(self) -> str:
        lines = [
            f"## {self.name}",
            f"**Where you stand.** {self.stands}",
            f"**The range ahead.** {self.headline}. {self.when}",
            f"**Stuck, or is this normal?** {self.state}. {self.state_text} {self.normal}",
            "**What usually helps**, as common practice goes:",
            "\n".join(f"- {text}" for text in self.helps),
            f"**How sure is this?** {self.sure}",
            *([f"**On this rung.** {self.caution}"] if self.caution else []),
        ]
        return "\n\n".join(lines)


def athlete_cards(data: AthleteData) -> list[RungCard]:
    """Return what there is to say on each open rung of an athlete, in the ladder's order."""
    rows = data.forecast.summary
    return [_card(data, rows.iloc[i]) for i in range(len(rows))]


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
    drawn = _figures(data)
    for athlete in athletes:
        yield athlete, _page(data.only(athlete), drawn, (back or {}).get(athlete, ""))


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
        chart = ladder_ahead(data.ahead, as_of=data.as_of, horizon_weeks=data.ahead_weeks)
        found["ahead"] = figure(
            "ahead",
            chart,
            title="The ladder ahead of you",
            subtitle="Top rung first. Bar: 8 in 10 get there in here. Diamond: half have by then. "
            "Arrow: it may take longer than the chart is wide.",
            note="The further up, the wider: each rung waits for the one before.",
        )
    return found


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


def _card(data: AthleteData, row: pd.Series) -> RungCard:
    rung = data.ladder.rung(row["rung"])
    plateau = data.plateaus[data.plateaus["rung"] == row["rung"]].iloc[0]
    as_of, horizon = data.forecast.as_of, data.forecast.horizon_weeks
    return RungCard(
        name=row["rung_name"],
        stands=_stands(row, rung),
        headline=_headline(row, as_of, horizon),
        soon=_soon(row, horizon),
        when=_when(row, as_of, horizon),
        chances=_chances(row),
        state=STATE_WORDS[row["mark"]],
        state_text=_state_text(row, plateau, as_of),
        normal=_normal(row, data.others),
        helps=_helps(row["mark"], rung, data),
        sure=_sure(row),
        form=rung.form,
        caution=rung.caution,
        pictures=_pictures(data, row["who"]),
    )


def _pictures(data: AthleteData, who: str) -> tuple[Picture, ...]:
    """What is drawn of a rung: its sets, where any were logged; the chance, but beside pain."""
    one = data.tables.only("who", who)
    mark, found = one.marks.iloc[0], []
    if len(one.sets):
        bar = pd.notna(mark["date_low"])
        found.append(
            Picture(
                "progress",
                who,
                "Your sets so far",
                "Each point is a set. The line is what a usual day shows, the shade how well that "
                "is known"
                + ("; dotted, where it is heading." if len(one.fan) else ".")
                + (" The bar on the pass mark is when you may clear it." if bar else ""),
                f"Progress of {who}: {mark['text_target']}; {mark['text_when']}.",
                mark["text_tie"],
            )
        )
    if len(one.curve):
        known = one.points["week"].notna().any()
        found.append(
            Picture(
                "chance",
                who,
                "How likely by when",
                "How the chance grows week by week, if you keep training as lately."
                + (" Shaded: 8 in 10 clear it in here." if known else ""),
                f"Chance of clearing by week for {who}: {'; '.join(one.points['text'])}.",
            )
        )
    return tuple(found)


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


def _soon(row: pd.Series, horizon: int) -> str:
    if row["mark"] == PAIN:
        return "no dates before somebody has seen it"
    return f"half clear it in {say_weeks(row['weeks_mid'], horizon)} from here"


def _normal(row: pd.Series, others: pd.DataFrame) -> str:
    """Compare the weeks so far with those of the others; nothing beside pain."""
    mine = others[others["rung"] == row["rung"]]
    if row["mark"] == PAIN or mine.empty:
        return ""
    one = mine.iloc[0]
    week = f"you are in week {one['week']}{' or later' if one['at_least'] else ''}"
    if pd.isna(one["quarter"]):
        return f"Too few others have cleared this rung here to say what is usual; {week}."
    quarter, most = (f"{one[name]:.0f}" for name in ("quarter", "three_quarters"))
    if one["three_quarters"] < float("inf"):
        return f"Half of the others took {quarter} to {most} weeks; {week}."
    if one["quarter"] < float("inf"):
        return (
            f"A quarter of the others took {quarter} weeks or less, and more than a quarter "
            f"longer than this record can show; {week}."
        )
    return f"Fewer than a quarter of the others have cleared this rung here so far; {week}."


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
