"""Form first: how soon a first set that counts comes, where none has yet."""

from __future__ import annotations

import numpy as np

from forecast.histories import Histories
from forecast.types import Array, Ints

ROW = 3
"""Sessions without a valid set from which they are a row of them, and not a slow start."""
PRIOR_ENDS, PRIOR_LENGTH = 1.0, 4.0
"""Prior of the rate at which such rows end, as ends seen over log-length seen (judgement)."""


def valid_by_day(histories: Histories, spell: Ints, rate: Array, days: int) -> Array:
    """Return the chance of a first valid set within 0..D days, (T, D + 1), of spells (T,).

    A row of m sessions without a valid set lasts to session m + k with chance
    ((m + 1) / (m + k + 1)) ** theta, so that the longer it has lasted the longer it will: the
    Lomax law (Lomax 1954, J. Am. Stat. Assoc. 49:847). ``theta`` is learnt from all rows of the log
    that lasted ``ROW`` sessions. ``rate`` (T,) are sessions a week. 1 where a set has counted.
    """
    sessions = histories.sessions
    invalid = sessions["n_counting"].to_numpy() == 0
    first_valid = sessions["n_counting"].gt(0).groupby(sessions["spell"]).cumsum().eq(0)
    length = (first_valid & invalid).groupby(sessions["spell"]).sum()
    ended = length < sessions.groupby("spell").size()
    rows = length >= ROW
    theta = (PRIOR_ENDS + (rows & ended).sum()) / (
        PRIOR_LENGTH + np.log((length[rows] + 1.0) / (ROW + 1.0)).sum()
    )
    length, ended = length.reindex(spell), ended.reindex(spell).to_numpy()
    m = length.to_numpy(dtype=float)[:, None]
    ahead = np.asarray(rate, dtype=float)[:, None] * np.arange(days + 1) / 7.0
    lasts = ((m + 1.0) / (m + 1.0 + ahead)) ** theta
    return np.asarray(np.where(ended[:, None], 1.0, 1.0 - lasts))
