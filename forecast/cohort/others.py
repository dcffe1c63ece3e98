"""Is this normal? How long the others took for a rung that an athlete is on."""

from __future__ import annotations

import numpy as np
import pandas as pd

from forecast.cohort.records import DAYS, spell_times
from forecast.cohort.time_to_clear import clearing_curve
from forecast.histories import OPEN, Histories

FEW = 5
"""Spells of others from which something is said of them (judgement)."""
COLUMNS = ["athlete", "rung", "week", "at_least", "others", "quarter", "three_quarters"]


def weeks_of_others(histories: Histories) -> pd.DataFrame:
    """Return, for every open spell, the week it is in and how long the others took.

    Parameters
    ----------
    histories
        Spells up to the cut.

    Returns
    -------
    pandas.DataFrame
        ``athlete, rung``; ``week``, 1 in the first seven days, ``at_least`` where the spell was
        under way when the log began, nobody knows since when; ``others``, spells of others with a
        known beginning; ``quarter`` and ``three_quarters``, weeks by which so many of the others
        had cleared, on their Kaplan-Meier curve (infinite past what was seen). Both are missing
        with fewer than five others, or none of them cleared.
    """
    times = spell_times(histories)
    known = {rung: part for rung, part in times.table.groupby("rung")}
    begun = times.table.set_index(["athlete", "rung"])["entry"].to_dict()
    rows = []
    spells = histories.spells
    for spell in spells[spells["outcome"] == OPEN].itertuples(index=False):
        key = (spell.athlete, spell.rung)
        part = known.get(spell.rung, times.table.iloc[:0])
        others = part[part["athlete"] != spell.athlete]
        curve = clearing_curve(others) if len(others) >= FEW else None
        ends = (curve.quantile(0.25), curve.quantile(0.75)) if curve else (np.nan, np.nan)
        weeks = (histories.as_of - spell.start).days / DAYS + max(begun.get(key, 0.0), 0.0)
        rows.append(
            (*key, int(weeks) + 1, key not in begun and spell.under_way, len(others), *ends)
        )
    return pd.DataFrame(rows, columns=COLUMNS)
