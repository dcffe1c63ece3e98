"""The ladder ahead, other rates and marks, re-tests and going back, in sentences."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from forecast.log import in_percent
from forecast.words import say

OTHER_MARK = (
    "Only the mark is another: training, form and the athlete are taken to stay as they are, "
    "though people train toward a mark. A lower mark is cleared sooner by less ability, and "
    "what that costs on the next rung is not in these weeks. A pass mark is never a reason to "
    "hurry: tendons adapt over months, pain stops the session, and a qualified coach decides."
)


def target(
    day: pd.Timestamp, chance: float, gain: float, times: float | None, most_times: float
) -> str:
    """Return the chance of the top by a day, and the gain a week that would make it even odds.

    ``times`` is that gain over the one expected, ``None`` where ``most_times`` would not do.
    """
    text = f"The chance of the top by {day.date()} is {say.percent(chance)}."
    if times is None:
        return (
            f"{text} No gain within {most_times:g} times the present one would make it even odds: "
            "waiting periods and delays alone take too long."
        )
    needed, expected = in_percent(gain * times, ".1f"), in_percent(gain, ".1f")
    if times <= 1.0:
        return (
            f"{text} Even odds would take {needed} a week on the rungs; about {expected} is "
            "expected."
        )
    return (
        f"{text} Even odds would take {needed} a week on the rungs, {times:.1f} times the "
        f"{expected} expected. Don't chase a date with more load: tendons adapt over months, and "
        "pain stops the session."
    )


def other_rates(low: float, mid: float, high: float, now: float) -> str:
    """Return what belongs beside other rates: the change of gain that twice the sessions show."""
    span = " to ".join(in_percent(end, "+.0f").removesuffix(" %") for end in (low, high))
    return (
        "This is association, not cause. In this log, spells with twice the sessions a week show "
        f"{in_percent(mid, '+.0f')} gain a week (80 % range {span} %); whoever comes more "
        "often differs in other ways too, and nobody was assigned a rate. Lately it was about "
        f"{now:.1f} sessions a week on a rung. More is not safer: tendons adapt slowly to "
        "straight-arm loading, so change one thing at a time, stop at pain, and ask a qualified "
        "coach or a licensed clinician first. Local rules come first."
    )


def not_begun(waiting: Sequence[str], presumed: Sequence[str], *, begun: bool) -> str:
    """Return what a rung waits for, and what was only presumed of those below; or nothing."""
    wait = f"opens after {' and '.join(waiting)}" if waiting else "open"
    notes = [] if begun else [f"not begun ({wait})"]
    if presumed:
        notes.append(f"{' and '.join(presumed)}: not in the log, taken as done before it")
    return "; ".join(notes)


def retest(value: float, mark: float, weeks_off: float) -> str:
    """Return why a cleared rung is due for a re-test."""
    weeks = f"after about {weeks_off:.0f} week{'s' * (weeks_off >= 1.5)} off"
    why = weeks if weeks_off >= 1 else "as sets logged since clearing show"
    return (
        f"Due for a re-test: stands at about {value:.1f} where the pass mark is {mark:g}, {why}. "
        "Come back gradually; pain ends the session."
    )


def form_breaks(unclean: int, sets: int, usual: float, back: str | None) -> str:
    """Return that form breaks more often than usual, and which rung to go back to."""
    where = (
        f"go back to {back} for a while"
        if back
        else "the ladder names no rung to go back to: take a lighter form of it"
    )
    return (
        f"{unclean} of the last {sets} sets were not clean; others at that level show about "
        f"{in_percent(usual)}. Consider: {where}. If it hurts, stop and see a licensed clinician."
    )
