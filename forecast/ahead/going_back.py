"""When to go back: cleared rungs that may have been lost again, and rungs where form breaks."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import expit, logit, ndtr
from scipy.stats import binom

from forecast import words
from forecast.ahead import rules
from forecast.ahead.ladder import known_climbing
from forecast.errors import ForecastError, is_number
from forecast.growth import clip_level, propagate, to_log
from forecast.histories import CLEARED, PASSED_OVER, Histories, build_sessions, day_number
from forecast.log import TrainingLog
from forecast.readiness import Fitted, LogView, as_view
from forecast.row import DIGITS
from forecast.types import WEEK, Array, Flags, Ints

RETEST_COLUMNS = (
    "athlete", "rung", "rung_name", "cleared_on", "last_trained", "weeks_untrained", "weeks_off",
    "level_then", "level", "level_value", "target", "p_below", "due", "text",
)  # fmt: skip
FALLBACK_COLUMNS = (
    "athlete", "rung", "rung_name", "sets", "unclean", "unclean_share", "expected_share",
    "p_by_chance", "go_back", "fallback", "text",
)  # fmt: skip


def retests(
    model: Fitted | LogView, log: TrainingLog | None = None,
    as_of: pd.Timestamp | str | None = None, *, least_drop: float = rules.LEAST_DROP,
) -> pd.DataFrame:  # fmt: skip
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
        As in ``ladder_ahead``, and so are the errors.
    least_drop
        In log units, so 0.05 is about 5 %.

    Returns
    -------
    DataFrame
        Columns ``RETEST_COLUMNS``, by athlete and in ladder order. ``weeks_off`` are weeks beyond
        ordinary rest; levels are log(capacity / target) of a usual day; ``p_below`` the chance
        that it is below what is written down as the target.
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
    seen = longer.sessions.groupby("spell")["date"].max().reindex(mine).reset_index(drop=True)
    off = _weeks_off(longer, spells["athlete"], day_number(seen), panel.grace[mine])
    last = panel.last[mine]
    mean, cov = propagate(
        growth.fit.constants.dynamics, filtered.mean[last],
        filtered.cov[last], np.zeros(len(mine)), np.minimum(off, rules.MOST_WEEKS),
    )  # fmt: skip
    level = to_log(mean[:, 0], growth.linear)
    below = ndtr((panel.threshold[mine] - mean[:, 0]) / np.sqrt(cov[:, 0, 0]))
    rungs = [longer.ladder.rung(key) for key in spells["rung"]]
    target = np.array([rung.criterion.target for rung in rungs], dtype=float)
    dropped = (below > rules.MORE_LIKELY) & (then[mine] - level >= least_drop)
    table = pd.DataFrame(
        {
            "athlete": spells["athlete"].to_numpy(),
            "rung": spells["rung"].to_numpy(),
            "rung_name": [rung.name for rung in rungs],
            "cleared_on": spells["cleared_on"].to_numpy(),
            "last_trained": seen,
            "weeks_untrained": np.round((longer.as_of - seen).dt.days / WEEK, 2),
            "weeks_off": np.round(off, 2),
            "level_then": np.round(then[mine], DIGITS),
            "level": np.round(level, DIGITS),
            "level_value": np.round(target * np.exp(level), DIGITS),
            "target": target,
            "p_below": np.round(below, DIGITS),
            "due": dropped & _foremost(longer)[mine],
            "place": spells["rung_index"].to_numpy(),
        }
    )
    table["text"] = [
        words.ahead.retest(row.level_value, row.target, row.weeks_off) if row.due else ""
        for row in table.itertuples()
    ]
    table = table.sort_values(["athlete", "place"], ignore_index=True)
    return table[list(RETEST_COLUMNS)]


def _foremost(histories: Histories) -> Flags:
    """(S,) whether no rung that needs the spell's rung is behind the athlete."""
    spells = histories.spells
    behind = spells[spells["outcome"].isin([CLEARED, PASSED_OVER])]
    held_by = {
        (athlete, need)
        for athlete, rung in zip(behind["athlete"], behind["rung"], strict=True)
        for need in histories.ladder.rung(rung).needs
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


def _weeks_off(histories: Histories, athletes: pd.Series, last: Ints, grace: Array) -> Array:
    """Weeks off since each spell's ``last`` session, beyond its ``grace``, that still tell, (T,).

    A layoff tells until the athlete has been back for as long (common practice, no source).
    """
    cut = day_number(pd.Series([histories.as_of]))
    days = _training_days(histories)
    result = np.zeros(len(last))
    for n, athlete in enumerate(athletes):
        since = np.concatenate([days[athlete][days[athlete] >= last[n]], cut])
        off = np.maximum(np.diff(since) / WEEK - grace[n], 0.0)
        result[n] = off[off > (cut - since[1:]) / WEEK].sum()
    return result


def _charged(panel: Any, longer: Histories) -> Array:
    """(N,) weeks beyond the grace before each session that count as lost.

    After clearing, a rung is often left alone for months while others are trained: only weeks
    without any training are charged then, and no more than ``MOST_WEEKS`` of them.
    """
    cleared = longer.spells["cleared_on"].fillna(longer.as_of)
    later = panel.day > day_number(cleared)[panel.spell]
    names, days = longer.spells["athlete"].to_numpy(), _training_days(longer)
    excess = panel.excess.copy()
    for at in np.flatnonzero(later & (panel.excess > 0)):
        own = days[names[panel.spell[at]]]
        between = own[(own >= panel.day[at - 1]) & (own <= panel.day[at])]
        off = np.maximum(np.diff(between) / WEEK - panel.grace[panel.spell[at]], 0.0)
        excess[at] = min(off.sum(), rules.MOST_WEEKS)
    return excess


def _training_days(histories: Histories) -> dict[str, Ints]:
    """Day numbers on which each athlete trained anything, rising."""
    return {
        str(athlete): np.unique(day_number(dates))
        for athlete, dates in histories.sessions.groupby("athlete")["date"]
    }


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
        As in ``ladder_ahead``, and so are the errors.

    Returns
    -------
    DataFrame
        Columns ``FALLBACK_COLUMNS``; ``fallback`` is the key of the rung to go back to, empty
        where the ladder names none.
    """
    view = as_view(model, log, as_of)
    histories, climbing, ladder = view.histories, view.once(known_climbing), view.log.ladder
    level = clip_level(view.tracked.filtered.mean[:, 0])
    unclean = expit(-(climbing.clean_intercept + climbing.clean_slope * level))
    sessions = histories.sessions.assign(usual=histories.sessions["n_sets"] * unclean)
    sessions = sessions[sessions["spell"].isin(histories.open_spells.index)]
    recent = sessions.groupby("spell").tail(rules.RECENT_SESSIONS).groupby("spell")
    table = recent[["athlete", "rung", "rung_index"]].first()
    table[["sets", "clean", "usual"]] = recent[["n_sets", "n_clean", "usual"]].sum()
    table = table.sort_values(["athlete", "rung_index"], ignore_index=True)
    table["unclean"] = table["sets"] - table["clean"]
    share = (table["usual"] / table["sets"]).to_numpy()
    nodes, mass = np.polynomial.hermite_e.hermegauss(21)
    each = expit(logit(share)[:, None] + climbing.clean_spread * nodes)
    hits, sets = (table[name].to_numpy()[:, None] for name in ("unclean", "sets"))
    chance = binom.sf(hits - 1, sets, each) @ (mass / mass.sum())
    rungs = [ladder.rung(key) for key in table["rung"]]
    names = [ladder.rung(rung.fallback).name if rung.fallback else None for rung in rungs]
    table = table.assign(
        rung_name=[rung.name for rung in rungs],
        unclean_share=(table["unclean"] / table["sets"]).round(DIGITS),
        expected_share=share.round(DIGITS),
        p_by_chance=chance.round(DIGITS),
        go_back=chance <= rules.MOST_BY_CHANCE,
        fallback=[rung.fallback or "" for rung in rungs],
    )
    table["text"] = [
        words.ahead.form_breaks(row.unclean, row.sets, usual, name) if row.go_back else ""
        for row, usual, name in zip(table.itertuples(), share, names, strict=True)
    ]
    return table[list(FALLBACK_COLUMNS)]
