"""The one rule from chances to a state; every screen, page and table reads what it returns."""

from __future__ import annotations

from forecast.plateau.words import CLIMBING, FLAT, PAUSED, SLIPPING, UNCLEAR

SURE = 2.0 / 3.0
"""Chance of more than the smallest gain from which a rung counts as climbing (judgement)."""


def state_of(
    *,
    waits: bool,
    flagged: bool,
    enough: bool,
    p_flat: float,
    p_gains: float,
    gain_high: float,
) -> str:
    """Return the state of an open rung; pain is noted beside it and stands above.

    ``waits``: no session for longer than a pause (``table``); ``flagged``: the flag of
    ``alarms.raise_flags`` is up, ``p_flat`` went past the limit and is still one half or more;
    ``enough``: sessions and weeks to be judged by; ``p_gains``: chance that the gain measured
    lately is more than the smallest that matters, ``gain_high`` the upper end of its 80 % range.
    """
    if waits:
        return PAUSED
    if flagged:
        return SLIPPING if gain_high < 0 else FLAT
    return CLIMBING if enough and p_flat <= 1.0 - SURE and p_gains >= SURE else UNCLEAR
