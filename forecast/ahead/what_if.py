"""What if this athlete came more or less often: association, and said to be no more than that."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.stats import norm

from forecast.ahead.climbing import Climbing
from forecast.ahead.ground import weekly_sessions
from forecast.ahead.ladder import (
    known_climbing,
    look_up,
    settings_of,
    walk_at,
)
from forecast.ahead.result import check_horizon, check_rates
from forecast.ahead.tables import assemble
from forecast.ahead.walk import walk
from forecast.errors import ForecastError
from forecast.growth.clock import Clock
from forecast.log.training_log import TrainingLog
from forecast.readiness import Fitted, LogView, as_view

COLUMNS = (
    "athlete", "rung", "rung_name", "sessions_per_week", "as_now", "weeks_low", "weeks_mid",
    "weeks_high", "date_mid", "p_12", "p_26", "p_never_in_horizon",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class WhatIf:
    """An athlete's ladder at several rates of training, and what to know before reading it.

    Attributes
    ----------
    table
        One row a rung ahead and rate (``as_now`` marks the present one), columns ``COLUMNS``;
        weeks and dates as in ``LadderAhead.summary``.
    warning
        Sentences that belong beside the table wherever it is shown.
    """

    table: pd.DataFrame
    warning: str

    def _repr_html_(self) -> str:
        return f"<p>{self.warning}</p>{self.table.to_html(index=False)}"


def what_if(
    model: Fitted | LogView,
    log: TrainingLog | None = None,
    as_of: pd.Timestamp | str | None = None,
    athlete: str = "",
    *,
    sessions_per_week: Sequence[float] = (2.0, 3.0, 4.0),
    horizon_weeks: int = 260,
    climbing: Climbing | None = None,
) -> WhatIf:
    """Look up one athlete's ladder at several rates of training.

    Ordinary gaps between sessions on a rung are scaled to the rate asked for, from the cut on;
    layoffs stay as long, and come as often a week. What the record says of the athlete stays too.
    Gain moves with the rate as the log shows over all its spells: the part of training
    that the growth engine's clock counts by the session, and what is left to the rate beyond that
    (an elasticity, shrunk to none), its uncertainty included.

    Parameters
    ----------
    model, log, as_of, horizon_weeks, climbing
        As in ``ladder_ahead``.
    athlete
        Whose ladder.
    sessions_per_week
        Rates to compare with the present one.

    Raises
    ------
    NotFittedError
        ``fit`` was not called.
    ForecastError
        The athlete is not in the log or has nothing ahead, or a number is out of range.
    HistoryError
        No set is dated before ``as_of``, or it is no date.
    """
    view = as_view(model, log, as_of)
    horizon_weeks, rates = check_horizon(horizon_weeks), check_rates(sessions_per_week)
    if not isinstance(athlete, str) or athlete not in view.log.athletes:
        raise ForecastError(f"{athlete!r} is not in the log; its athletes are in log.athletes.")
    if climbing is None:
        climbing = view.once(known_climbing)
    sets = view.log.sets
    alone = replace(view.log, sets=sets[sets["athlete"] == athlete].reset_index(drop=True))
    # The club's day: the one after its last set, not after the athlete's.
    ground, pooled, current = look_up(view.model, alone, view.as_of, climbing)
    if current.summary.empty:
        raise ForecastError(f"Nothing lies ahead of {athlete!r}: no rung is open.")
    now = float(weekly_sessions(ground.gaps)[0])
    settings = settings_of(view.model, horizon_weeks)
    base = walk(ground, settings, pooled=pooled)
    parts = []
    for asked in (None, *rates):
        gone = base if asked is None else walk_at(ground, settings, pooled, base, asked)
        ahead = assemble(ground, settings, gone, current, view.model, as_now=asked is None)
        part = ahead.summary.copy()
        part["sessions_per_week"] = round(now, 2) if asked is None else asked
        part["as_now"] = asked is None
        parts.append(part)
    table = pd.concat(parts, ignore_index=True)[list(COLUMNS)]
    twice = _training_of_twice(view.growth.fit.constants.clock, now)
    return WhatIf(table, _warning(climbing, twice, now))


def _training_of_twice(clock: Clock, now: float) -> float:
    """Training that the clock counts over half a year at twice the sessions, to that as now."""
    weeks, none, rates = np.array([26.0]), np.zeros(1), np.array([2.0 * now, now])
    twice, once = clock.ahead(weeks, none, none, rates)
    return float(twice / once)


def _warning(climbing: Climbing, twice: float, now: float) -> str:
    """What belongs beside the table; ``twice`` is the training that twice the sessions are."""
    half = float(norm.ppf(0.9)) * climbing.elasticity_sd
    low, mid, high = (
        100.0 * (twice * 2.0 ** (climbing.elasticity + part) - 1.0) for part in (-half, 0.0, half)
    )
    return (
        "This is association, not cause. In this log, spells with twice the sessions a week show "
        f"{mid:+.0f} % gain a week (80 % range {low:+.0f} to {high:+.0f} %); whoever comes more "
        "often differs in other ways too, and nobody was assigned a rate. Lately it was about "
        f"{now:.1f} sessions a week on a rung. More is not safer: tendons adapt slowly to "
        "straight-arm loading, so change one thing at a time, stop at pain, and ask a qualified "
        "coach or a licensed clinician first. Local rules come first."
    )
