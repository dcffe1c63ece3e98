"""Levels after clearing: later sets are heard, and only true layoffs take anything."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecast.growth import GrowthModel, spells_alone
from forecast.growth.athletes import priors_from_others
from forecast.growth.filtering import Filtered, forward_pass
from forecast.growth.panel import Panel, day_number
from forecast.histories import Histories
from forecast.histories.sessions import build_sessions

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

MOST_WEEKS = 8.0
"""Weeks off that count: losses level out, and logs rarely show longer layoffs (judgement)."""


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
    source).

    Parameters
    ----------
    histories
        As from ``continued``.
    rows
        (T,) rows of ``histories.spells``.
    grace
        (T,) weeks without training that are ordinary rest.
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


def filter_on(model: GrowthModel, longer: Histories) -> tuple[Panel, Filtered]:
    """Filter every spell, sessions after clearing included.

    Up to clearing gaps count as the engine counts them. After it a rung is often left alone for
    months while others are trained: only weeks without any training are charged, and no more
    than ``MOST_WEEKS`` of them.
    """
    panel, loose = spells_alone(model, longer)
    constants = model.fit.constants
    panel = replace(panel, excess=_charged(panel, longer))
    mean, cov = priors_from_others(
        panel, constants, model.fit.pooled, loose, np.arange(panel.n_spells),
        finished_only=True,
    )  # fmt: skip
    return panel, forward_pass(panel, constants.dynamics, constants.noise, mean, cov)


def _charged(panel: Panel, longer: Histories) -> Array:
    """(N,) weeks beyond the grace before each session, as ``filter_on`` charges them."""
    spells = longer.spells.iloc[panel.spell_row]
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
