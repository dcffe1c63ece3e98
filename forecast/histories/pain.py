"""Pain noted lately, by athlete: it is the athlete who hurts, whichever rung it was noted on."""

from __future__ import annotations

import pandas as pd

from forecast.histories.histories import Histories

PAIN = 4.0
"""From this pain on (0 to 10) a note is passed on, and dates are on hold (judgement)."""
PAIN_WEEKS = 4.0
"""For how long before the cut a note of pain counts (judgement)."""


def recent_pain(histories: Histories) -> pd.Series:
    """Return the highest pain noted in the last four weeks by athlete; who noted none is left out.

    Sets on rungs already cleared count in.
    """
    sets = pd.concat([histories.sets, histories.after_clearing])
    late = sets["date"] >= histories.as_of - pd.Timedelta(weeks=PAIN_WEEKS)
    return sets[late].groupby("athlete")["pain"].max().dropna()
