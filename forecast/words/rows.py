"""A row in words, for coach, analyst and athlete."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from forecast.log import counted
from forecast.row import (
    AT_MARK,
    CLIMBING,
    FEW,
    FLAT,
    FORM,
    HELP,
    NEW,
    NO_SUCCESS,
    PAIN,
    PAUSED,
    SLIPPING,
    STUCK,
    UNCLEAR,
    UNDATED,
    Reason,
    Row,
)
from forecast.words import say

ON_HOLD = "on hold"
WORTH_A_CALL = 0.2
"""Chance of having stopped from which a call is worth it (judgement)."""
FAR = 0.75
"""Going back a rung is worth a thought below this share of the mark (judgement)."""
TOO_WIDE = 0.2
"""An 80 % range of the gain wider than this a week measures nothing."""
OBSTACLES = say.TEXTS["obstacles"]
"""Why no set counts yet, by what is in the way."""
HEADINGS = {
    "athlete": "Athlete", "rung": "Rung", "stands": "Usual day", "weeks": "Weeks",
    "half_by": "Half by", "state": "State", "next_step": "Next step",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class RowWords:
    """A row in words.

    ``state`` with its length where that matters; ``stands`` the usual day beside the mark, and
    ``usual_day`` the same in a sentence; ``weeks`` the 80 % range and ``half_by`` the date, ``on
    hold`` beside pain; ``dated`` whether dates are given; ``headline`` both in a sentence;
    ``chances`` as (by when, how likely); ``why`` in one or two sentences; ``next_step``;
    ``reasons`` what the forecast rests on, heaviest first; ``lapse`` the chance of having stopped,
    empty under a hold; ``record`` how much there is to go by; ``warnings`` why the forecast is wide
    or needs a look.
    """

    state: str
    stands: str
    usual_day: str
    weeks: str
    half_by: str
    dated: bool
    headline: str
    chances: tuple[tuple[str, str], ...]
    why: str
    next_step: str
    reasons: tuple[str, ...]
    lapse: str
    record: str
    warnings: str


def for_coach(row: Row) -> RowWords:
    """Return a row in a coach's words.

    Parameters
    ----------
    row
        Of ``view.rows``.
    """
    return _in_words(row, _why(row), _next_step(row), say.percent)


def for_analyst(row: Row) -> RowWords:
    """Return a row in an analyst's words: the verdict's chances beside what a coach is told.

    Parameters
    ----------
    row
        Of ``view.rows``.
    """
    verdict, text = row.verdict, _why(row)
    if not row.hold and np.isfinite(verdict.p_flat):
        text += (
            f" Climbing {say.percent(verdict.p_climbing)}, flat {say.percent(verdict.p_flat)}, "
            f"slipping {say.percent(verdict.p_slipping)}."
        )
    return _in_words(row, text, _next_step(row), say.percent)


def for_athlete(row: Row) -> RowWords:
    """Return a row in plain words for the athlete.

    Parameters
    ----------
    row
        Of ``view.rows``.
    """
    return _in_words(
        row,
        _filled("own_why", "stuck" if row.state in STUCK else row.state, row),
        _filled("own_steps", row.state, row),
        say.chance,
    )


def _in_words(row: Row, why: str, step: str, chance: Callable[[float], str]) -> RowWords:
    chances = row.wait.chances.items() if row.wait else ()
    hidden = {"level", "gain"}
    if any(what == "attendance" for what, *_ in row.verdict.changed):
        hidden.add("attendance")  # told already, before and after
    reasons = (reason(one, row) for one in row.reasons if one.kind not in hidden)
    return RowWords(
        state=_state(row),
        stands=_stands(row),
        usual_day=_usual_day(row),
        weeks=_weeks(row),
        half_by=_half_by(row),
        dated=_dated(row),
        headline=_headline(row),
        chances=tuple((f"within {week} weeks", chance(p)) for week, p in chances if np.isfinite(p)),
        why=why,
        next_step=step,
        reasons=tuple(say.sentence(text) for text in reasons),
        lapse=""
        if row.hold or np.isnan(row.lapse)
        else f"Chance of having stopped for good within 26 weeks: {say.percent(row.lapse)}.",
        record=row.record,
        warnings=_warnings(row),
    )


STATE_NAMES = {
    PAIN: "pain", PAUSED: "away", NEW: "not begun", FEW: "too few sessions",
    NO_SUCCESS: "no success yet", FORM: "form first", HELP: "help first", SLIPPING: "slipping",
    FLAT: "flat", AT_MARK: "at the mark", CLIMBING: "climbing", UNCLEAR: "unclear",
}  # fmt: skip
"""What each state is called."""


def _state(row: Row) -> str:
    """Return the state in a few words, with how long or how many where that is the point."""
    if row.state in STUCK and np.isfinite(row.verdict.weeks):
        return f"{row.state}, {say.weeks(row.verdict.weeks)}"
    if row.away is not None:
        verb = "away" if row.away.person else "not trained"
        return f"{verb}, {say.weeks(row.seen.weeks_since)}" if row.seen.sessions else (
            "not begun, away" if row.away.person else "not begun")  # fmt: skip
    if row.state == FEW:
        return f"{counted(row.seen.more_sessions, 'session')} too few"
    return STATE_NAMES[row.state]


def _stands(row: Row) -> str:
    """Return what a usual day shows of the mark: ``5.1 of 6 s``, ``3 of 8 reps``."""
    criterion = row.rung.criterion
    mark = say.value(criterion.target, criterion.measure)
    value = row.level.value
    if np.isnan(value):
        return f"- of {mark}"
    return f"{say.number(value, criterion.measure)} of {mark}"


def _usual_day(row: Row) -> str:
    """Return the same in a sentence; of no set that counted, the mark alone."""
    criterion = row.rung.criterion
    if np.isnan(row.level.value):
        mark = say.value(criterion.target, criterion.measure)
        return f"No set has counted lately; the mark is {mark}." if row.seen.sessions else (
            f"The mark is {mark}.")  # fmt: skip
    return f"A usual day shows {_stands(row)}."


def _weeks(row: Row) -> str:
    """Return the 80 % range in weeks, or why none is given."""
    if row.wait is None:
        return ON_HOLD
    if row.is_away:
        return _after(row)
    return "-" if _undated(row) else say.span(row.wait.low, row.wait.high, row.wait.horizon)


def _after(row: Row) -> str:
    """Weeks after coming back, of somebody away for long; a dash where none can be given."""
    away, wait = row.away, row.wait
    if away is None or wait is None or not row.seen.sessions or _undated(row):
        return "-"
    span = say.span(away.low, away.high, wait.horizon)
    return span if say.says_nothing(away.low, away.high) else f"{span} after"


def _half_by(row: Row) -> str:
    """Return by when half clear it, empty where none is given."""
    wait = row.wait
    if wait is None or not _dated(row):
        return ""
    return say.half(wait.dates[1], wait.low, wait.high, wait.horizon, row.as_of)


def _undated(row: Row) -> bool:
    return row.state in UNDATED


def _dated(row: Row) -> bool:
    """Whether dates are given: nobody on hold or away for long, a valid set, a range worth one."""
    wait = row.wait
    if wait is None or row.is_away or _undated(row):
        return False
    return not say.says_nothing(wait.low, wait.high)


def _headline(row: Row) -> str:
    """Return when the rung is cleared, in a sentence."""
    wait = row.wait
    if wait is None:
        return say.text("headline_hold")
    if row.is_away:
        span = _after(row)
        if not span.endswith(" after"):
            return say.text("headline_gone")
        return say.text("headline_back", span=span.removesuffix(" after"))
    if _undated(row):
        return say.text("headline_undated", chance=say.chance(wait.chances[12]))
    if say.says_nothing(wait.low, wait.high):
        return say.text("headline_unknown")
    told = {"horizon": wait.horizon, "given": given(row), "first": "", "chance": ""}
    if np.isnan(wait.low):
        return say.text("headline_unlikely", **told | {"chance": say.chance(1 - wait.never)})
    if np.isnan(wait.mid):
        first = say.whole_weeks(wait.low, wait.horizon)
        return say.text("headline_few", **told | {"first": first})
    half = f"Half clear it by {_half_by(row)}".replace("by about", "about")
    if wait.low < 0.5:  # nine in ten are cleared by the upper end
        span = f"9 in 10 within {say.weeks(max(wait.high, 1.0))}"
    else:
        ends = say.span(wait.low, wait.high, wait.horizon).replace("> ", "more than ")
        span = f"8 in 10 in {ends} {'week' if ends == '1' else 'weeks'}"
    return f"{half}; {span}, {told['given']}."


def given(row: Row) -> str:
    """Return on what condition the weeks ahead are told."""
    if row.away is not None and row.away.person:
        return "if coming back goes as it did for others"
    return "if training goes on as lately"


def _why(row: Row) -> str:
    """Return what stands behind the state, in one or two sentences."""
    seen, confirm = row.seen, row.rung.criterion.confirm_sessions
    if row.state == PAUSED:
        told = _paused(row)
    elif _undated(row):
        told = str(OBSTACLES[seen.obstacle]).format(all_sets(seen.sets))
    else:
        told = str(say.TEXTS["why"][row.state]).format(
            pain=row.pain,
            sessions=counted(seen.sessions, "session"),
            more=seen.more_sessions,
            gain=_gain(row),
            stuck=_stuck(row) if row.state in STUCK else "",
            run=f"; {seen.run} of {confirm} sessions in a row so far" if confirm > 1 else "",
        )
    if row.verdict.changed:
        told += say.text("why_changed", what=_changed(row))
    if seen.less_clean and row.state not in (PAIN, PAUSED):
        told += say.text("why_less_clean")
    return told


def all_sets(count: int) -> str:
    """Return ``All 42 sets`` or ``The only set``."""
    return f"All {count} sets" if count > 1 else "The only set"


def _gain(row: Row) -> str:
    gain = row.gain
    if not np.isfinite(gain.lately):
        return "No gain can be measured yet."
    span = say.gain_range(gain.low, gain.high)
    if gain.high - gain.low > TOO_WIDE:
        return f"Too little to measure a gain ({span} a week)."
    return f"{say.gain(gain.lately)} a week over the last six weeks ({span})."


def _stuck(row: Row) -> str:
    verdict = row.verdict
    text = f"Less than {say.gain(verdict.least)} a week counts as flat. "
    text += row.state.capitalize()
    if np.isfinite(verdict.weeks):
        text += f" for about {say.weeks(verdict.weeks)}"
        low, high = ((row.as_of - day).days / 7.0 if day is not None else np.nan
                     for day in (verdict.since_high, verdict.since_low))  # fmt: skip
        if round(low) < round(high):
            text += f" ({round(low)} to {round(high)})"
    return f"{text}; {say.chance(verdict.p_flat + verdict.p_slipping)} that it is not climbing."


def _paused(row: Row) -> str:
    away = row.away
    assert away is not None
    if not row.seen.sessions:
        return "No session on this rung yet, and none on others lately."
    text = f"Last trained {say.ago(row.seen.weeks_since)}: a pause, not a plateau."
    if not away.person:
        return f"{text} Other rungs were trained."
    if row.gone > WORTH_A_CALL:
        text += f" {say.sentence(say.chance(row.gone) + ' that they have stopped')}"
    return text


def _changed(row: Row) -> str:
    texts = [
        say.TEXTS["together"][what].format(before, after)
        .replace("nan", "none noted").replace("%", " %")
        for what, before, after in row.verdict.changed
    ]  # fmt: skip
    return say.listed(texts)


def _next_step(row: Row) -> str:
    """Return one line of what to do next, fit for the exercise; common practice, no source."""
    far = row.level.guess < FAR * row.rung.criterion.target
    kind = row.state
    if row.away is not None and row.away.person and row.seen.sessions:
        kind = "paused_person"
    elif kind == AT_MARK and row.rung.criterion.confirm_sessions > 1:
        kind = "at_mark_run"
    goes_back = row.back and far and row.state in (SLIPPING, FLAT, NO_SUCCESS)
    return _filled("next_steps", kind, row) + (
        _filled("next_steps", "back", row) if goes_back else ""
    )


def _filled(section: str, kind: str, row: Row) -> str:
    """Return a sentence of a section, with the row's figures in it."""
    seen, so = row.seen, row.verdict.weeks
    return str(say.TEXTS[section][kind]).format(
        form=f" ({row.rung.form.rstrip('.')})" if row.rung.form else "",
        confirm=row.rung.criterion.confirm_sessions,
        back=row.back,
        sets=all_sets(seen.sets).lower(),
        more=counted(seen.more_sessions, "session"),
        met=seen.met,
        of=counted(seen.met_of, "session"),
        moved="gone down" if row.state == SLIPPING else "hardly moved",
        since=f" for about {say.weeks(so)}" if np.isfinite(so) else " for some time",
    )


def reason(one: Reason, row: Row) -> str:
    """Return one reason as half a sentence."""
    if one.kind in _REASONS:
        return _REASONS[one.kind](one, row)
    if one.kind in OBSTACLES:
        return str(OBSTACLES[one.kind]).format(all_sets(int(one.value))).rstrip(".")
    return str(say.TEXTS["reasons"][one.kind]).format(
        one=one,
        when="before the break" if row.away else "lately",
        size=abs(one.value),
        quicker="quicker" if one.value > 0 else "slower",
        athletes=counted(int(one.value), "athlete") if one.kind == "comparable" else "",
    )


def _of_gain(one: Reason, row: Row) -> str:
    low, high, ahead = (figure / 100.0 for figure in one.figures)
    expected = f"{say.gain(ahead)} a week is expected from now on"
    if high - low > TOO_WIDE:
        return f"too little to measure a gain ({say.gain_range(low, high)} a week); {expected}"
    lately = say.gain(one.value / 100.0)
    return f"{lately} a week over the last six weeks ({say.gain_range(low, high)}); {expected}"


def _of_level(one: Reason, row: Row) -> str:
    measure = row.rung.criterion.measure
    mark = f"the pass mark is {say.value(one.figures[0], measure)}"
    shown = say.value(one.value, measure)
    if row.seen.sessions == 0:
        return f"no session here yet: a first day is guessed at about {shown}; {mark}"
    if np.isnan(row.level.value):
        return f"no recent set counts: the level is put at about {shown}; {mark}"
    if row.is_away:
        return f"stood at about {shown} when last trained; {mark}"
    return f"stands at about {shown} on a usual day; {mark}"


def _of_away(one: Reason, row: Row) -> str:
    text = f"last trained {say.ago(one.value)}"
    back, like = one.figures
    if row.away is None or not row.away.person:
        return text
    if like == 0:
        return f"{text}; no absence in this log that ended was as long, so the return is a guess"
    return (
        f"{text}; half of those who came back after as long an absence were back within "
        f"{say.weeks(max(back, 1.0))} ({counted(int(like), 'such absence')} in the log)"
    )


_REASONS = {"level": _of_level, "gain": _of_gain, "away": _of_away}


def _warnings(row: Row) -> str:
    """Return why a forecast is wide or needs a look, parted by semicolons; empty if neither."""
    seen = row.seen
    unusual = [reason(one, row) for one in row.reasons if one.kind == "met"]
    texts = [
        ("pain noted lately: stop and refer", row.hold is not None),
        ("no session on this rung yet", seen.sessions == 0),
        ("few sessions on this rung", seen.sessions > 0 and row.record == "thin"),
        ("few others have cleared this rung", row.comparable < 5),
        ("not trained lately", row.state == PAUSED),
        ("load not checked: no body mass in the roster", not seen.load_known),
        (OBSTACLES.get(seen.obstacle, "").format(all_sets(seen.sets).lower()).rstrip("."),
         bool(seen.obstacle)),
        *((text, True) for text in unusual),
    ]  # fmt: skip
    return "; ".join(text for text, holds in texts if holds)
