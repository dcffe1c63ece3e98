"""The ladder ahead, other rates and marks, re-tests and going back, in sentences."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from forecast.log import in_percent
from forecast.words import say
from forecast.words.say import text

OTHER_MARK = text("other_mark")


def target(
    day: pd.Timestamp, chance: float, gain: float, times: float | None, most_times: float
) -> str:
    """Return the chance of the top by a day, and the gain a week that would make it even odds.

    ``times`` is that gain over the one expected, ``None`` where ``most_times`` would not do.
    """
    told = text("top_by", day=day, chance=say.percent(chance))
    if times is None:
        return f"{told} {text('top_never', most=most_times)}"
    needed, expected = in_percent(gain * times, ".1f"), in_percent(gain, ".1f")
    how = "top_enough" if times <= 1.0 else "top_more"
    return f"{told} {text(how, needed=needed, expected=expected, times=times)}"


def other_rates(low: float, mid: float, high: float, now: float) -> str:
    """Return what belongs beside other rates: the change of gain that twice the sessions show."""
    span = " to ".join(in_percent(end, "+.0f").removesuffix(" %") for end in (low, high))
    return text("other_rates", mid=in_percent(mid, "+.0f"), span=span, now=now)


def not_begun(waiting: Sequence[str], presumed: Sequence[str], *, begun: bool) -> str:
    """Return what a rung waits for, and what was only presumed of those below; or nothing."""
    wait = f"opens after {' and '.join(waiting)}" if waiting else "open"
    notes = [] if begun else [f"not begun ({wait})"]
    if presumed:
        notes.append(f"{' and '.join(presumed)}: not in the log, taken as done before it")
    return "; ".join(notes)


def retest(value: float, mark: float, weeks_off: float) -> str:
    """Return why a cleared rung is due for a re-test."""
    why = text("retest_weeks", weeks=weeks_off, s="s" * (weeks_off >= 1.5))
    why = why if weeks_off >= 1 else text("retest_sets")
    return text("retest", value=value, mark=mark, why=why)


def form_breaks(unclean: int, sets: int, usual: float, back: str | None) -> str:
    """Return that form breaks more often than usual, and which rung to go back to."""
    where = text("go_back", back=back) if back else text("go_lighter")
    return text("form_breaks", unclean=unclean, sets=sets, usual=in_percent(usual), where=where)
