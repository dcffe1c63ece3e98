"""Chances that an athlete has stopped, or will have within 12 or 26 weeks."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import expit

from forecast.histories import CohortRhythm
from forecast.readiness.lapse.days import design_of
from forecast.readiness.lapse.staying import LapseModel, silences

DRAWS = 400
MARKS = (12, 26)


def lapse_chances(
    fitted: LapseModel, rhythm: CohortRhythm, days: pd.DataFrame, seed: int
) -> pd.DataFrame:
    """Return chances by athlete, from draws of the regression's weights.

    Parameters
    ----------
    fitted, rhythm
        From ``fit_lapse`` and ``day_rhythm``.
    days
        ``training_days`` of the athletes asked about.
    seed
        Of the draws; every athlete uses the same.

    Returns
    -------
    DataFrame
        Index ``athlete_id``; ``weeks_away``, ``p_gone`` (the last training day has been already),
        and ``lapse_12``, ``lapse_26`` (it will have been by then) with 80 % ranges ``_low`` and
        ``_high``.

    Notes
    -----
    After a training day the athlete lapses with chance h, else comes again after a gap as usual.
    Silent for g days, they have lapsed already with chance h / (h + (1 - h) S(g)), S the share of
    gaps longer than g, and stay through n more training days with chance (1 - h)^n: the reasoning
    of Fader, Hardie & Lee (2005, Mark. Sci. 24:275) with h from a regression instead of a beta law.
    """
    now = silences(days, rhythm)
    rng = np.random.default_rng(seed)
    root = np.linalg.cholesky(fitted.cov)
    drawn = fitted.weights + rng.standard_normal((DRAWS, len(root))) @ root.T
    hazard = expit(design_of(now.latest) @ drawn.T)
    gone = hazard / (hazard + (1 - hazard) * now.longer[:, None])
    table = {"weeks_away": now.latest["away"].to_numpy() / 7.0, "p_gone": gone.mean(axis=1)}
    for weeks in MARKS:
        stays = np.exp(weeks * now.per_week[:, None] * np.log1p(-hazard))
        chance = gone + (1 - gone) * (1 - stays)
        # Transform draw by draw, summarise last.
        table[f"lapse_{weeks}"] = chance.mean(axis=1)
        table[f"lapse_{weeks}_low"] = np.quantile(chance, 0.1, axis=1)
        table[f"lapse_{weeks}_high"] = np.quantile(chance, 0.9, axis=1)
    return pd.DataFrame(table, index=now.latest.index)
