"""The verdict on every open spell: chances, gain, flag, and since when; figures only."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.stats import norm

from forecast.growth import Tracked
from forecast.histories import Histories
from forecast.plateau.alarms import enough_record
from forecast.plateau.onset import date_onset, weeks_between
from forecast.plateau.rules import DEFAULT_FALSE_ALARMS, PlateauRules, check_settings, limits_for
from forecast.plateau.traces import take_traces, traces_of

EIGHTY = float(norm.ppf(0.9))
DOWNWARD = -0.005
"""A gain a week below this is downward."""
VERDICT_COLUMNS = (
    "athlete", "rung", "p_climbing", "p_flat", "p_slipping", "gain", "gain_low", "gain_high",
    "smallest_gain", "flagged", "enough", "since", "since_low", "since_high", "weeks_flat",
)  # fmt: skip


def verdicts(
    histories: Histories,
    tracked: Tracked,
    growth: object,
    rules: PlateauRules,
    *,
    false_alarms_per_year: float = DEFAULT_FALSE_ALARMS,
    smallest_gain: float | None = None,
) -> pd.DataFrame:
    """Return one row a spell under way, ``VERDICT_COLUMNS``, in the order of the spells.

    ``p_climbing, p_flat, p_slipping`` add to 1; ``gain`` a week over the last six weeks with its
    80 % range; ``since`` (with 10 and 90 % points) and ``weeks_flat`` only where ``flagged``.
    Raises ``ForecastError`` where a setting is out of range.
    """
    check_settings(false_alarms_per_year, smallest_gain)
    limits = limits_for(rules, false_alarms_per_year, smallest_gain)
    row_of = tracked.panel.longest_first
    is_open = np.flatnonzero(histories.spells["open"].to_numpy()[row_of])
    if not len(is_open):
        return pd.DataFrame({name: [] for name in VERDICT_COLUMNS})
    traces = traces_of(growth, tracked)  # type: ignore[arg-type]
    traces = take_traces(traces, is_open, traces.length[is_open])
    watched = rules.watch(traces, limits, smallest_gain)
    last = traces.start + traces.length - 1
    gain, spread, least = watched.gain[last], watched.gain_sd[last], watched.least[last]
    not_enough = watched.p_flat[last]
    down = np.minimum(norm.cdf((DOWNWARD - gain) / spread), not_enough)
    table = pd.DataFrame(
        {
            "p_climbing": 1.0 - not_enough,
            "p_flat": not_enough - down,
            "p_slipping": down,
            "gain": gain,
            "gain_low": gain - EIGHTY * spread,
            "gain_high": gain + EIGHTY * spread,
            "smallest_gain": least,
            "flagged": watched.flagged[last],
            "enough": enough_record(traces)[last],
        }
    )
    spells = histories.spells.iloc[row_of[is_open]][["athlete", "rung"]].reset_index(drop=True)
    since = _since(traces, table, rules, smallest_gain, histories)
    whole = pd.concat([spells, table, since], axis=1)[list(VERDICT_COLUMNS)]
    return whole.iloc[np.argsort(row_of[is_open])].reset_index(drop=True)


def _since(
    traces: object,
    table: pd.DataFrame,
    rules: PlateauRules,
    smallest_gain: float | None,
    histories: Histories,
) -> pd.DataFrame:
    end = float(np.datetime64(histories.as_of, "D").astype(np.int64))
    rows = []
    for spell, flagged in enumerate(table["flagged"]):
        if not flagged:
            rows.append((pd.NaT, pd.NaT, pd.NaT, np.nan))
            continue
        onset = date_onset(
            traces, rules.switching, spell, int(traces.length[spell]),  # type: ignore[attr-defined,arg-type]
            smallest_gain=smallest_gain, seed=rules.seed,
        )  # fmt: skip
        days = [_date(day) for day in (onset.middle, onset.low, onset.high)]
        rows.append((*days, weeks_between(onset.middle, end)))
    names = ["since", "since_low", "since_high", "weeks_flat"]
    return pd.DataFrame(rows, columns=names).astype(
        {**dict.fromkeys(names[:3], "datetime64[ns]"), "weeks_flat": float}
    )


def _date(day: float) -> pd.Timestamp:
    return pd.NaT if np.isnan(day) else pd.Timestamp(round(day), unit="D")


__all__ = ["DEFAULT_FALSE_ALARMS", "VERDICT_COLUMNS", "verdicts"]
