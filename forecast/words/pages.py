"""What pages say beside rows: headings, cautions, the answer first, an athlete's card, footers."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from forecast.log import counted
from forecast.row import PAIN, PAUSED, Row
from forecast.words import say
from forecast.words.captions import in_sessions
from forecast.words.rows import STATE_NAMES, RowWords, for_athlete, for_coach

STOP = (
    "Pain ends the session: sharp pain, pain that grows from set to set, or pain in a joint.",
    "See a licensed clinician when pain is still there after a day or two, comes back each "
    "session, wakes you at night, or comes with swelling, numbness, tingling or a joint that "
    "gives way.",
    "Straight-arm loading is slow on tendons: they adapt over months, not weeks. Add volume "
    "slowly, and less than you feel ready for.",
    "This page clears nobody to train. A qualified coach who sees you decides, and after pain or "
    "injury a licensed clinician.",
    "The rules of your gym or club come first.",
)
"""When to stop and see somebody, for athletes; common practice, no source."""

TEXTS: Mapping[str, str] = {
    "as_of": "from everything logged before {day}",
    "no_script": "The charts need JavaScript; the words and tables say the same without it.",
    "no_charts": "Written without charts; the words and tables say the same.",
    "no_drawing": "The charts can't be drawn here (a browser from before 2023, or the file "
    "{file} is not beside this page); the words and tables say the same.",
    # the coach's page
    "coach": "{club}: coach's sheet",
    "nobody": "Nobody waits",
    "nobody_why": "No rung is open: everybody in the log has cleared every rung they tried and "
    "there is none above, or has stopped logging. There is nothing to forecast until a new rung is "
    "begun.",
    "sheet": "Who stands where",
    "line": "Line",
    "sheet_how": "Most urgent first; the most urgent rung of each. Line: half a year back and half "
    "a year ahead, with the pass mark. Weeks: 8 in 10 clear it within this range, half of them by "
    "the date beside it, if training goes on as lately.",
    "coach_caution": "Pain ends the session; an athlete with pain that stays is sent to a licensed "
    "clinician. Straight-arm loading is slow on tendons: form first, volume slowly, over months. A "
    "forecast clears nobody to train, and no date is a promise or a deadline. A qualified coach "
    "who sees the athlete decides; local rules come first.",
    "changed": "What changed since {day}",
    "changed_nothing": "Nothing new: nobody cleared, stalled, stayed away or came, and no pain "
    "was noted.",
    "retests": "Cleared once, due for a re-test",
    "retests_how": "What was cleared and not trained since fades. These rungs of athletes who "
    "train now have probably dropped below their mark; test them before you build on them. In "
    "brackets: what a usual day would show now.",
    "clients": "One athlete at a time",
    "clients_how": "A click opens an athlete; what is open is printed too. {how}",
    "rests_on": "What the forecast rests on",
    "back": "Back to the sheet",
    "own_page": "{athlete}'s own page",
    "sure": "How to read this, and how sure it is",
    "coach_end": "Pain ends the session. This page clears nobody to train; local rules come first.",
    # an athlete's page
    "athlete": "{athlete}: where you stand",
    "pain": "Pain comes first",
    "pain_why": "Pain is noted in your log lately. Stop training what hurts, tell your coach, and "
    "see a licensed clinician before you go on. There are no weeks and no dates for it until then.",
    "stand": "Where you stand",
    "range": "The range ahead",
    "stuck": "Stuck, or is this normal?",
    "helps": "What usually helps",
    "helps_how": "Common practice among coaches, not advice made for you.",
    "how_sure": "How sure is this?",
    "clean": "Counts when clean: {form}",
    "mind": "On this rung: {caution}",
    "sets": "Your sets so far",
    "chances": "How likely by when",
    "rates": "Weeks by which half clear each rung, at so many sessions a week on a rung; a dash: "
    "later than looked ahead, or on hold.",
    "up": "Further up",
    "up_title": "The ladder ahead of you",
    "up_how": "Top rung first. Bar: 8 in 10 get there in here. Diamond: half have by then. Arrow: "
    "it may take longer than the chart is wide. The further up, the wider: each rung waits for the "
    "one before.",
    "stop": "When to stop and see somebody",
    "athlete_end": "A forecast says what usually happens when training goes on as lately. Its "
    "range is meant to hold 8 times in 10, so 2 times in 10 it will be wrong. It is not a "
    "promise, a deadline or permission to train.",
    "for_coach": "For the coach: back to the coach's sheet",
    # the analyst's page
    "analyst": "{club}: the cohort",
    "association": "All of this is what went together in the log: association, not cause. Athletes "
    "who reach the upper rungs are not those who began.",
    "ask_clearing": "How long does a rung take?",
    "ask_bottlenecks": "Which rung holds people up?",
    "ask_pace": "Who is quick, which rung is hard?",
    "ask_growth": "How do levels grow?",
    "ask_lapse": "Who stops?",
    "ask_audit": "Are the pass marks right?",
    "ask_roster": "Does anything in the roster go with it?",
    "ask_trust": "Can the forecasts be trusted?",
    "table_clearing": "Weeks by which half had cleared, with its interval. Lapsed: stopped logging "
    "for longer than the absences in this log usually last.",
    "table_bottlenecks": "Where the weeks go. Flat: share of the weeks trained on it with too "
    "little gain.",
    "table_lapse": "Odds that a training day was the last.",
    "table_roster": "Roster against clearing, within rungs.",
    "pace": "Pace of athletes",
    "pace_rows": "Pace of athletes, {first} to {last}",
    "weeks_of_each": "The weeks of each rung",
    "no_curve": "No rung has a curve yet. {text}",
    "no_quarter": "A quarter has not cleared on any rung yet, so there is no middle half to draw.",
    "one_athlete": "The pace of one athlete alone cannot be compared with anybody's.",
    "no_line": "Nobody has sessions on one rung in two different weeks yet, so there is no line to "
    "draw from one to the other.",
    "no_roster": "No roster was given, so there is nothing to compare athletes by; a table with a "
    "column 'athlete' and others such as age or training years would be one.",
    "growth_how": "The level is what a usual day would show; it is filtered: each point uses only "
    "what had been logged by then.",
    "not_worked_out": "Not worked out: {why}",
    "slowest_unknown": "Which rung is slowest cannot be said: {why}",
    "not_tried": "Whether the forecasts hold on this log has not been tested yet.",
    "how_to_try": "No backtest was run with this page. Before relying on any range, run one on "
    "this log ('backtest --keep FILE') and give it to the page ('report --backtest FILE').",
    "analyst_end": "Figures about people: handle the page as you would the log. No figure here "
    "clears anybody to train; pain ends a session, and local rules come first.",
}
"""Headings and fixed sentences, by name."""

COLUMNS: Mapping[str, tuple[str, str]] = {
    "name": ("Rung", "text"),
    "n_spells": ("Spells", "text"),
    "n_cleared": ("Cleared", "text"),
    "n_lapsed": ("Lapsed", "text"),
    "median_weeks": ("Half by week", "weeks"),
    "median_low": ("{interval} from", "weeks"),
    "median_high": ("to", "weeks"),
    "share_logged": ("Share of all weeks", "share"),
    "flat_share": ("Flat", "share"),
    "lapse_share": ("Ended in lapse", "share"),
    "contrast": ("Compared", "text"),
    "odds_ratio": ("Odds of stopping, times", "number"),
    "column": ("Roster column", "text"),
    "unit": ("Compared", "text"),
    "hazard_ratio": ("Clears, times as often", "number"),
    "low": ("{interval} from", "number"),
    "high": ("to", "number"),
    "p_holm": ("p (Holm)", "number"),
    "as_of": ("Cut date", "day"),
    "athlete": ("Athlete", "text"),
    "rung_name": ("Rung", "text"),
    "date_mid": ("Half by", "day"),
    "expected": ("Expected", "share"),
    "forecaster": ("Forecaster", "text"),
    "level_value": ("Usual day", "number"),
    "p_12": ("Within 12 weeks", "chance"),
    "p_26": ("Within 26 weeks", "chance"),
    "p_lapse_26": ("Stops within 26 weeks", "chance"),
    "reason": ("Reason", "text"),
    "sessions": ("Sessions", "number"),
    "state": ("State", "text"),
    "target": ("Pass mark", "number"),
    "weeks_high": ("9 in 10 by week", "weeks"),
    "weeks_low": ("1 in 10 by week", "weeks"),
    "weeks_mid": ("Half by week", "weeks"),
}
"""Columns of results that pages and notebooks show: heading, and kind of value (see `cell`)."""

HOW_SURE = (
    "A range is meant to hold 8 times in 10: of ten athletes, expect one to clear sooner and one "
    "later. Run the backtest on your own log before you rely on it.",
    "All of it supposes that the athlete keeps training as lately, with the usual breaks, and does "
    "not stop for good.",
    "Where pain is noted there are no weeks and no dates until a licensed clinician or a qualified "
    "coach has seen it.",
    "Record says how much there is to go by: good, ten sessions or more and five others who have "
    "cleared the rung; thin, under five sessions or nobody to compare with; fair in between.",
    "What goes with a slow stretch in the log is an observation, not its cause.",
)
LIKELY, NAMED = 0.5, 5
"""Chance of clearing within 4 weeks from which somebody is named, and how many are."""


def text(name: str, **figures: object) -> str:
    """Return a heading or sentence of a page; a day is written with its year."""
    days = {key: value for key, value in figures.items() if isinstance(value, pd.Timestamp)}
    written = {key: f"{day.day} {day:%B} {day.year}" for key, day in days.items()}
    return TEXTS[name].format(**{**figures, **written})


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


_OWN = {
    "pain": "pain was noted",
    "slipping": "{} began to slip",
    "flat": "{} went flat",
    "away": "you have been away from {}",
    "left": "no set was noted",
    "re-test": "due for a re-test: {}",
    "cleared": "you cleared {}",
    "moving again": "{} is moving again",
    "back": "you came back to {}",
    "came": "your log began",
    "chance": "the chance on {} moved a good deal",
}
"""An athlete's own changes, by kind; corrections of the log are between coach and log."""


def own_changes(
    changes: Iterable[tuple[str, str]], since: pd.Timestamp, as_of: pd.Timestamp
) -> str:
    """Return what changed for one athlete, as (kind, rung's name), in a sentence; or nothing."""
    events = [_OWN[kind].format(rung) for kind, rung in changes if kind in _OWN]
    return f"Since {say.day(since, as_of)}: {'; '.join(events)}." if events else ""


def account(way: int, after: int, ends: Mapping[str, int], under_way: int) -> str:
    """Return the sets and spells behind the pages, in a sentence; the counts add up.

    ``way, after``: sets on the way and on rungs cleared before; ``ends``: spells by outcome;
    ``under_way``: those begun before the log.
    """
    upkeep = f", {way} of them on the way and {after} on rungs cleared before" if after else ""
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
            f"**{TEXTS['stand']}.** {self.stands}",
            f"**{TEXTS['range']}.** {own.headline}",
            f"**{TEXTS['stuck']}** {self.state} {own.why} {self.normal}",
            f"**{TEXTS['helps']}**, as common practice goes: {own.next_step}",
            f"**{TEXTS['how_sure']}** {self.sure}",
            *([TEXTS["mind"].format(caution=caution)] if caution else []),
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
        line=f"{own.stands.replace('- of', 'mark')}; {own.state}; {when}.",
        stands=_stands(row),
        state=say.sentence(own.state),
        normal="" if row.state in (PAIN, PAUSED) else normal,
        sure=_sure(row),
    )


def _stands(row: Row) -> str:
    criterion, seen = row.rung.criterion, row.seen
    mark = say.value(criterion.target, criterion.measure) + in_sessions(criterion.confirm_sessions)
    value = row.level.value
    if seen.sessions == 0:
        guess = say.value(row.level.guess, criterion.measure)
        return (
            "You have no session on this rung yet. Going by your other rungs, a first usual day "
            f"would bring about {guess}; the mark is {mark}."
        )
    if np.isnan(value):
        return f"No set has counted toward the mark of {mark} lately."
    level = say.value(value, criterion.measure)
    if row.is_away:
        usual = f"Before the break a usual day brought about {level}"
    elif row.state == PAUSED:
        usual = f"After the break a usual day would bring about {level}"
    else:
        usual = f"On a usual day you are at about {level}"
    text = (
        f"{usual}; the mark is {mark}. That is read from {counted(seen.sessions, 'session')}, not "
        "from your best day."
    )
    if criterion.confirm_sessions > 1 and seen.run:
        need = criterion.confirm_sessions
        text += f" So far you have met it in {seen.run} of the {need} sessions in a row."
    if row.wait is None:
        return text
    return f"{text} Chance that your next session meets it: {say.chance(row.wait.next_session)}."


_SURE = {
    "good": "fairly sure of its range",
    "fair": "only roughly sure",
    "thin": "little more than an educated guess",
}


def _sure(row: Row) -> str:
    others = (
        f"{counted(row.comparable, 'other')} cleared it before"
        if row.comparable
        else "nobody in this record has cleared it yet"
    )
    count = counted(row.seen.sessions, "session") if row.seen.sessions else "no session"
    sessions = f"{count} of yours on this rung"
    if row.hold:
        return f"The record holds {sessions}; {others}."
    return f"This forecast is {_SURE[row.record]}: it rests on {sessions}, and {others}."


def beside_others(week: int, at_least: bool, quarter: float, three_quarters: float) -> str:
    """Return an athlete's week on a rung beside the weeks that others took for it."""
    now = f"you are in week {week}{' or later' if at_least else ''}"
    if np.isnan(quarter):
        return f"Too few others have cleared this rung here to say what is usual; {now}."
    if np.isfinite(three_quarters):
        longer = ", longer than most" if week > three_quarters else ""
        return (
            f"Half of the others took {quarter:.0f} to {three_quarters:.0f} weeks; {now}{longer}."
        )
    if np.isfinite(quarter):
        return (
            f"A quarter of the others took {quarter:.0f} weeks or less, and more than a quarter "
            f"longer than this record can show; {now}."
        )
    return f"Fewer than a quarter of the others have cleared this rung here so far; {now}."


def nothing_open(cleared: Sequence[tuple[str, pd.Timestamp]], as_of: pd.Timestamp) -> str:
    """Return what there is to say where every rung logged is behind the athlete."""
    days = [f"{rung} on {say.day(day, as_of)}" for rung, day in cleared]
    done = f"You cleared {say.listed(days)}. " if days else ""
    return (
        f"No rung is open for you now, so there is nothing to forecast. {done}What comes next is "
        "for you and your coach to choose."
    )


AS_NOW = "as now"
"""Heading of the rate kept lately."""


def per_week(rate: float) -> str:
    """Return a rate of training as a heading: ``2 a week``."""
    return f"{rate:.3g} a week"
