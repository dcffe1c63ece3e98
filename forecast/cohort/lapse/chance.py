"""The chance that an athlete stops within 12 or 26 weeks, beside each forecast."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit

from forecast.cohort.lapse.days import training_days
from forecast.cohort.lapse.flatness import LapseModel, design_of, fit_lapse
from forecast.cohort.through_model import Seen, see
from forecast.histories.attendance import gap_table
from forecast.log.training_log import TrainingLog
from forecast.readiness import ReadinessForecaster

Array = NDArray[np.float64]

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
    After a training day the athlete lapses with chance h, else comes again after a gap drawn from
    their habit (shrunk to the cohort). Away for g days, they have lapsed already with chance
    h / (h + (1 - h) S(g)), S the share of gaps longer than g, and stay through n more training
    days with chance (1 - h)^n: the reasoning of Fader, Hardie & Lee (2005, Marketing Science
    24:275) with h from a regression instead of a beta law. Being forecast to clear assumes no
    lapse; this figure stands beside that and is not mixed in.
    """
    seen = see(model, log, as_of)
    open_spells = seen.histories.open_spells
    if open_spells.empty:
        return pd.DataFrame(columns=list(COLUMNS))
    days = training_days(seen)
    fitted = fit_lapse(days)
    latest = days[days["last"]].set_index("athlete_id").loc[open_spells["athlete_id"].unique()]
    chances = _chances(seen, days, latest, fitted, seed)
    rows = open_spells[["athlete", "rung", "athlete_id", "rung_index"]]
    table = rows.merge(chances, left_on="athlete_id", right_index=True)
    table = table.sort_values(["athlete", "rung_index"]).reset_index(drop=True)
    table["text"] = [_sentence(row) for _, row in table.iterrows()]
    return table[list(COLUMNS)]


def _chances(
    seen: Seen, days: pd.DataFrame, latest: pd.DataFrame, fitted: LapseModel, seed: int
) -> pd.DataFrame:
    """Chances by athlete, from draws of the regression's weights."""
    gaps = gap_table(_own_gaps(days, latest.index), seen.growth.rhythm)
    away = latest["away"].to_numpy(dtype=float)
    longer = ((gaps > away[:, None]).mean(axis=1) * 128 + 0.5) / 129
    per_week = 7.0 / gaps.mean(axis=1)
    rng = np.random.default_rng(seed)
    root = np.linalg.cholesky(fitted.cov)
    drawn = fitted.weights + rng.standard_normal((DRAWS, len(root))) @ root.T
    hazard = expit(design_of(latest) @ drawn.T)
    gone = hazard / (hazard + (1 - hazard) * longer[:, None])
    table = {"weeks_away": away / 7.0, "p_gone": gone.mean(axis=1)}
    for weeks in (12, 26):
        stays = np.exp(weeks * per_week[:, None] * np.log1p(-hazard))
        chance = gone + (1 - gone) * (1 - stays)
        # Transform draw by draw, summarise last.
        table[f"lapse_{weeks}"] = chance.mean(axis=1)
        table[f"lapse_{weeks}_low"] = np.quantile(chance, 0.1, axis=1)
        table[f"lapse_{weeks}_high"] = np.quantile(chance, 0.9, axis=1)
    return pd.DataFrame(table, index=latest.index)


def _own_gaps(days: pd.DataFrame, athletes: pd.Index) -> list[Array]:
    """Days between consecutive training days, whatever the rung, of each athlete."""
    number = days["date"].to_numpy().astype("datetime64[D]").astype(np.int64)
    by_athlete = pd.Series(number).groupby(days["athlete_id"].to_numpy()).agg(list)
    return [np.diff(np.asarray(by_athlete[a], dtype=float)) for a in athletes]


def _sentence(row: pd.Series) -> str:
    text = (
        f"Chance of having stopped logging within 12 weeks {row['lapse_12']:.0%} "
        f"({row['lapse_12_low']:.0%} to {row['lapse_12_high']:.0%}), within 26 weeks "
        f"{row['lapse_26']:.0%} ({row['lapse_26_low']:.0%} to {row['lapse_26_high']:.0%})."
    )
    if row["p_gone"] > 0.2:
        text += f" Away for {row['weeks_away']:.0f} weeks, perhaps already gone: worth a call."
    return text
