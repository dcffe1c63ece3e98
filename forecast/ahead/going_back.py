"""When to go back: cleared rungs that may have been lost again, and rungs where form breaks."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import expit, gammaln, logit, ndtr

from forecast import words
from forecast.ahead.ladder import known_climbing
from forecast.ahead.learning import Climbing
from forecast.errors import ForecastError, is_number
from forecast.growth import clip_level, propagate, to_log
from forecast.histories import CLEARED, PASSED_OVER, Histories, build_sessions, day_number
from forecast.ladder import Ladder
from forecast.log import TrainingLog
from forecast.readiness import Fitted, LogView, as_view
from forecast.row import DIGITS
from forecast.types import Array, Flags, Ints

LEAST_DROP = 0.05
"""Drop of the level since clearing, in log units, below which nobody is asked back (judgement)."""
RETEST_COLUMNS = (
    "athlete", "rung", "rung_name", "cleared_on", "last_trained", "weeks_untrained", "weeks_off",
    "level_then", "level", "level_value", "target", "p_below", "due", "text",
)  # fmt: skip
MOST_WEEKS = 8.0
"""Weeks off that count: losses level out, and logs rarely show longer layoffs (judgement)."""
MORE_LIKELY = 0.5
"""Chance that the level is below the pass mark from which a rung is more likely lost than kept."""
RECENT_SESSIONS = 8
MOST_BY_CHANCE = 0.05
FALLBACK_COLUMNS = (
    "athlete", "rung", "rung_name", "sets", "unclean", "unclean_share", "expected_share",
    "p_by_chance", "go_back", "fallback", "text",
)  # fmt: skip


def retests(
    model: Fitted | LogView,
    log: TrainingLog | None = None,
    as_of: pd.Timestamp | str | None = None,
    *,
    least_drop: float = LEAST_DROP,
) -> pd.DataFrame:
    """Return one row a cleared rung, with whether it is due for a re-test.

    The growth engine's filter goes on over the sets logged after clearing; from the last of them
    the level is held, less what layoffs take: weeks in which the athlete logged nothing, on any
    rung, beyond ordinary rest, and not yet trained back. A rung that was only left alone while
    others were trained is taken as kept (common practice, no source); ``weeks_untrained`` shows
    for how long. A rung is due when it is more likely lost than kept (``p_below`` above one half),
    stands at least ``least_drop`` below where it stood at clearing, and a re-test could change
    what is trained: no rung that needs it is behind the athlete too.

    Parameters
    ----------
    model, log, as_of
        As in ``ladder_ahead``.
    least_drop
        In log units, so 0.05 is about 5 %.

    Returns
    -------
    DataFrame
        Columns ``RETEST_COLUMNS``, by athlete and in ladder order. ``weeks_off`` are weeks beyond
        ordinary rest; levels are log(capacity / target) of a usual day; ``p_below`` the chance
        that it is below what is written down as the target.

    Raises
    ------
    NotFittedError
        ``fit`` was not called.
    ForecastError
        The ladder is not the one fitted on, or ``least_drop`` is out of range.
    HistoryError
        No set is dated before ``as_of``.
    """
    if not is_number(least_drop) or not 0 <= least_drop < 10:
        raise ForecastError(
            f"least_drop = {least_drop!r}; give a number of log units from 0, such as 0.05 for "
            "about 5 %."
        )
    view = as_view(model, log, as_of)
    growth, panel, filtered = view.growth, view.tracked.panel, view.tracked.filtered
    then = to_log(filtered.mean[panel.last, 0], growth.linear)
    longer = continued(view.histories)
    if len(longer.sessions) > panel.n_sessions:
        panel, filtered = view.tracked.filter_on(longer, lambda one: _charged(one, longer))
    mine = np.flatnonzero(longer.spells["outcome"].to_numpy() == CLEARED)
    spells = longer.spells.iloc[mine]
    off = weeks_off(longer, mine, panel.grace[mine])
    last = panel.last[mine]
    mean, cov = propagate(
        growth.fit.constants.dynamics, filtered.mean[last],
        filtered.cov[last], np.zeros(len(mine)), np.minimum(off, MOST_WEEKS),
    )  # fmt: skip
    seen = last_trained(longer, mine)
    level = to_log(mean[:, 0], growth.linear)
    below = ndtr((panel.threshold[mine] - mean[:, 0]) / np.sqrt(cov[:, 0, 0]))
    criteria = {rung.key: rung for rung in longer.ladder.rungs}
    target = np.array([criteria[key].criterion.target for key in spells["rung"]], dtype=float)
    table = pd.DataFrame(
        {
            "athlete": spells["athlete"].to_numpy(),
            "rung": spells["rung"].to_numpy(),
            "rung_name": [criteria[key].name for key in spells["rung"]],
            "cleared_on": spells["cleared_on"].to_numpy(),
            "last_trained": seen,
            "weeks_untrained": np.round((longer.as_of - seen).dt.days / 7.0, 2),
            "weeks_off": np.round(off, 2),
            "level_then": np.round(then[mine], DIGITS),
            "level": np.round(level, DIGITS),
            "level_value": np.round(target * np.exp(level), DIGITS),
            "target": target,
            "p_below": np.round(below, DIGITS),
            "due": (below > MORE_LIKELY)
            & (then[mine] - level >= least_drop)
            & _foremost(longer.spells, longer.ladder)[mine],
        }
    )
    table["text"] = [
        words.ahead.retest(row.level_value, row.target, row.weeks_off) if row.due else ""
        for row in table.itertuples()
    ]
    table["place"] = spells["rung_index"].to_numpy()
    table = table.sort_values(["athlete", "place"], ignore_index=True)
    return table[list(RETEST_COLUMNS)]


def _foremost(spells: pd.DataFrame, ladder: Ladder) -> Flags:
    """(S,) whether no rung that needs the spell's rung is behind the athlete."""
    behind = spells[spells["outcome"].isin([CLEARED, PASSED_OVER])]
    held_by = {
        (athlete, need)
        for athlete, rung in zip(behind["athlete"], behind["rung"], strict=True)
        for need in ladder.rung(rung).needs
    }
    keys = zip(spells["athlete"], spells["rung"], strict=True)
    return np.array([key not in held_by for key in keys], dtype=bool)


def continued(histories: Histories) -> Histories:
    """Return the histories with the sessions after clearing as part of their spells."""
    after = histories.after_clearing
    if after.empty:
        return histories
    spell_of = histories.spells.reset_index(names="spell")[["athlete", "rung", "spell"]]
    later = build_sessions(after, histories.ladder).merge(spell_of, on=["athlete", "rung"])
    sessions = pd.concat([histories.sessions, later[histories.sessions.columns]])
    sessions = sessions.sort_values(["spell", "date"]).reset_index(drop=True)
    number = sessions.reset_index(names="session")[["athlete", "rung", "date", "session", "spell"]]
    sets = pd.concat([histories.sets.drop(columns=["session", "spell"]), after])
    sets = sets.merge(number, on=["athlete", "rung", "date"])[list(histories.sets.columns)]
    sets = sets.sort_values(["session", "set", "value"]).reset_index(drop=True)
    return replace(histories, sets=sets, sessions=sessions, after_clearing=after.iloc[:0])


def weeks_off(histories: Histories, rows: Ints, grace: Array) -> Array:
    """Return weeks without any training since each spell's last session that still tell.

    A layoff tells until the athlete has been back for as long as it lasted (common practice, no
    source). ``rows`` (T,) are those of ``histories.spells``, ``grace`` (T,) the weeks without
    training that are ordinary rest.
    """
    cut = day_number(pd.Series([histories.as_of]))
    days = _training_days(histories)
    last = day_number(last_trained(histories, rows))
    result = np.zeros(len(rows))
    for n, athlete in enumerate(histories.spells["athlete"].to_numpy()[rows]):
        since = np.concatenate([days[athlete][days[athlete] >= last[n]], cut])
        off = np.maximum(np.diff(since) / 7.0 - grace[n], 0.0)
        back = (cut - since[1:]) / 7.0
        result[n] = off[off > back].sum()
    return result


def _charged(panel: Any, longer: Histories) -> Array:
    """(N,) weeks beyond the grace before each session that count as lost.

    Up to clearing gaps count as the engine counts them. After it a rung is often left alone for
    months while others are trained: only weeks without any training are charged, and no more than
    ``MOST_WEEKS`` of them.
    """
    spells = longer.spells
    cleared = spells["cleared_on"].fillna(longer.as_of)
    later = panel.day > day_number(cleared)[panel.spell]
    names, days = spells["athlete"].to_numpy(), _training_days(longer)
    excess = panel.excess.copy()
    for at in np.flatnonzero(later & (panel.excess > 0)):
        own = days[names[panel.spell[at]]]
        between = own[(own >= panel.day[at - 1]) & (own <= panel.day[at])]
        off = np.maximum(np.diff(between) / 7.0 - panel.grace[panel.spell[at]], 0.0)
        excess[at] = min(off.sum(), MOST_WEEKS)
    return excess


def _training_days(histories: Histories) -> dict[str, Ints]:
    """Day numbers on which each athlete trained anything, rising."""
    return {
        str(athlete): np.unique(day_number(dates))
        for athlete, dates in histories.sessions.groupby("athlete")["date"]
    }


def last_trained(histories: Histories, rows: Ints) -> pd.Series:
    """Return the date of the last session of these spells."""
    return histories.sessions.groupby("spell")["date"].max().reindex(rows).reset_index(drop=True)


def fallbacks(
    model: Fitted | LogView, log: TrainingLog | None = None, as_of: pd.Timestamp | str | None = None
) -> pd.DataFrame:
    """Return, for each open rung, whether form breaks more often than the cohort's at that level.

    The unclean sets of the latest 8 sessions are set against the cohort's share at the levels of
    those sessions, with the spread between spells that the log shows. Where so many or more
    would come by chance in no more than 1 of 20 such spells, the coach is pointed to the rung's
    ``fallback``.

    Parameters
    ----------
    model, log, as_of
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
    histories, tracked, climbing = view.histories, view.tracked, view.once(known_climbing)
    sessions = histories.sessions.assign(level=tracked.filtered.mean[:, 0])
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
    name = histories.ladder.rung(rung.fallback).name if rung.fallback else None
    text = words.ahead.form_breaks(unclean, sets, share, name) if back else ""
    return (
        part["athlete"].iloc[0], rung.key, rung.name, sets, unclean, round(unclean / sets, DIGITS),
        round(share, DIGITS), round(chance, DIGITS), back, rung.fallback or "", text,
        int(part["rung_index"].iloc[0]),
    )  # fmt: skip


def upper_tail(hits: int, trials: int, logit: Array, weight: Array) -> float:
    """Chance of ``hits`` or more in ``trials``, the logit drawn from ``logit`` by ``weight``."""
    k = np.arange(hits, trials + 1)
    log_choose = gammaln(trials + 1) - gammaln(k + 1) - gammaln(trials - k + 1)
    p = np.clip(expit(logit), 1e-12, 1 - 1e-12)[:, None]
    mass = np.exp(log_choose + k * np.log(p) + (trials - k) * np.log1p(-p)).sum(axis=1)
    return float((weight * mass).sum())
