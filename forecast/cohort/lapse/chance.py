"""The chance that an athlete stops within 12 or 26 weeks, beside each forecast."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import expit

from forecast.cohort.lapse.days import training_days
from forecast.cohort.lapse.flatness import design_of
from forecast.cohort.lapse.staying import absences, fit_lapse
from forecast.cohort.through_model import Seen, see
from forecast.log.training_log import TrainingLog
from forecast.readiness import ReadinessForecaster

DRAWS = 400
COLUMNS = (
    "athlete", "rung", "weeks_away", "p_gone", "lapse_12", "lapse_12_low", "lapse_12_high",
    "lapse_26", "lapse_26_low", "lapse_26_high", "text",
)  # fmt: skip


def lapse_chance(
    model: ReadinessForecaster,
    log: TrainingLog,
    as_of: pd.Timestamp | str | None = None,
    *,
    seed: int = 0,
) -> pd.DataFrame:
    """Return, for each rung under way, the chance that the athlete stops within 12 and 26 weeks.

    Parameters
    ----------
    model
        A fitted forecaster.
    log, as_of
        The log and its cut date.
    seed
        Of the draws behind the 80 % ranges.

    Returns
    -------
    DataFrame
        One row an open spell, columns ``COLUMNS``: ``p_gone`` is the chance that the last
        training day has been already, ``lapse_12`` and ``lapse_26`` that it will have been by
        then, with 80 % ranges; ``text`` says it in words. All rungs of an athlete share them.

    Raises
    ------
    NotFittedError, ForecastError, HistoryError
        See ``through_model.see``.

    Notes
    -----
    After a training day the athlete lapses with chance h, else comes again after a gap as usual
    (the cohort's, on the scale of the athlete's own). Away for g days, they have lapsed already
    with chance h / (h + (1 - h) S(g)), S the share of gaps longer than g, and stay through n
    more training days with chance (1 - h)^n: the reasoning of Fader, Hardie & Lee (2005, Mark. Sci.
    24:275) with h from a regression instead of a beta law. Being forecast to clear assumes no
    lapse; this figure stands beside that and is not mixed in.
    """
    seen = see(model, log, as_of)
    open_spells = seen.histories.open_spells
    if open_spells.empty:
        return pd.DataFrame(columns=list(COLUMNS))
    chances = _chances(seen, seed)
    rows = open_spells[["athlete", "rung", "athlete_id", "rung_index"]]
    table = rows.merge(chances, left_on="athlete_id", right_index=True)
    table = table.sort_values(["athlete", "rung_index"]).reset_index(drop=True)
    table["text"] = [_sentence(row) for _, row in table.iterrows()]
    return table[list(COLUMNS)]


def _chances(seen: Seen, seed: int) -> pd.DataFrame:
    """Chances by athlete, from draws of the regression's weights."""
    days = training_days(seen)
    now = absences(days)
    fitted = fit_lapse(days, now.longer)
    rng = np.random.default_rng(seed)
    root = np.linalg.cholesky(fitted.cov)
    drawn = fitted.weights + rng.standard_normal((DRAWS, len(root))) @ root.T
    hazard = expit(design_of(now.latest) @ drawn.T)
    gone = hazard / (hazard + (1 - hazard) * now.longer[:, None])
    table = {"weeks_away": now.latest["away"].to_numpy() / 7.0, "p_gone": gone.mean(axis=1)}
    for weeks in (12, 26):
        stays = np.exp(weeks * now.per_week[:, None] * np.log1p(-hazard))
        chance = gone + (1 - gone) * (1 - stays)
        # Transform draw by draw, summarise last.
        table[f"lapse_{weeks}"] = chance.mean(axis=1)
        table[f"lapse_{weeks}_low"] = np.quantile(chance, 0.1, axis=1)
        table[f"lapse_{weeks}_high"] = np.quantile(chance, 0.9, axis=1)
    return pd.DataFrame(table, index=now.latest.index)


def _sentence(row: pd.Series) -> str:
    text = (
        f"Chance of having stopped logging within 12 weeks {row['lapse_12']:.0%} "
        f"({row['lapse_12_low']:.0%} to {row['lapse_12_high']:.0%}), within 26 weeks "
        f"{row['lapse_26']:.0%} ({row['lapse_26_low']:.0%} to {row['lapse_26_high']:.0%})."
    )
    if row["p_gone"] > 0.2:
        text += f" Away for {row['weeks_away']:.0f} weeks, perhaps already gone: worth a call."
    return text
