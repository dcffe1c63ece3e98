"""What pages say beside rows: headings, cautions, the answer first, an athlete's card, footers."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from forecast.log import counted
from forecast.row import PAIN, PAUSED, Row, most_urgent_first
from forecast.words import say
from forecast.words.captions import in_sessions
from forecast.words.rows import ON_HOLD, STATE_NAMES, RowWords, for_athlete, for_coach
from forecast.words.say import text

STOP, HOW_SURE = (tuple(say.TEXTS["lists"][name]) for name in ("stop", "how_sure"))
"""When to stop and see somebody, for athletes (common practice, no source); and of the ranges."""
COLUMNS: Mapping[str, tuple[str, str]] = say.TEXTS["columns"]
"""Columns of results that pages and notebooks show: heading, and kind of value (see `cell`)."""
LIKELY, NAMED = 0.5, 5
"""Chance of clearing within 4 weeks from which somebody is named, and how many are."""


def cell(value: Any, kind: str) -> str:
    """Return a value in a table: a dash where missing, ``not reached`` for weeks without end."""
    if pd.isna(value):
        return "-"
    if kind == "weeks":
        return "not reached" if value == np.inf else f"{value:.0f}"
    forms = {
        "share": lambda: f"{100 * value:.0f}{say.NBSP}%",
        "chance": lambda: say.percent(value),
        "number": lambda: f"{value:.3g}",
        "day": lambda: f"{value.day} {value:%b %Y}",
    }
    return forms.get(kind, lambda: str(value))()


def club_answer(rows: Sequence[Row]) -> tuple[str, ...]:
    """Return sentences on a club: how the open rungs stand, who clears next, who is away."""
    if not rows:
        return "No rung is open.", "There is nothing to forecast until one is begun."
    here = [row for row in rows if not row.is_away]
    counts = Counter(row.state for row in here)
    states = [f"{count} {STATE_NAMES[state]}" for state, count in counts.items()]
    first = f"{counted(len(here), 'open rung')}: {', '.join(states)}." if here else ""
    away = (
        f"Besides, {away_line(rows)} for long; they are not listed."
        if len(here) < len(rows)
        else ""
    )
    return tuple(text for text in (first, _next(here), away) if text)


def _next(rows: Sequence[Row]) -> str:
    """Who is likely to clear within 4 weeks, or else who comes first."""
    chances = [(row.wait.chances[4], row.who) for row in rows if row.wait]
    chances.sort(key=lambda pair: (-np.nan_to_num(pair[0]), pair[1]))
    likely = [f"{who} ({say.chance(chance)})" for chance, who in chances if chance >= LIKELY]
    if likely:
        more = [f"{len(likely) - NAMED} more"] if len(likely) > NAMED else []
        return f"Likely to clear within 4 weeks: {say.listed([*likely[:NAMED], *more])}."
    if not chances:
        return ""
    chance, who = chances[0]
    return f"Nobody is likely to clear within 4 weeks; soonest is {who}, {say.chance(chance)}."


def changes_line(kinds: Iterable[str], since: pd.Timestamp, as_of: pd.Timestamp) -> str:
    """Return what changed in a line: so many of each kind."""
    counts = Counter(kinds)
    kinds_text = ", ".join(f"{count} {kind}" for kind, count in counts.items())
    return f"Since {say.day(since, as_of)}: {kinds_text or 'nothing new'}."


def own_changes(
    changes: Iterable[tuple[str, str]], since: pd.Timestamp, as_of: pd.Timestamp
) -> str:
    """Return what changed for one athlete, as (kind, rung's name), in a sentence; or nothing."""
    own = say.TEXTS["own_changes"]
    events = [own[kind].format(rung) for kind, rung in changes if kind in own]
    return f"Since {say.day(since, as_of)}: {'; '.join(events)}." if events else ""


def account(way: int, after: int, ends: Mapping[str, int], under_way: int) -> str:
    """Return the sets and spells behind the pages, in a sentence; the counts add up.

    ``way, after``: sets on the way and on rungs cleared before; ``ends``: spells by outcome;
    ``under_way``: those begun before the log.
    """
    upkeep = f", {way:,} of them on the way and {after:,} on rungs cleared before" if after else ""
    begun = f"; {under_way} under way when the log began" if under_way else ""
    kinds = ", ".join(f"{count} {kind.replace('_', ' ')}" for kind, count in ends.items())
    away = " Lapsed ones stopped logging; they are forecast all the same, as away." * (
        ends.get("lapsed", 0) > 0
    )
    spells = counted(sum(ends.values()), "spell")
    return (
        f"{counted(way + after, 'set')}{upkeep}. {spells} of one athlete on one rung: "
        f"{kinds}{begun}.{away}"
    )


def retest(rung: str, value: float, target: float, measure: str) -> str:
    """Return a cleared rung that is due for a re-test: ``Toe pulls (5 of 6 s)``."""
    return f"{rung} ({say.number(value, measure)} of {say.value(target, measure)})"


def paragraphs(row: Row, *more: str) -> tuple[str, ...]:
    """Return a row in a coach's words, a paragraph each; ``more`` stands behind the next step."""
    coach = for_coach(row)
    return tuple(
        text
        for text in (
            f"{say.sentence(coach.state)} {coach.usual_day} {coach.headline} "
            f"Record: {coach.record}.",
            coach.why,
            f"Next: {coach.next_step}",
            *more,
            *coach.reasons,
            coach.lapse,
        )
        if text
    )


def one_each(rows: Iterable[Row]) -> list[tuple[Row, int]]:
    """Return each athlete's most urgent row, and how many more rungs they have open."""
    ordered = most_urgent_first(rows)
    counts = Counter(row.athlete for row in ordered)
    first = {row.athlete: row for row in reversed(ordered)}
    return [(row, counts[row.athlete] - 1) for row in most_urgent_first(first.values())]


def and_more(rung: str, more: int) -> str:
    """Return the rung's name, and how many more are open."""
    return f"{rung} and {more} more" if more else rung


def today(row: Row, last: float | None = None) -> dict[str, str]:
    """Return what a coach wants to know of a row tonight; ``last`` is the last session's best set.

    Nothing to reach, no chance and no rung to go back to under a hold.
    """
    criterion, coach, seen = row.rung.criterion, for_coach(row), row.seen
    confirm, run = criterion.confirm_sessions, seen.run + 1
    best = text("none_counted") if last is None or np.isnan(last) else say.value(
        last, criterion.measure)  # fmt: skip
    return {
        "reach": "" if row.hold else say.mark(criterion),
        "makes": ""
        if row.hold
        else text("clears_it")
        if run >= confirm
        else text("in_a_row", run=run, confirm=confirm),
        "chance": say.percent(row.wait.next_session) if row.wait else ON_HOLD,
        "last": f"{best}, {say.ago(seen.weeks_since)}" if seen.sessions else text("never"),
        "state": coach.state,
        "action": coach.next_step,
        "fallback": "" if row.hold or not row.back or row.back in coach.next_step else row.back,
    }


def today_text(line: Any) -> str:
    """Return a line of today's sheet (``report.today``) as a coach's two or three sentences."""
    parts = [text("today_reach", line=line)] if line.reach else []
    parts += [text("today_last", line=line), line.action]
    parts += [text("if_form_breaks", rung=line.fallback)] if line.fallback else []
    parts += [text("re_test", rungs=line.retest)] if line.retest else []
    return " ".join(parts)


def message(row: Row, more: int) -> str:
    """Return what to send an athlete: where they stand, by when, what to do, and stop at pain."""
    own = for_athlete(row)
    usual = own.usual_day[:1].lower() + own.usual_day[1:-1]
    beside = text("message_more", more=counted(more, "more rung")) if more else ""
    stands = text("message", row=row, usual=usual, state=own.state, more=beside)
    return f"{stands} {own.headline} {own.next_step} {text('message_end')}"


def away_line(rows: Iterable[Row]) -> str:
    """Return the one line for everybody away for long, empty where nobody is."""
    away = [row for row in rows if row.is_away]
    if not away:
        return ""
    people = len({row.athlete for row in away})
    return f"{counted(len(away), 'rung')} of {counted(people, 'athlete')} away"


def away_people(rows: Sequence[Row]) -> tuple[str, tuple[str, ...]]:
    """Return the one line for everybody away for long, and who it is; empty where nobody is."""
    away: dict[str, list[Row]] = {}
    for row in rows:
        if row.is_away:
            away.setdefault(row.athlete, []).append(row)
    people = tuple(
        f"{athlete}: last trained {say.ago(min(row.seen.weeks_since for row in mine))} "
        f"({say.listed([row.rung.name for row in mine])})"
        for athlete, mine in sorted(away.items())
    )
    return away_line(rows), people


@dataclass(frozen=True, slots=True)
class Card:
    """One open rung on an athlete's page: the row, its words, and sentences of the page alone."""

    row: Row
    own: RowWords
    line: str
    stands: str
    state: str
    normal: str
    sure: str

    def _repr_markdown_(self) -> str:
        own, caution = self.own, self.row.rung.caution
        lines = [
            f"## {self.row.rung.name}",
            f"**{text('stand')}.** {self.stands}",
            f"**{text('range')}.** {own.headline}",
            f"**{text('stuck')}** {self.state} {own.why} {self.normal}",
            f"**{text('helps')}**, as common practice goes: {own.next_step}",
            f"**{text('how_sure')}** {self.sure}",
            *([text("mind", caution=caution)] if caution else []),
        ]
        return "\n\n".join(lines)


def card(row: Row, normal: str = "") -> Card:
    """Return a row in words for the athlete; ``normal`` compares the weeks with the others'."""
    own = for_athlete(row)
    when = own.weeks
    if when == "-":
        when = "no date yet"
    elif when.endswith(" after"):
        when = f"{when.removesuffix(' after')} weeks after coming back"
    elif when[:1] in "<>0123456789":
        when = f"{when} {'week' if when == '1' else 'weeks'}"
    return Card(
        row,
        own,
        line=f"{own.stands.replace('- of', 'mark')}; {own.state}; {when}.".replace(
            "> ", "more than "
        ),
        stands=_stands(row),
        state=say.sentence(own.state),
        normal="" if row.state in (PAIN, PAUSED) else normal,
        sure=_sure(row),
    )


def _stands(row: Row) -> str:
    criterion, seen, value = row.rung.criterion, row.seen, row.level.value
    mark = say.value(criterion.target, criterion.measure) + in_sessions(criterion.confirm_sessions)
    if seen.sessions == 0:
        guess = say.value(row.level.guess, criterion.measure)
        return text("stands_guess", guess=guess, mark=mark)
    if np.isnan(value):
        return text("stands_uncounted", mark=mark)
    when = "before" if row.is_away else "after" if row.state == PAUSED else "now"
    usual = text(f"stands_{when}", level=say.value(value, criterion.measure))
    told = text("stands", usual=usual, mark=mark, sessions=counted(seen.sessions, "session"))
    if criterion.confirm_sessions > 1 and seen.run:
        told += text("stands_run", run=seen.run, need=criterion.confirm_sessions)
    if row.wait is None:
        return told
    return told + text("stands_next", chance=say.chance(row.wait.next_session))


def _sure(row: Row) -> str:
    others = text("no_others")
    if row.comparable:
        others = text("others", others=counted(row.comparable, "other"))
    count = counted(row.seen.sessions, "session") if row.seen.sessions else "no session"
    how = text(f"sure_{row.record}")
    return text("sure_hold" if row.hold else "sure_of", how=how, sessions=count, others=others)


def beside_others(week: int, at_least: bool, quarter: float, three_quarters: float) -> str:
    """Return an athlete's week on a rung beside the weeks that others took for it."""
    now = f"you are in week {week}{' or later' if at_least else ''}"
    figures = {"now": now, "quarter": quarter, "three": three_quarters}
    if np.isnan(quarter):
        return text("others_few", **figures)
    if np.isfinite(three_quarters):
        longer = ", longer than most" if week > three_quarters else ""
        return text("others_half", longer=longer, **figures)
    return text("others_quarter" if np.isfinite(quarter) else "others_fewer", **figures)


def nothing_open(cleared: Sequence[tuple[str, pd.Timestamp]], as_of: pd.Timestamp) -> str:
    """Return what there is to say where every rung logged is behind the athlete."""
    days = [f"{rung} on {say.day(day, as_of)}" for rung, day in cleared]
    done = f"You cleared {say.listed(days)}. " if days else ""
    return text("nothing_open", done=done)


AS_NOW = "as now"
"""Heading of the rate kept lately."""


def per_week(rate: float) -> str:
    """Return a rate of training as a heading: ``2 a week``."""
    return f"{rate:.3g} a week"
