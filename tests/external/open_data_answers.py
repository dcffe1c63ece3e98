"""What the package answers on the growth tables, through its public interface only."""

from __future__ import annotations

import numpy as np
import pandas as pd
from open_data import ASKED, Question, Setting, Task, as_log, curve_on_grid, horizon_weeks
from open_data_scores import Forecast, from_curve

from forecast.model import ReadinessForecaster

AS_OF = ASKED + pd.Timedelta(days=1)
"""Just after the k-th measurement: it is known, the next one is not."""


def answers(
    task: Task, asked: list[Question], fold: int, setting: Setting, engines: tuple[str, ...]
) -> dict[str, list[Forecast]]:
    """Fit on one fold's log and forecast its units, with each engine asked for.

    Parameters
    ----------
    task, fold, setting
        As in ``as_log``.
    asked
        Units of that fold, from ``questions``.
    engines
        Among ``pool``, ``growth`` and ``survival``.

    Returns
    -------
    dict
        By engine, one forecast a unit, in the order of ``asked``.
    """
    log = as_log(task, fold, setting)
    # The other folds ended years before: whoever did not get there counts as lapsed, which the
    # engines read as "not known after that", as it is.
    model = ReadinessForecaster(horizon_weeks=horizon_weeks(task))
    model.fit_engines(log, AS_OF)
    found = {}
    for engine, result in model.forecast_each(log, AS_OF, engines).items():
        wide = result.curve.pivot(index="athlete", columns="week", values="p_cleared")
        rows = wide.loc[[f"unit {q.unit:05d}" for q in asked]].to_numpy()
        by_week = np.column_stack([np.zeros(len(rows)), rows])
        found[engine] = [
            from_curve(q, curve_on_grid(task, q, row))
            for q, row in zip(asked, by_week, strict=True)
        ]
    return found
