"""When to go back a rung, and when not to go on yet: checks of the logic, not of the body."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import logit

from forecast.ahead.asked import check_share, check_weeks
from forecast.ahead.cleanness import upper_tail
from forecast.ahead.climbing import Climbing
from forecast.ahead.ladder import known_climbing
from forecast.growth.habits import clip_level
from forecast.histories import CLEARED, DEFAULT_LAPSE_WEEKS, Histories, build_histories
from forecast.ladder import Ladder, Rung
from forecast.log.training_log import TrainingLog, checked_log
from forecast.readiness import Fitted, LogView, as_view
from forecast.readiness.result import DIGITS

RECENT_SESSIONS = 8
MOST_BY_CHANCE = 0.05
FALLBACK_COLUMNS = (
    "athlete", "rung", "rung_name", "sets", "unclean", "unclean_share", "expected_share",
    "p_by_chance", "go_back", "fallback", "text",
)  # fmt: skip
HOLD_COLUMNS = ("athlete", "rung", "rung_name", "rule", "until", "text")
STAGE_WEEKS = 1.0
"""Weeks of supporting work between stages (common practice, no source)."""
FORM_SESSIONS = 4
CLEAN_SHARE = 0.8
"""Share of clean sets on what a rung needs before it is loaded (common practice, no source)."""


def fallbacks(
    model: Fitted | LogView,
    log: TrainingLog | None = None,
    as_of: pd.Timestamp | str | None = None,
    *,
    climbing: Climbing | None = None,
) -> pd.DataFrame:
    """Return, for each open rung, whether form breaks more often than the cohort's at that level.

    The unclean sets of the latest 8 sessions are set against the cohort's share at the levels of
    those sessions, with the spread between spells that the log shows. Where so many or more
    would come by chance in no more than 1 of 20 such spells, the coach is pointed to the rung's
    ``fallback``.

    Parameters
    ----------
    model, log, as_of, climbing
        As in ``ladder_ahead``.

    Returns
    -------
    DataFrame
        Columns ``FALLBACK_COLUMNS``; ``fallback`` is the key of the rung to go back to, empty
        where the ladder names none.

    Raises
    ------
    NotFittedError
        ``fit`` was not called.
    ForecastError
        The ladder is not the one fitted on.
    HistoryError
        No set is dated before ``as_of``.
    """
    view = as_view(model, log, as_of)
    histories, tracked = view.histories, view.tracked
    if climbing is None:
        climbing = view.once(known_climbing)
    level = pd.Series(tracked.filtered.mean[:, 0], index=tracked.panel.session_row)
    sessions = histories.sessions.assign(level=level.sort_index())
    open_rows = histories.open_spells.index
    recent = sessions[sessions["spell"].isin(open_rows)].groupby("spell").tail(RECENT_SESSIONS)
    rows = [_fallback_row(histories, part, climbing) for _, part in recent.groupby("spell")]
    table = pd.DataFrame(rows, columns=[*FALLBACK_COLUMNS, "place"])
    table = table.sort_values(["athlete", "place"], ignore_index=True)
    return table[list(FALLBACK_COLUMNS)]


def _fallback_row(histories: Histories, part: pd.DataFrame, climbing: Climbing) -> tuple:
    """One open spell's latest sessions against the cohort."""
    rung = histories.ladder.rung(part["rung"].iloc[0])
    sets = int(part["n_sets"].sum())
    unclean = sets - int(part["n_clean"].sum())
    usual = climbing.clean_intercept + climbing.clean_slope * clip_level(part["level"].to_numpy())
    weights = part["n_sets"].to_numpy() / sets
    share = float((weights / (1.0 + np.exp(usual))).sum())
    nodes, mass = np.polynomial.hermite_e.hermegauss(21)
    spread = logit(share) + climbing.clean_spread * nodes
    chance = upper_tail(unclean, sets, spread, mass / mass.sum())
    back = chance <= MOST_BY_CHANCE
    text = ""
    if back:
        where = (
            f"go back to {histories.ladder.rung(rung.fallback).name} for a while"
            if rung.fallback
            else "the ladder names no rung to go back to: take a lighter form of it"
        )
        text = (
            f"{unclean} of the last {sets} sets were not clean; others at that level show about "
            f"{100 * share:.0f} %. Consider: {where}. If it hurts, stop and see a licensed "
            "clinician."
        )
    return (
        part["athlete"].iloc[0], rung.key, rung.name, sets, unclean, round(unclean / sets, DIGITS),
        round(share, DIGITS), round(chance, DIGITS), back, rung.fallback or "", text,
        int(part["rung_index"].iloc[0]),
    )  # fmt: skip


def hold_backs(
    log: TrainingLog,
    as_of: pd.Timestamp | str | None = None,
    *,
    stage_weeks: float = STAGE_WEEKS,
    clean_share: float = CLEAN_SHARE,
    lapse_weeks: float = DEFAULT_LAPSE_WEEKS,
) -> pd.DataFrame:
    """Return the rungs that the rules of the trade would not start yet.

    Two rules, both common practice without a source, as checks of the logic: *form first* (of
    the latest sets on a needed rung, at least ``clean_share`` clean) and *between stages* (after
    the last needed rung of another stage is cleared, ``stage_weeks`` of supporting work, or the
    rung's ``min_weeks`` where that is longer). Asked of rungs that are open and not begun, and of
    those begun within the time the second rule holds.

    Parameters
    ----------
    log
        The log.
    as_of
        Cut date; the day after the last set where left out.
    stage_weeks, clean_share
        The two marks.
    lapse_weeks
        As in the forecaster asked beside this; a rung left for so long is passed over.

    Returns
    -------
    DataFrame
        Columns ``HOLD_COLUMNS``; ``until`` is missing where the rule names no date.

    Raises
    ------
    ForecastError
        A mark is out of range.
    HistoryError
        No set is dated before ``as_of``.
    """
    check_weeks("stage_weeks", stage_weeks)
    check_share("clean_share", clean_share)
    histories = build_histories(checked_log(log), as_of, lapse_weeks=lapse_weeks)
    spells = histories.spells
    sessions = pd.concat([histories.sessions, _after(histories)])
    rows: list[tuple] = []
    for athlete, own in spells.groupby("athlete"):
        mine = sessions[sessions["athlete"] == athlete]
        done = own[own["outcome"] == CLEARED].set_index("rung")["cleared_on"].to_dict()
        begun = own.set_index("rung")["start"].to_dict()
        still = set(own.loc[own["open"], "rung"])
        for rung in histories.ladder.rungs:
            needs = set(rung.needs)
            if not needs or not needs <= set(done) or (rung.key in begun and rung.key not in still):
                continue
            where = (athlete, rung.key, rung.name)
            until = _stage_end(histories.ladder, rung, done, stage_weeks)
            start = begun.get(rung.key)
            if until > histories.as_of and (start is None or start < until):
                text = _stage_text(until, start is not None)
                rows.append((*where, "between stages", until, text))
            if start is None:
                rows += [
                    (*where, "form first", pd.NaT, text)
                    for text in _form_texts(histories, mine, rung.needs, clean_share)
                ]
    table = pd.DataFrame(rows, columns=list(HOLD_COLUMNS))
    table["until"] = pd.to_datetime(table["until"])
    return table


def _stage_end(
    ladder: Ladder, rung: Rung, done: dict[str, pd.Timestamp], stage_weeks: float
) -> pd.Timestamp:
    """Day until which supporting work comes first; long ago where no stage changes."""
    ends = [
        done[need] + pd.Timedelta(weeks=max(stage_weeks, ladder.rung(need).min_weeks))
        for need in rung.needs
        if ladder.rung(need).stage != rung.stage
    ]
    return max(ends, default=pd.Timestamp(0))


def _after(histories: Histories) -> pd.DataFrame:
    """Sessions after clearing, with their clean sets counted."""
    after = histories.after_clearing
    return (
        after.groupby(["athlete", "rung", "date"])
        .agg(n_sets=("value", "size"), n_clean=("clean", "sum"))
        .reset_index()
    )


def _stage_text(until: pd.Timestamp, begun: bool) -> str:
    now = "It has been begun already: keep it light" if begun else "Supporting work until then"
    return (
        f"A new stage: supporting work before it, to {until.date()} (common practice, no source). "
        f"{now}; tendons adapt slowly."
    )


def _form_texts(
    histories: Histories, mine: pd.DataFrame, needs: tuple[str, ...], clean_share: float
) -> list[str]:
    """A sentence for each needed rung whose latest sets were not clean enough."""
    texts = []
    for need in needs:
        latest = mine[mine["rung"] == need].sort_values("date").tail(FORM_SESSIONS)
        share = latest["n_clean"].sum() / latest["n_sets"].sum()
        if share < clean_share:
            texts.append(
                f"Form first: {100 * share:.0f} % of the latest sets on "
                f"{histories.ladder.rung(need).name} were clean; at least "
                f"{100 * clean_share:.0f} % before more load (common practice, no source)."
            )
    return texts
