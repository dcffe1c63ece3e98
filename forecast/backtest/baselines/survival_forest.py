"""A random survival forest on the landmark figures, where scikit-survival is installed."""

from __future__ import annotations

import importlib.util

import numpy as np

from forecast.backtest.baselines.at_cut import AtCut, CutForecast, long_curve
from forecast.backtest.baselines.landmarks import FEATURES, open_rows, training_rows
from forecast.errors import FitError

MIN_EVENTS = 10
TREES, LEAF = 200, 15


def survival_forest(known: AtCut) -> CutForecast:
    """Forecast by a random survival forest (200 trees, 15 rows a leaf, weeks rounded up).

    Past the longest time in training the curve stays flat: a forest does not extrapolate. Raises
    ``FitError`` if scikit-survival is not installed, or fewer than ``MIN_EVENTS`` landmark rows end
    in a clearing. H. Ishwaran et al. (2008), Ann. Appl. Stat. 2:841-860.
    """
    if importlib.util.find_spec("sksurv") is None:
        raise FitError("not installed: the survival forest needs `pip install rungwise[forest]`")
    from sksurv.ensemble import RandomSurvivalForest
    from sksurv.util import Surv

    train, now = training_rows(known), open_rows(known)
    if train["cleared"].sum() < MIN_EVENTS:
        raise FitError(f"the survival forest needs {MIN_EVENTS} landmarks that end in a clearing")
    order = {key: place for place, key in enumerate(known.histories.ladder.keys)}
    x, asked = (
        np.column_stack([rows[list(FEATURES)].to_numpy(float), rows["rung"].map(order)])
        for rows in (train, now)
    )
    y = Surv.from_arrays(train["cleared"].to_numpy(), np.ceil(train["weeks"].to_numpy()))
    forest = RandomSurvivalForest(
        n_estimators=TREES,
        min_samples_leaf=LEAF,
        max_features="sqrt",
        n_jobs=1,
        random_state=known.seed,
    ).fit(x, y)
    steps = forest.predict_survival_function(asked, return_array=True)
    place = np.searchsorted(forest.unique_times_, known.weeks, side="right")
    surviving = np.column_stack([np.ones(len(asked)), steps])[:, place]
    return CutForecast(long_curve(known, 1.0 - surviving))
