"""Form first: how soon a first set that counts comes, where none has yet."""

from __future__ import annotations

import numpy as np
import pandas as pd

from forecast.histories import Histories
from forecast.types import Array, Ints

ROW = 3
"""Sessions without a valid set from which they are a row of them, and not a slow start."""
PRIOR_ENDS, PRIOR_LENGTH = 1.0, 4.0
"""Prior of the rate at which such rows end, as ends seen over log-length seen (judgement)."""


def rows_end(histories: Histories) -> float:
    """Return theta, how readily rows of sessions without a valid set end in this log.

    A row of m sessions lasts to session m + k with chance ((m + 1) / (m + k + 1)) ** theta, so
    that the longer it has lasted the longer it will: the Lomax law (Lomax 1954, J. Am. Stat. Assoc.
    49:847). Learnt from all that lasted ``ROW`` sessions, and a prior.
    """
    length, ended = _first_rows(histories)
    rows = length >= ROW
    seen = np.log((length[rows] + 1.0) / (ROW + 1.0)).sum()
    return float((PRIOR_ENDS + (rows & ended).sum()) / (PRIOR_LENGTH + seen))


def _first_rows(histories: Histories) -> tuple[pd.Series, pd.Series]:
    """By spell: sessions before the first with a valid set, and whether one came."""
    sessions = histories.sessions
    none_yet = sessions["n_counting"].gt(0).groupby(sessions["spell"]).cumsum().eq(0)
    length = none_yet.groupby(sessions["spell"]).sum()
    return length, length < sessions.groupby("spell").size()


def valid_by_day(histories: Histories, spell: Ints, rate: Array, days: int, theta: float) -> Array:
    """Return the chance of a first valid set within 0..D days, (T, D + 1), of spells (T,).

    ``rate`` (T,) are sessions a week, ``theta`` comes from ``rows_end``. 1 where a set has counted.
    """
    length, ended = (of_spell.reindex(spell).to_numpy() for of_spell in _first_rows(histories))
    m = length.astype(float)[:, None]
    ahead = np.asarray(rate, dtype=float)[:, None] * np.arange(days + 1) / 7.0
    lasts = ((m + 1.0) / (m + 1.0 + ahead)) ** theta
    return np.asarray(np.where(ended[:, None], 1.0, 1.0 - lasts))
