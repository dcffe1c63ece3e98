"""When to go back a rung: a check of the logic, not of the body."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import logit

from forecast.ahead.climbing import Climbing
from forecast.ahead.ladder import known_climbing
from forecast.ahead.learning import upper_tail
from forecast.growth.habits import clip_level
from forecast.histories import Histories
from forecast.log.training_log import TrainingLog
from forecast.readiness import Fitted, LogView, as_view
from forecast.readiness.result import DIGITS

RECENT_SESSIONS = 8
MOST_BY_CHANCE = 0.05
FALLBACK_COLUMNS = (
    "athlete", "rung", "rung_name", "sets", "unclean", "unclean_share", "expected_share",
    "p_by_chance", "go_back", "fallback", "text",
)  # fmt: skip


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
