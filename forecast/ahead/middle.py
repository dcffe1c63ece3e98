"""What the growth engine would say of a rung at its first session, athlete unknown."""

from __future__ import annotations

import numpy as np

from forecast.ahead.sampler import Starts, climb, spread_constants
from forecast.ahead.standing import Plan
from forecast.growth import GrowthModel
from forecast.growth.habits import untried_habits
from forecast.growth.panel import GRACE_WEEKS
from forecast.types import Array, Ints

PATHS = 128
MOST_DAYS = 7 * 104
"""Days simulated: the middle is an order beyond, and no time."""


def new_grace(gaps: Array) -> Array:
    """(T,) weeks of ordinary rest on a rung to come, from its gap table."""
    return np.maximum(GRACE_WEEKS, 3.0 * np.median(gaps, axis=1) / 7.0)


def middle_days(
    model: GrowthModel,
    plan: Plan,
    rung: Ints,
    threshold: Array,
    measure: Ints,
    gaps: Array,
    day: Array,
    scatter: Array,
    gain: Array,
    *,
    seed: int,
    paths: int = PATHS,
) -> Array:
    """Return the middle of the simulated days from first session to clearing, (T,).

    From the rung's usual start and pace, the spread between athletes, and how this one trains:
    what the athlete's record says of their pace is left out on purpose (``times`` learns it).

    Parameters
    ----------
    model, plan
        The growth engine, and the ladder as arrays.
    rung, threshold, measure
        (T,) rung numbers, latent pass marks and measure numbers.
    gaps
        (T, G) days between sessions.
    day
        (T,) day number of the first session.
    scatter
        (T,) as in ``Starts``.
    gain
        (T,) factor on the gain.
    seed
        The same for every row, so that rows don't depend on each other.
    paths
        Simulated of each row.
    """
    rows = len(rung)
    if not rows:
        return np.empty(0)
    fit = model.fit
    common = fit.pooled.common_mean
    mean = common[:3] + common[3:].reshape(-1, 3)[rung]
    root = np.linalg.cholesky(fit.constants.pooling.own + np.diag(fit.constants.pooling.athlete))
    spread = np.random.default_rng([seed, 2]).standard_normal((paths, 3)) @ root.T
    state = mean[:, None, :] + spread
    none = np.zeros(rows)
    starts = Starts(
        level=state[..., 0],
        swing=state[..., 1] * gain[:, None],
        pace=state[..., 2] * gain[:, None],
        threshold=threshold,
        measure=measure,
        grace=new_grace(gaps),
        confirm=plan.confirm[rung],
        run=none.astype(np.int64),
        begun=none.astype(bool),
        wait=none,
        lost=none,
        done=none,
        origin=np.repeat(day.astype(float)[:, None], paths, axis=1),
        scatter=scatter,
        gaps=gaps,
        first_gaps=gaps,
        habits=untried_habits(rows, model.habits),
    )
    constants = spread_constants([fit.constants], paths)
    found = climb(starts, constants, most_days=MOST_DAYS, seed=[seed, 3])
    return np.asarray(np.median(found.days, axis=1))
