"""A hand-made log, and an engine that has learnt nothing: it stands at its priors' middle."""

from __future__ import annotations

import numpy as np
import pandas as pd

from forecast.growth import GrowthModel
from forecast.growth.engine import rhythm_of
from forecast.growth.evidence import Pooled
from forecast.growth.fitting import GrowthConstants, GrowthFit, prior_constants
from forecast.growth.judgement import CENTRE_MEAN, CENTRE_SD, SPELL_SPREAD
from forecast.growth.panel import build_panel
from forecast.growth.passage import CohortHabits
from forecast.histories import Histories, build_histories
from forecast.ladder import Criterion, Ladder, Rung
from forecast.log import read_log

DAY0 = pd.Timestamp("2025-01-06")
LADDER = Ladder(
    "By hand",
    (
        Rung("hang", "Hang", "", Criterion("seconds", 10.0, confirm_sessions=2), needs=()),
        Rung("pull", "Pull", "", Criterion("reps", 5.0, load_kg=10.0), needs=()),
        Rung("blink", "Blink", "", Criterion("seconds", 1.0), needs=()),
        Rung("hour", "Hour", "", Criterion("seconds", 1000.0), needs=()),
    ),
)


def rows_of(athlete, rung, sessions, **columns):
    """Rows of sets: ``sessions`` maps a day after ``DAY0`` to the values of its sets."""
    return [
        {"athlete": athlete, "date": DAY0 + pd.Timedelta(days=day), "rung": rung,
         "set": k + 1, "value": float(value), "stopped": "failed"} | columns
        for day, values in sessions.items()
        for k, value in enumerate(values)
    ]  # fmt: skip


def histories_of(rows, as_of=70) -> Histories:
    """Histories of rows as of a day after ``DAY0``."""
    log = read_log(pd.DataFrame(rows), LADDER)
    assert not len(log.rejected), log.rejected
    return build_histories(log, DAY0 + pd.Timedelta(days=as_of))


def at_the_priors(histories: Histories, *, linear: float = 0.0, **values) -> GrowthModel:
    """Return an engine with the priors' middle for constants, but for those named."""
    constants = GrowthConstants({**prior_constants().values, **values})
    prior, rungs = constants.pooling, len(histories.ladder.rungs)
    spread = np.concatenate([CENTRE_SD**2, np.tile(prior.rung, rungs)])
    mean = np.concatenate([CENTRE_MEAN, np.zeros(3 * rungs)])
    pooled = Pooled(mean, np.diag(spread), 0.0, np.zeros(0))
    return GrowthModel(
        fit=GrowthFit(constants, pooled, rungs, list(SPELL_SPREAD), np.zeros((3, 3)), 0.0, 0),
        rhythm=rhythm_of(build_panel(histories), histories),
        habits=CohortHabits(2.0, 0.0, np.full(32, 2.0)),
        linear=linear,
        units={"seconds": 1.0, "reps": 1.0},
        reserve=9.0,
    )


ROWS = [
    *rows_of("Al", "hang", {0: [4, 4], 3: [5], 5: [5, 4, 3], 33: [4], 36: [6]}),
    *rows_of("Al", "pull", {1: [2], 8: [3]}, load_kg=10.0),
    *rows_of("Bo", "hang", {0: [8], 7: [9], 14: [9, 8]}),
]
