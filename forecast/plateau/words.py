"""States and sentences of the plateau watch."""

from __future__ import annotations

import numpy as np
import pandas as pd

from forecast.log import in_percent

CLIMBING, FLAT, SLIPPING, PAUSED, UNCLEAR = "climbing", "flat", "slipping", "paused", "unclear"
STATES = (CLIMBING, FLAT, SLIPPING, PAUSED, UNCLEAR)

PAIN_CAUTION = (
    "Pain ends the session. Do not load it again before a licensed clinician or qualified coach "
    "has seen it; local rules come first. No figure here clears anyone to train."
)
USUAL_HELP = (
    "Common practice, no source: look at form first, then at sleep, attendance and load; go back "
    "to the rung before for some weeks. Straight-arm loading is slow on tendons: add little."
)


def day_words(day: pd.Timestamp) -> str:
    """Write a date as people read it without doubt about day and month."""
    return f"{day.day} {day:%b %Y}"


def reason_for(row: dict) -> str:
    """Say in words why a rung has its state, from its row of figures."""
    text = _BY_STATE[row["state"]](row)
    if row["less_clean"] and row["state"] != PAUSED:
        text += " Longer but less clean: the numbers rise while more sets lose form."
    if row["changed"] and row["state"] in (FLAT, SLIPPING):
        text += f" Changed with it in the log (seen together, no cause): {row['changed']}."
    return text


def _gain(gain: float) -> str:
    return in_percent(gain, "+.1f")


def _range(row: dict) -> str:
    return (
        f"{_gain(row['gain'])} a week lately "
        f"(80 % range {_gain(row['gain_low'])} to {_gain(row['gain_high'])})"
    )


def _climbing(row: dict) -> str:
    return f"Gains {_range(row)}; {_gain(row['smallest_gain'])} would be too little."


def _stopped(row: dict) -> str:
    verb = "Loses ground" if row["state"] == SLIPPING else "Gains too little"
    since = "; the start can't be dated"
    if not pd.isna(row["since"]):
        early, late = day_words(row["since_low"]), day_words(row["since_high"])
        since = f" since about {day_words(row['since'])}"
        since += f" (between {early} and {late})" if early != late else ""
    return (
        f"{verb}{since}: {_range(row)}, and under {_gain(row['smallest_gain'])} counts "
        f"as flat. Chance of being flat {in_percent(row['p_flat'])}."
    )


def _paused(row: dict) -> str:
    return f"Not trained for {row['wait_weeks']:.1f} weeks: no plateau, a pause."


def _unclear(row: dict) -> str:
    if row["sessions"] == 0:
        return "No session on this rung yet."
    if not np.isfinite(row["gain"]) or not row["enough"]:
        return (
            f"{row['sessions']} sessions over {row['weeks_trained']:.1f} weeks of training: too "
            "few to tell progress from the scatter of days."
        )
    return f"Gains {_range(row)}: could be progress or none; more sessions will tell."


_BY_STATE = {
    CLIMBING: _climbing,
    FLAT: _stopped,
    SLIPPING: _stopped,
    PAUSED: _paused,
    UNCLEAR: _unclear,
}
