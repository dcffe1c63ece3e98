"""The chance that an athlete stops within 12 or 26 weeks, beside each forecast."""

from __future__ import annotations

import pandas as pd

from forecast.log import TrainingLog, chance_in_percent
from forecast.readiness import Fitted, LogView, as_view

COLUMNS = (
    "athlete", "rung", "weeks_away", "p_gone", "lapse_12", "lapse_12_low", "lapse_12_high",
    "lapse_26", "lapse_26_low", "lapse_26_high", "text",
)  # fmt: skip


def lapse_chance(
    model: Fitted | LogView,
    log: TrainingLog | None = None,
    as_of: pd.Timestamp | str | None = None,
    *,
    seed: int | None = None,
) -> pd.DataFrame:
    """Return, for each rung under way, the chance that the athlete stops within 12 and 26 weeks.

    Parameters
    ----------
    model
        A fitted forecaster, or its view of a log, which has a log and a cut date already.
    log, as_of
        The log and its cut date.
    seed
        Of the draws behind the 80 % ranges; the model's own where left out.

    Returns
    -------
    DataFrame
        One row an open spell, columns ``COLUMNS``: ``p_gone`` is the chance that the last
        training day has been already, ``lapse_12`` and ``lapse_26`` that it will have been by
        then, with 80 % ranges; ``text`` says it in words. All rungs of an athlete share them.

    Raises
    ------
    NotFittedError, ForecastError, HistoryError
        See ``readiness.LogView``.

    Notes
    -----
    See ``readiness.lapse.lapse_chances``. Being forecast to clear assumes no lapse; this figure
    stands beside that and is not mixed in. It is learnt when the model is fitted, and is the
    ``p_lapse_26`` of its forecasts.
    """
    view = as_view(model, log, as_of)
    open_spells = view.histories.open_spells
    if open_spells.empty:
        return pd.DataFrame(columns=list(COLUMNS))
    rows = open_spells[["athlete", "rung", "athlete_id", "rung_index"]]
    table = rows.merge(view.lapse_chances(seed), left_on="athlete_id", right_index=True)
    table = table.sort_values(["athlete", "rung_index"]).reset_index(drop=True)
    table["text"] = [_sentence(row) for _, row in table.iterrows()]
    return table[list(COLUMNS)]


def _sentence(row: pd.Series) -> str:
    text = f"Chance of having stopped logging within {_by(12, row)}, within {_by(26, row)}."
    if row["p_gone"] > 0.2:
        text += f" Away for {row['weeks_away']:.0f} weeks, perhaps already gone: worth a call."
    return text


def _by(week: int, row: pd.Series) -> str:
    """A chance with its range, unless both ends read the same."""
    ends = ("", "_low", "_high")
    chance, low, high = (chance_in_percent(row[f"lapse_{week}{end}"]) for end in ends)
    return f"{week} weeks {chance}" + (f" ({low} to {high})" if low != high else "")
