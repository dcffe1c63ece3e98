"""From facts, daily chances and verdicts to rows, curves and waits: made once, after every rule."""

from __future__ import annotations

from typing import Any, get_type_hints

import numpy as np
import pandas as pd

from forecast.histories import ABSENCE_DAYS, PAIN, Histories
from forecast.ladder import Rung
from forecast.readiness import rules
from forecast.row import (
    DIGITS,
    KEYS,
    MARKS,
    PAUSED,
    STUCK,
    UNDATED,
    Away,
    Gain,
    Level,
    Reason,
    Row,
    Seen,
    Verdict,
    Wait,
    state_of,
)
from forecast.row import PAIN as PAIN_HOLD
from forecast.types import WEEK, Array

CURVE_COLUMNS = (*KEYS, "week", "p_cleared")
POINTS = {"low": 0.1, "mid": 0.5, "high": 0.9}
"""Points of a wait by name: the share that has cleared by then."""


def weeks_at(by_day: Array) -> Array:
    """Return weeks until chances by day (T, D + 1) reach ``POINTS``, (T, 3), else NaN."""
    reached = [by_day >= share for share in POINTS.values()]
    weeks = [
        np.where(r.any(axis=1), r.argmax(axis=1).astype(float) / WEEK, np.nan) for r in reached
    ]
    return np.column_stack(weeks)


def curve_table(keys: pd.DataFrame, by_day: Array) -> pd.DataFrame:
    """Return the long weekly curve from daily chances; ``keys`` holds athlete and rung."""
    weekly = np.clip(np.maximum.accumulate(by_day[:, 7::7], axis=1), 0.0, 1.0)
    weeks = weekly.shape[1]
    table = keys[KEYS].iloc[np.repeat(np.arange(len(keys)), weeks)].reset_index(drop=True)
    table["week"] = np.tile(np.arange(1, weeks + 1), len(keys))
    table["p_cleared"] = np.round(weekly.ravel(), DIGITS)
    return table


def time_columns(by_day: Array, as_of: pd.Timestamp) -> pd.DataFrame:
    """Return weeks and dates at ``POINTS``, and chances at the usual weeks, missing past it."""
    weeks = pd.DataFrame(np.round(weeks_at(by_day), 2), columns=[f"weeks_{p}" for p in POINTS])
    table = weeks.copy()
    for name in POINTS:
        days = pd.to_timedelta((weeks[f"weeks_{name}"] * WEEK).round(), unit="D")
        table[f"date_{name}"] = as_of + days
    for week in MARKS:
        within = 7 * week < by_day.shape[1]
        table[f"p_{week}"] = np.round(by_day[:, 7 * week], DIGITS) if within else np.nan
    return table.assign(p_never_in_horizon=np.round(1.0 - by_day[:, -1], DIGITS))


def make_rows(
    facts: pd.DataFrame, by_day: Array, histories: Histories, *, usual_absence: float,
    several: bool, horizon: int,
) -> tuple[Row, ...]:  # fmt: skip
    """Return a row for each line of facts, in their order.

    ``facts`` are the view's, rounded, with ``plateau.verdicts`` (missing without a session),
    ``less_clean, changed`` and ``return_low, return_mid, return_high`` beside; ``several``: the
    model was fitted on more than one athlete.
    """
    lines = zip(facts.itertuples(index=False), by_day, weeks_at(by_day), strict=True)
    return tuple(
        _row(*line, histories=histories, usual=usual_absence, horizon=horizon, several=several)
        for line in lines
    )


def _row(
    fact: Any, by_day: Array, points: Array, *, histories: Histories, usual: float,
    horizon: int, several: bool,
) -> Row:  # fmt: skip
    as_of, hurts, rung = histories.as_of, bool(fact.pain >= PAIN), histories.ladder.rung(fact.rung)
    state = state_of(fact, fact, hurts=hurts)
    stuck, paused = state in STUCK, state == PAUSED
    dated = stuck and pd.notna(fact.since)
    long = bool(fact.athlete_wait > usual)
    # After a long absence, what was shown before tells more than what is guessed to be left.
    before = paused and fact.sessions > 0 and long
    level = Level(
        value=fact.before if before else fact.usual,
        guess=fact.before if before else fact.guess,
        before=fact.before,
        log=fact.level,
    )
    figures = fact.gain, fact.gain_low, fact.gain_high, fact.gain_ahead
    gain = Gain(*map(float, figures))
    away = None
    if paused:
        away = Away(
            person=bool(WEEK * fact.athlete_wait > ABSENCE_DAYS), long=long,
            back=float(fact.back_weeks), like=int(fact.back_like), low=float(fact.return_low),
            mid=float(fact.return_mid), high=float(fact.return_high),
        )  # fmt: skip
    points = np.full(len(POINTS), np.nan) if state in UNDATED else points
    seen = {name: kind(getattr(fact, name)) for name, kind in _SEEN.items()}
    return Row(
        athlete=fact.athlete,
        rung=rung,
        as_of=as_of,
        back=histories.ladder.rung(rung.fallback).name if rung.fallback else None,
        seen=Seen(**seen, last_on=None if pd.isna(fact.last_on) else fact.last_on),
        level=level,
        verdict=Verdict(
            state=state,
            p_climbing=float(fact.p_climbing),
            p_flat=float(fact.p_flat),
            p_slipping=float(fact.p_slipping),
            least=float(fact.smallest_gain),
            since=fact.since if dated else None,
            since_low=fact.since_low if dated else None,
            since_high=fact.since_high if dated else None,
            weeks=float(fact.weeks_flat) if stuck else np.nan,
            changed=fact.changed if stuck else (),
        ),
        gain=gain,
        wait=None if hurts else _wait(fact, by_day, points, as_of, horizon),
        hold=PAIN_HOLD if hurts else None,
        pain=float(fact.pain),
        away=away,
        lapse=float(fact.lapse),
        gone=float(fact.gone),
        comparable=int(fact.comparable),
        record=record_of(int(fact.sessions), int(fact.comparable)),
        reasons=_reasons(fact, rung, level, gain, state, several),
    )


_SEEN = {n: kind for n, kind in get_type_hints(Seen).items() if kind in (int, float, bool, str)}
"""What is seen, by the names that facts have."""


def _wait(fact: Any, by_day: Array, points: Array, as_of: pd.Timestamp, horizon: int) -> Wait:
    low, mid, high = weeks = [float(week) for week in np.round(points, 2)]
    days = [pd.NaT if np.isnan(w) else as_of + pd.Timedelta(days=round(7 * w)) for w in weeks]
    within = {week: 7 * week < len(by_day) for week in MARKS}
    return Wait(
        next_session=float(fact.p_next_session),
        chances={week: float(by_day[7 * week]) if within[week] else np.nan for week in MARKS},
        low=low, mid=mid, high=high, dates=(days[0], days[1], days[2]),
        never=1.0 - float(by_day[-1]), horizon=horizon,
    )  # fmt: skip


def record_of(sessions: int, comparable: int) -> str:
    """Return ``good``, ``fair`` or ``thin``, from own sessions and cleared spells of others."""
    if sessions < rules.THIN_SESSIONS or (comparable == 0 and sessions < 3 * rules.THIN_SESSIONS):
        return "thin"
    enough = sessions >= 2 * rules.THIN_SESSIONS and comparable >= rules.THIN_COMPARABLE
    return "good" if enough else "fair"


def _reasons(
    fact: Any, rung: Rung, level: Level, gain: Gain, state: str, several: bool
) -> tuple[Reason, ...]:
    """What drives the forecast, heaviest first; nothing that says nothing."""
    weighed: list[tuple[float, Reason]] = []

    def add(weight: float, kind: str, value: float, unit: str, *figures: float) -> None:
        reason = Reason(kind, float(value), unit, tuple(map(float, figures)))
        weighed.append((weight, reason))

    confirm = rung.criterion.confirm_sessions
    add(9.0, "level", level.shown, "", fact.target)
    if fact.obstacle:
        add(10.0, fact.obstacle, fact.sets, "sets")
    if fact.run > 0 and confirm > 1:
        add(4.5, "run", fact.run, "sessions", confirm)
    if fact.comparable > 0:
        add(2.0, "comparable", fact.comparable, "spells")
    if fact.sessions > 0:
        add(3.0, "attendance", fact.per_week, "sessions a week")
        if np.isfinite(gain.lately) and state != PAUSED:
            figures = (100 * gain.low, 100 * gain.high, 100 * gain.ahead)
            add(8.0, "gain", 100 * gain.lately, "% a week", *figures)
        if WEEK * fact.weeks_since > ABSENCE_DAYS:
            add(7.0, "away", fact.weeks_since, "weeks", fact.back_weeks, fact.back_like)
        if abs(fact.met - fact.met_expected) > max(rules.SURPRISING * fact.met_sd, 1.0):
            add(6.0, "met", fact.met, "sessions", fact.met_of, fact.met_expected)
        if fact.break_days > 0:
            add(5.0, "break", fact.break_days, "days")
        if fact.clean_share < 0.9 and not fact.obstacle:
            add(8.0 * (1.0 - fact.clean_share), "clean", 100 * fact.clean_share, "%")
        for kind, effect in (("pace", fact.athlete_pace), ("difficulty", fact.rung_pace)):
            if several and abs(effect) >= rules.LEAST_EFFECT:
                add(5.0 * min(abs(effect) / 0.01, 1.0), kind, 100 * effect, "% a week")
    weighed.sort(key=lambda pair: -pair[0])
    return tuple(reason for _, reason in weighed[: rules.MOST_REASONS])
