"""What an athlete's page says of each open rung, in sentences."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from forecast.ladder import Ladder, Rung
from forecast.log import counted
from forecast.readiness import AWAY, CLIMBING, FLAT, LAST_SESSIONS, PAIN, SLIPPING, UNCLEAR
from forecast.report.advice import CONFIDENCE_WORDS, HELPS, STATE_WORDS
from forecast.report.data import AthleteData
from forecast.report.figures import Picture, told_once
from forecast.report.tables import OpenTables
from forecast.report.words import (
    in_sessions,
    say_chance,
    say_date,
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
    """Return what there is to say on each open rung of an athlete, in the ladder's order.

    What was said of a rung before it on the page is not said again.
    """
    cards: list[RungCard] = []
    helped: dict[str, str] = {}
    explained: set[str] = set()
    by_who = data.tables.split("who")
    for row in data.forecast.summary.itertuples(index=False):
        pictures = told_once(_pictures(by_who[row.who], row), explained)
        cards.append(_card(data, row, pictures, helped.get(row.mark)))
        helped.setdefault(row.mark, row.rung_name)
    return cards


def _card(
    data: AthleteData, row: Any, pictures: tuple[Picture, ...], helped: str | None
) -> RungCard:
    rung = data.ladder.rung(row.rung)
    plateau = next(data.plateaus[data.plateaus["rung"] == row.rung].itertuples(index=False))
    as_of, horizon = data.forecast.as_of, data.forecast.horizon_weeks
    return RungCard(
        name=row.rung_name,
        stands=_stands(row, rung),
        headline=_headline(row, as_of, horizon),
        soon=_soon(row, horizon),
        when=_when(row, as_of, horizon),
        chances=_chances(row),
        state=STATE_WORDS[row.mark],
        state_text=_state_text(row, plateau, as_of),
        normal=_normal(row, data.others),
        helps=_helps(row.mark, rung, data.ladder, helped),
        sure=_sure(row),
        form=rung.form,
        caution=rung.caution,
        pictures=pictures,
    )


def _pictures(one: OpenTables, row: Any) -> Iterator[Picture]:
    """What is drawn of a rung: its sets, where any were logged; the chance, but beside pain."""
    mark = one.marks.iloc[0]
    if len(one.sets):
        yield Picture(
            "progress",
            row.who,
            "Your sets so far",
            "Each point is a set. The line is what a usual day shows, the shade how well that "
            "is known"
            + ("; dotted, where it is heading." if len(one.fan) else ".")
            + (
                " The bar on the pass mark is when you may clear it."
                if pd.notna(mark["date_low"])
                else ""
            ),
            f"Progress of {row.who}: {mark['text_target']}; {mark['text_when']}.",
            mark["text_tie"],
        )
    if len(one.curve):
        yield Picture(
            "chance",
            row.who,
            "How likely by when",
            f"How the chance grows week by week, {_given(row)}."
            + (" Shaded: 8 in 10 clear it in here." if one.points["week"].notna().any() else ""),
            f"Chance of clearing by week for {row.who}: {'; '.join(one.points['text'])}.",
        )


def _given(row: Any) -> str:
    """What the dates suppose; of somebody away, the forecast has their coming back in it."""
    if row.mark == AWAY:
        return "if you come back as others have"
    return "if you keep training as you have lately"


def _stands(row: Any, rung: Rung) -> str:
    criterion = rung.criterion
    mark = say_value(criterion.target, criterion.measure) + in_sessions(criterion.confirm_sessions)
    level = say_usual(row.usual, criterion.measure)
    if row.sessions == 0:
        return (
            "You have no session on this rung yet. Going by your other rungs, a first usual day "
            f"would bring about {level}; the mark is {mark}."
        )
    if pd.isna(row.usual):
        last = counted(min(int(row.sessions), LAST_SESSIONS), "session")
        return f"No set of your last {last} counted toward the mark of {mark} yet."
    usual = (
        f"After the time away, a usual day would bring about {level}"
        if row.mark == AWAY
        else f"On a usual day you are at about {level}"
    )
    said = (
        f"{usual}; the mark is {mark}. That is read from {counted(row.sessions, 'session')}, not "
        "from your best day."
    )
    if row.mark == PAIN:
        return said
    return f"{said} Chance that your next session meets the mark: {say_chance(row.p_next_session)}."


def _headline(row: Any, as_of: pd.Timestamp, horizon: int) -> str:
    if row.mark == PAIN:
        return "On hold"
    if pd.isna(row.weeks_mid):
        return f"Probably more than {horizon} weeks"
    date = say_date(row.date_mid, as_of, range_weeks=row.weeks_high - row.weeks_low)
    weeks = say_weeks(row.weeks_mid, horizon)
    return f"{weeks[0].upper()}{weeks[1:]}: {date}"


def _soon(row: Any, horizon: int) -> str:
    if row.mark == PAIN:
        return "no dates before somebody has seen it"
    if pd.isna(row.weeks_mid):
        return f"fewer than half clear it within {horizon} weeks"
    return f"half clear it within {say_weeks(row.weeks_mid, horizon)}".replace(
        "within less", "in less"
    )


def _normal(row: Any, others: pd.DataFrame) -> str:
    """Compare the weeks so far with those of the others; nothing beside pain."""
    mine = others[others["rung"] == row.rung]
    if row.mark == PAIN or mine.empty:
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


def _when(row: Any, as_of: pd.Timestamp, horizon: int) -> str:
    if row.mark == PAIN:
        return (
            "Pain is noted, so no weeks and no dates until a licensed clinician or your coach has "
            "seen it."
        )
    given = _given(row).capitalize()
    if pd.isna(row.weeks_low):
        return (
            f"{given}, clearing this within {horizon} weeks is "
            f"not likely ({say_chance(1 - row.p_never_in_horizon)}). That can change with what "
            "and how you train; talk it over with your coach."
        )
    wide = row.weeks_high - row.weeks_low
    low = say_date(row.date_low, as_of, range_weeks=wide)
    if pd.isna(row.weeks_high):
        return (
            f"{given}, 1 in 10 would clear it before {low} "
            f"({say_range(row.weeks_low, row.weeks_low, horizon)}), and "
            f"{say_chance(row.p_never_in_horizon)} would need more than {horizon} weeks."
        )
    high = say_date(row.date_high, as_of, range_weeks=wide)
    return (
        f"{given}, 8 in 10 would clear it between {low} and "
        f"{high} ({say_range(row.weeks_low, row.weeks_high, horizon)}); 1 in 10 sooner, "
        "1 in 10 later."
    )


def _chances(row: Any) -> tuple[tuple[str, str], ...]:
    if row.mark == PAIN:
        return ()
    known = {week: getattr(row, f"p_{week}") for week in (4, 8, 12, 26)}
    return tuple((f"within {w} weeks", say_chance(p)) for w, p in known.items() if pd.notna(p))


STATE_TEXTS = {
    PAIN: "Whether you are stuck is not the question now; pain comes first.",
    CLIMBING: "What you can do on a usual day has been rising lately.",
    AWAY: "You have not trained this rung lately; nothing says you are stuck.",
    UNCLEAR: "Your record so far fits both getting better and standing still.",
}


def _state_text(row: Any, plateau: Any, as_of: pd.Timestamp) -> str:
    if row.mark == UNCLEAR and row.sessions == 0:
        return "There is no session yet to judge by."
    if row.mark in STATE_TEXTS:
        return STATE_TEXTS[row.mark]
    moved = "hardly moved" if row.mark == FLAT else "gone down"
    text = f"Your usual day has {moved}{_since(plateau, as_of)}."
    if plateau.changed:
        text += f" Seen in your log at about the same time, not as its cause: {plateau.changed}."
    return (
        f"{text} This warning is set to be a false alarm only about once in five years of "
        "training, but it can be one."
    )


def _since(plateau: Any, as_of: pd.Timestamp) -> str:
    """Since when, no finer than it is known; empty where that can't be told."""
    if pd.isna(plateau.since):
        return " for some time"
    days: Iterable[pd.Timestamp] = (plateau.since, plateau.since_low, plateau.since_high)
    begun, early, late = (say_date(day, as_of, range_weeks=WIDE) for day in days)
    between = f" (somewhere between {early} and {late})" if early != late else ""
    return f" since {begun}{between}"


def _helps(mark: str, rung: Rung, ladder: Ladder, helped: str | None) -> tuple[str, ...]:
    """What usually helps; of a rung like one above, ``helped``, only what is its own."""
    helps = HELPS[mark] if helped is None else (f"As above, for {helped}.",)
    if rung.fallback and mark in (FLAT, SLIPPING):
        back = ladder.rung(rung.fallback).name
        helps = (*helps, f"The rung to go back to when form breaks here: {back}.")
    return helps


def _sure(row: Any) -> str:
    comparable = int(row.comparable)
    others = "nobody in this record has cleared it yet"
    if comparable:
        others = f"{counted(comparable, 'other')} cleared it before"
    sessions = f"{counted(row.sessions, 'session')} of yours on this rung"
    if row.mark == PAIN:
        return f"The record holds {sessions}; {others}."
    sure = CONFIDENCE_WORDS[row.confidence]
    return f"This forecast is {sure}: it rests on {sessions}, and {others}."
