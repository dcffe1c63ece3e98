"""The cohort curve: Kaplan-Meier by rung, given the weeks already served."""

from __future__ import annotations

import numpy as np
import pandas as pd

from forecast.backtest.baselines.at_cut import AtCut, CutForecast, long_curve
from forecast.errors import FitError
from forecast.histories import CLEARED
from forecast.survival import kaplan_meier
from forecast.types import Array

MIN_EVENTS = 5
"""A rung cleared fewer times than this borrows the curve of all rungs together."""


def cohort_curve(known: AtCut) -> CutForecast:
    """Forecast from how long others took on the rung: ``1 - S(s + w) / S(s)``.

    s is the time served, S the Kaplan-Meier curve of the rung's spells, lapses censored. A rung
    with fewer than ``MIN_EVENTS`` clearings takes the curve of all rungs together. Past the last
    time anybody was followed the curve goes on at the mean rate (clearings a week) of the
    spells it was made from. Notes count rungs that borrowed and spells beyond anybody's
    experience. Raises ``FitError`` if nobody has cleared any rung yet.
    """
    spells = _durations(known)
    if not spells["cleared"].any():
        raise FitError("no rung has been cleared before the cut, so there is no cohort curve")
    events = spells.groupby("rung")["cleared"].sum()
    rungs = known.open_spells["rung"]
    thin = rungs.map(events).fillna(0) < MIN_EVENTS
    served = ((known.as_of - known.open_spells["start"]).dt.days / 7.0).to_numpy()
    p_cleared = np.empty((len(rungs), known.horizon_weeks))
    beyond = 0
    for key in [None, *sorted(rungs[~thin].unique())]:
        rows = np.flatnonzero(thin if key is None else ~thin & (rungs == key))
        if not rows.size:
            continue
        group = spells if key is None else spells[spells["rung"] == key]
        p_cleared[rows], outside = _conditional(group, served[rows], known.weeks)
        beyond += outside
    return CutForecast(long_curve(known, p_cleared), _notes(rungs, thin, beyond))


def _durations(known: AtCut) -> pd.DataFrame:
    """Weeks on the rung of every spell; a spell of one day counts as one day."""
    spells = known.histories.spells
    return pd.DataFrame(
        {
            "rung": spells["rung"],
            "weeks": np.maximum(spells["weeks"], 1 / 7),
            "cleared": spells["outcome"] == CLEARED,
        }
    )


def _conditional(spells: pd.DataFrame, served: Array, weeks: Array) -> tuple[Array, int]:
    """Chance of clearing within each of ``weeks`` after ``served``, and how many were beyond."""
    curve = kaplan_meier(None, spells["weeks"], spells["cleared"])
    rate = spells["cleared"].sum() / spells["weeks"].sum()
    # The last step to zero rests on one athlete: stop just before it.
    last = curve.time[-1] if curve.survival[-1] <= 0 else curve.end
    grid = np.concatenate([served[:, None], served[:, None] + weeks], axis=1)
    inside = np.minimum(grid, last)
    hazard = -np.log(np.where(inside >= last, curve.just_before(inside), curve.at(inside)))
    hazard = hazard + rate * np.maximum(grid - last, 0.0)
    return -np.expm1(-(hazard[:, 1:] - hazard[:, :1])), int(np.sum(served >= last))


def _notes(rungs: pd.Series, thin: pd.Series, beyond: int) -> tuple[str, ...]:
    notes = []
    if thin.any():
        names = ", ".join(sorted(rungs[thin].unique()))
        notes.append(
            f"{int(thin.sum())} open spells took the curve of all rungs, for fewer than "
            f"{MIN_EVENTS} clearings of their own: {names}"
        )
    if beyond:
        notes.append(f"{beyond} open spells had lasted longer than any followed before")
    return tuple(notes)
