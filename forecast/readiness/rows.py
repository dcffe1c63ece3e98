"""From facts, chances and verdicts to rows: made once, after every rule."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from forecast.histories import ABSENCE_DAYS, PAIN, Histories
from forecast.ladder import Rung
from forecast.readiness.times import POINTS, weeks_at
from forecast.row import (
    DIGITS,
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
from forecast.types import Array

THIN_SESSIONS, THIN_COMPARABLE = 5, 5
SURPRISING = 2.0
"""Meetings beside what was expected are worth a word past so many standard deviations, and past
one session."""
LEAST_EFFECT = 0.002
"""A pace within this of the cohort's is neither quicker nor slower."""
MOST_REASONS = 5
HURTS = "pain"


def make_rows(
    facts: pd.DataFrame,
    by_day: Array,
    verdicts: pd.DataFrame,
    histories: Histories,
    *,
    usual_absence: float,
    several: bool,
    horizon: int,
) -> tuple[Row, ...]:
    """Return a row for each fact, in their order.

    Parameters
    ----------
    facts
        From ``open_facts`` and ``untried_facts``, with ``p_next_session, lapse, gone, back_weeks,
        back_like, athlete_wait, return_low, return_mid, return_high, less_clean, changed`` beside.
    by_day
        (rows, D + 1) chances of having cleared by day.
    verdicts
        One line a fact: ``plateau.VERDICT_COLUMNS``; all missing where there is no session.
    histories
        For the ladder and the cut date.
    usual_absence
        Weeks that an absence in this log usually lasts at most.
    several
        Whether the model was fitted on more than one athlete.
    horizon
        Weeks looked ahead.
    """
    numbers = facts.select_dtypes("float").columns
    # rounded before anything is said: last bits depend on who else is asked about
    facts = facts.assign(**{name: facts[name].round(DIGITS) for name in numbers})
    weeks = np.column_stack([weeks_at(by_day, share) for share in POINTS.values()])
    pairs = zip(
        facts.itertuples(index=False), verdicts.itertuples(index=False), by_day, weeks, strict=True
    )
    return tuple(
        _row(fact, verdict, chance, points, histories, usual_absence, horizon, several)
        for fact, verdict, chance, points in pairs
    )


def _row(
    fact: Any,
    verdict: Any,
    by_day: Array,
    points: Array,
    histories: Histories,
    usual_absence: float,
    horizon: int,
    several: bool,
) -> Row:
    as_of, hurts = histories.as_of, bool(fact.pain >= PAIN)
    rung = histories.ladder.rung(fact.rung)
    state = state_of(fact, verdict, hurts=hurts)
    stuck = state in STUCK
    dated = state not in UNDATED
    gone_long = state == PAUSED and fact.sessions > 0 and fact.athlete_wait > usual_absence
    # After a long absence, what was shown before tells more than what is guessed to be left.
    usual, guess = (fact.before, fact.before) if gone_long else (fact.usual, fact.guess)
    gain = Gain(
        float(verdict.gain), float(verdict.gain_low), float(verdict.gain_high),
        float(fact.gain_ahead),
    )  # fmt: skip
    return Row(
        athlete=fact.athlete,
        rung=rung,
        as_of=as_of,
        back=histories.ladder.rung(rung.fallback).name if rung.fallback else None,
        seen=_seen(fact),
        level=Level(usual, guess, fact.before, fact.level),
        verdict=Verdict(
            state=state,
            p_climbing=float(verdict.p_climbing),
            p_flat=float(verdict.p_flat),
            p_slipping=float(verdict.p_slipping),
            least=float(verdict.smallest_gain),
            since=verdict.since if stuck and pd.notna(verdict.since) else None,
            since_low=verdict.since_low if stuck and pd.notna(verdict.since) else None,
            since_high=verdict.since_high if stuck and pd.notna(verdict.since) else None,
            weeks=float(verdict.weeks_flat) if stuck else np.nan,
            changed=fact.changed if stuck else (),
        ),
        gain=gain,
        wait=None if hurts else _wait(fact, by_day, points if dated else _NEVER, as_of, horizon),
        hold=HURTS if hurts else None,
        pain=float(fact.pain),
        away=Away(
            long=bool(fact.athlete_wait > usual_absence),
            person=bool(7.0 * fact.athlete_wait > ABSENCE_DAYS),
            back=float(fact.back_weeks),
            like=int(fact.back_like),
            low=float(fact.return_low),
            mid=float(fact.return_mid),
            high=float(fact.return_high),
        )
        if state == PAUSED
        else None,
        lapse=float(fact.lapse),
        gone=float(fact.gone),
        comparable=int(fact.comparable),
        record=record_of(int(fact.sessions), int(fact.comparable)),
        reasons=_reasons(fact, rung, guess if np.isnan(usual) else usual, gain, state, several),
    )


_NEVER = np.full(len(POINTS), np.nan)


def _seen(fact: Any) -> Seen:
    return Seen(
        sessions=int(fact.sessions),
        sets=int(fact.n_sets),
        valid=int(fact.n_valid),
        obstacle=fact.obstacle,
        last_on=None if pd.isna(fact.last_on) else fact.last_on,
        weeks_since=float(fact.wait_weeks),
        weeks_on=float(fact.weeks_on),
        per_week=float(fact.rate),
        clean_share=float(fact.clean_share),
        best=float(fact.best),
        met=int(fact.met_lately),
        met_of=int(fact.met_of),
        met_expected=float(fact.met_expected),
        met_sd=float(fact.met_sd),
        run=int(fact.run),
        more_sessions=int(fact.more_sessions),
        break_days=float(fact.break_days),
        less_clean=bool(fact.less_clean),
        load_known=bool(fact.load_known),
    )


def _wait(fact: Any, by_day: Array, points: Array, as_of: pd.Timestamp, horizon: int) -> Wait:
    low, mid, high = (float(week) for week in np.round(points, 2))
    days = [pd.NaT if np.isnan(w) else as_of + pd.Timedelta(days=round(7 * w)) for w in
            (low, mid, high)]  # fmt: skip
    chances = {
        week: float(by_day[7 * week]) if 7 * week < len(by_day) else np.nan for week in MARKS
    }
    return Wait(
        next_session=float(fact.p_next_session),
        chances=chances,
        low=low,
        mid=mid,
        high=high,
        dates=(days[0], days[1], days[2]),
        never=1.0 - float(by_day[-1]),
        horizon=horizon,
    )


def record_of(sessions: int, comparable: int) -> str:
    """Return ``good``, ``fair`` or ``thin``, from own sessions and cleared spells of others."""
    if sessions < THIN_SESSIONS or (comparable == 0 and sessions < 3 * THIN_SESSIONS):
        return "thin"
    enough = sessions >= 2 * THIN_SESSIONS and comparable >= THIN_COMPARABLE
    return "good" if enough else "fair"


def _reasons(
    fact: Any, rung: Rung, level: float, gain: Gain, state: str, several: bool
) -> tuple[Reason, ...]:
    """What drives the forecast, heaviest first; nothing that says nothing."""
    weighed: list[tuple[float, Reason]] = [(9.0, Reason("level", level, "", (fact.target,)))]
    if fact.obstacle:
        weighed.append((10.0, Reason(fact.obstacle, fact.n_sets, "sets")))
    if rung.criterion.confirm_sessions > 1:
        figures = (rung.criterion.confirm_sessions,)
        weighed.append((4.5, Reason("run", fact.run, "sessions", figures)))
    if fact.comparable > 0:
        weighed.append((2.0, Reason("comparable", fact.comparable, "spells")))
    if fact.sessions > 0:
        weighed += _of_training(fact, gain, state, several)
    weighed.sort(key=lambda pair: -pair[0])
    return tuple(
        Reason(one.kind, float(one.value), one.unit, tuple(map(float, one.figures)))
        for _, one in weighed[:MOST_REASONS]
    )


def _of_training(fact: Any, gain: Gain, state: str, several: bool) -> list[tuple[float, Reason]]:
    out = [(3.0, Reason("attendance", fact.rate, "sessions a week"))]
    if np.isfinite(gain.lately) and state != PAUSED:
        figures = (100 * gain.low, 100 * gain.high, 100 * gain.ahead)
        out.append((8.0, Reason("gain", 100 * gain.lately, "% a week", figures)))
    if 7.0 * fact.wait_weeks > ABSENCE_DAYS:
        out.append((7.0, Reason("away", fact.wait_weeks, "weeks",
                                (fact.back_weeks, fact.back_like))))  # fmt: skip
    off = abs(fact.met_lately - fact.met_expected)
    if off > max(SURPRISING * fact.met_sd, 1.0):
        out.append((6.0, Reason("met", fact.met_lately, "sessions",
                                (fact.met_of, fact.met_expected))))  # fmt: skip
    if fact.break_days > 0:
        out.append((5.0, Reason("break", fact.break_days, "days")))
    if fact.clean_share < 0.9 and not fact.obstacle:
        out.append((8.0 * (1.0 - fact.clean_share), Reason("clean", 100 * fact.clean_share, "%")))
    if several:
        for kind, effect in (("pace", fact.athlete_pace), ("difficulty", fact.rung_pace)):
            if abs(effect) >= LEAST_EFFECT:
                weight = 5.0 * min(abs(effect) / 0.01, 1.0)
                out.append((weight, Reason(kind, 100 * effect, "% a week")))
    return out
