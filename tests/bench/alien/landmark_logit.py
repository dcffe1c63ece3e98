"""A plain landmark logit: the chance of each week ahead by logistic regression on plain figures.

A baseline, and no part of any world: it uses the package's own landmark figures, so that it sees
what the other landmark baselines see.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from sklearn.linear_model import LogisticRegression
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler

from forecast.backtest.baselines import (
    FEATURES,
    AtCut,
    CutForecast,
    long_curve,
    open_rows,
    training_rows,
)
from forecast.errors import FitError

MIN_EVENTS = 10


def landmark_logit(known: AtCut) -> CutForecast:
    """Forecast by a logit of clearing in week k after a landmark, given not cleared before.

    Raises
    ------
    FitError
        If fewer than ``MIN_EVENTS`` landmarks end in a clearing.
    """
    train, now = training_rows(known), open_rows(known)
    if train["cleared"].sum() < MIN_EVENTS:
        raise FitError(f"a landmark logit needs {MIN_EVENTS} landmarks that end in a clearing")
    rungs = sorted(train["rung"].unique())
    horizon = known.horizon_weeks
    # A week lived through in part is left out, unless it brought the clearing.
    lived = np.where(train["cleared"], np.ceil(train["weeks"]), np.floor(train["weeks"]))
    whole = np.minimum(lived, horizon).astype(int)
    row = np.repeat(np.arange(len(train)), whole)
    week = np.concatenate([np.arange(1, n + 1) for n in whole])
    done = train["cleared"].to_numpy()[row] & (week == lived[row])
    logit = make_pipeline(StandardScaler(), LogisticRegression(C=1.0, max_iter=1000))
    logit.fit(_design(train.iloc[row], week, rungs), done)
    every = np.repeat(np.arange(len(now)), horizon)
    ahead = np.tile(np.arange(1, horizon + 1), len(now))
    hazard = logit.predict_proba(_design(now.iloc[every], ahead, rungs))[:, 1]
    stays = np.cumprod(1.0 - hazard.reshape(len(now), horizon), axis=1)
    return CutForecast(long_curve(known, 1.0 - stays))


def _design(rows: pd.DataFrame, week: np.ndarray, rungs: list[str]) -> np.ndarray:
    dummies = rows["rung"].to_numpy()[:, None] == np.array(rungs)[None, :]
    level = rows["level_recent"].to_numpy()
    time = [week, np.log(week), np.log(week) * level]
    return np.column_stack([rows[list(FEATURES)].to_numpy(float), dummies, *time]).astype(float)
