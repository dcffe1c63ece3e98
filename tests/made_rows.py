"""Rows made by hand, one in each state, so that words and charts are tested without a fit."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from forecast.ladder import Criterion, Rung
from forecast.row import MARKS, Away, Gain, Level, Reason, Row, Seen, Verdict, Wait

AS_OF = pd.Timestamp("2026-06-01")
HOLD = Rung(
    "hold", "Wall hold", "Base", Criterion("seconds", 10.0), form="Elbows locked.",
    caution="Slow on tendons.",
)  # fmt: skip
PULLS = Rung("pulls", "Toe pulls", "Base", Criterion("reps", 6.0, confirm_sessions=2))


def wait(low: float = 2.0, mid: float = 6.0, high: float = 9.0, horizon: int = 52) -> Wait:
    days = [pd.NaT if np.isnan(w) else AS_OF + pd.Timedelta(days=round(7 * w)) for w in
            (low, mid, high)]  # fmt: skip
    return Wait(
        next_session=0.1, chances=dict(zip(MARKS, (0.2, 0.7, 0.95, 0.99), strict=True)), low=low,
        mid=mid, high=high, dates=(days[0], days[1], days[2]), never=0.005, horizon=horizon,
    )  # fmt: skip


def row(athlete: str = "Ada", rung: Rung = HOLD, state: str = "climbing", **other: Any) -> Row:
    """A row with 20 sessions and a good record; ``other`` are its fields, or those of its parts."""
    seen = Seen(
        sessions=20, sets=60, valid=50, obstacle="", last_on=AS_OF - pd.Timedelta(days=3),
        weeks_since=3 / 7, weeks_on=12.0, per_week=2.0, clean_share=0.8, best=8.0, met=1, met_of=15,
        met_expected=2.0, met_sd=1.0, run=1, more_sessions=0, break_days=0.0, less_clean=False,
        load_known=True,
    )  # fmt: skip
    made = Row(
        athlete=athlete, rung=rung, as_of=AS_OF, back="Floor hold", seen=seen,
        level=Level(value=7.0 if rung is HOLD else 4.0, guess=7.0, before=6.5, log=-0.35),
        verdict=Verdict(state, 0.7, 0.2, 0.1, 0.005),
        gain=Gain(0.02, 0.01, 0.03, 0.015), wait=wait(), hold=None, pain=0.0, away=None, lapse=0.12,
        gone=0.02, comparable=8, record="good",
        reasons=(
            Reason("level", 7.0, "", (10.0,)), Reason("gain", 2.0, "% a week", (1.0, 3.0, 1.5)),
            Reason("attendance", 2.0, "sessions a week"), Reason("comparable", 8, "spells"),
        ),
    )  # fmt: skip
    for part in ("seen", "level", "verdict", "gain"):
        value = getattr(made, part)
        mine = {name: other.pop(name) for name in type(value).__slots__ if name in other}
        made = replace(made, **{part: replace(value, **mine)})
    return replace(made, **other)


def stuck(state: str, weeks: float, **other: Any) -> dict[str, Any]:
    since = AS_OF - pd.Timedelta(weeks=weeks)
    return {
        "state": state, "weeks": weeks, "since": since, "p_climbing": 0.1, "p_flat": 0.8,
        "since_low": since - pd.Timedelta(weeks=3), "since_high": since + pd.Timedelta(weeks=2),
        "lately": 0.001, "low": -0.01, "high": 0.004,
    } | other  # fmt: skip


NONE = np.nan
NEVER = wait(NONE, NONE, NONE)
FIXED_CLUB = (
    row("Pia", state="pain", hold="pain", wait=None, pain=6.0),
    row("Sol", **stuck("slipping", 9, lately=-0.02, low=-0.03, high=-0.01),
        wait=wait(20.0, NONE, NONE)),
    row("Flo", PULLS, **stuck("flat", 22, wait=wait(15.0, 40.0, NONE)),
        changed=(("attendance", 2.0, 1.0),)),
    row("Fay", state="form", obstacle="unclean", valid=0, value=NONE, wait=NEVER),
    row("Hal", state="help", obstacle="helped", valid=0, value=NONE, wait=NEVER),
    row("Nor", PULLS, state="no_success", obstacle="missed", valid=0, value=NONE, wait=NEVER),
    row("Max", PULLS, state="at_mark", value=6.0, met=3, wait=wait(0.3, 0.9, 3.0)),
    row("Cleo", state="climbing"),
    row("Uma", state="unclear", wait=wait(1.0, 20.0, NONE), lately=0.004, low=-0.02, high=0.02),
    row("Few", state="few", sessions=2, more_sessions=2, record="thin", wait=wait(4.0, 15.0, 30.0)),
    row("New", PULLS, state="new", sessions=0, value=NONE, record="thin",
        wait=wait(8.0, 25.0, NONE)),
    row("Pau", state="paused", weeks_since=3.0, away=Away(True, False, 2.0, 9)),
    row("Rue", PULLS, state="paused", weeks_since=5.0, away=Away(False, False, 2.0, 9)),
    row("Awa", state="paused", weeks_since=34.0, gone=0.6,
        away=Away(True, True, 20.0, 4, 3.0, 9.0, 21.0), value=6.5, guess=6.5,
        wait=wait(12.0, NONE, NONE)),
)  # fmt: skip
"""One athlete in each state, two away, one of them for long."""
