"""Every set as an interval: what a recorded value says about the capacity of that set."""

from __future__ import annotations

import numpy as np
import pandas as pd

from forecast.ladder import Ladder

UNITS = (60.0, 30.0, 10.0, 5.0, 2.0, 1.0, 0.5, 0.25, 0.1, 0.05, 0.01)
"""Rounding units looked for, coarse first."""

MIN_VALUES_FOR_COARSE = 8
"""Fewer values than this never establish a unit coarser than one."""
NEARLY_ALL = 0.98


def infer_unit(values: np.ndarray, *, whole: float = 1.0) -> float:
    """Return the rounding unit: the coarsest of ``UNITS`` that nearly all values are multiples of.

    A unit coarser than ``whole`` is believed only when ``MIN_VALUES_FOR_COARSE`` values over
    at least three different multiples agree, so that a handful of tens does not look like
    rounding to ten.
    """
    values = values[values > 0]
    if len(values) == 0:
        return whole
    for unit in UNITS:
        different = len(np.unique(np.round(values / unit)))
        enough = len(values) >= MIN_VALUES_FOR_COARSE and different >= 3
        if _on_grid(values, unit) >= NEARLY_ALL and (unit <= whole or enough):
            return unit
    return UNITS[-1]


def usual_units(sets: pd.DataFrame, ladder: Ladder) -> dict[str, float]:
    """Return the rounding unit of all sets of each measure: how this log's values are noted.

    Somebody who has shown only nothing and 5 s says little about the unit; whoever notes the
    others to 5 s notes these so too.
    """
    failed = sets[sets["stopped"] != "target"]
    measure = failed["rung"].map({rung.key: rung.criterion.measure for rung in ladder.rungs})
    return {name: infer_unit(part.to_numpy()) for name, part in failed["value"].groupby(measure)}


def rounding_units(
    sets: pd.DataFrame, ladder: Ladder, usual: dict[str, float] | None = None
) -> pd.Series:
    """Return the rounding unit of each set (reps: always 1).

    Inferred by athlete and rung, by athlete and measure, and for the whole log: the coarsest of
    the three of which nearly all values of this athlete on this rung are multiples.

    Parameters
    ----------
    sets, ladder
        Rows with ``athlete, rung, value, stopped``, and the ladder.
    usual
        From ``usual_units``, of these sets where left out.
    """
    usual = usual_units(sets, ladder) if usual is None else usual
    measure = sets["rung"].map({rung.key: rung.criterion.measure for rung in ladder.rungs})
    rows = sets[["athlete", "rung", "value", "stopped"]].assign(measure=measure)
    rows = rows[measure != "reps"]
    noted = rows[rows["stopped"] != "target"]
    theirs = {
        key: infer_unit(part.to_numpy())
        for key, part in noted.groupby(["athlete", "measure"])["value"]
    }
    units = {
        (athlete, rung, kind): _coarsest_that_fits(
            part.to_numpy(), (theirs.get((athlete, kind), 1.0), usual.get(kind, 1.0))
        )
        for (athlete, rung, kind), part in noted.groupby(["athlete", "rung", "measure"])["value"]
    }
    keys = zip(rows["athlete"], rows["rung"], rows["measure"], strict=True)
    found = pd.Series(1.0, index=sets.index)
    found[rows.index] = [units.get(key, 1.0) for key in keys]
    return found


def _coarsest_that_fits(values: np.ndarray, elsewhere: tuple[float, ...]) -> float:
    own = infer_unit(values)
    values = values[values > 0]
    fits = [unit for unit in elsewhere if _on_grid(values, unit) >= NEARLY_ALL]
    return max([own, *fits])


def _on_grid(values: np.ndarray, unit: float) -> float:
    """Share of the values that are multiples of the unit, 1 where there are none."""
    ratio = values / unit
    return float(np.mean(np.abs(ratio - np.round(ratio)) < 1e-6)) if len(values) else 1.0


def set_intervals(
    sets: pd.DataFrame, ladder: Ladder, usual: dict[str, float] | None = None
) -> pd.DataFrame:
    """Return ``lower``, ``upper`` (value over target) and ``unit`` for each set.

    A value noted to the unit ``u`` says the capacity lay within half a unit of it; ``n`` whole
    reps say from ``n`` up to ``n + 1``; a set stopped at the target or by choice says from the
    value up; a miss says from nothing up to the smallest unit. A set that equals the target
    with no reason for stopping is read as stopped there: coaches call time at the pass mark.
    ``sets`` have ``athlete, rung, value, target, stopped``; ``usual`` is as for ``rounding_units``.
    """
    measure = sets["rung"].map({r.key: r.criterion.measure for r in ladder.rungs})
    reps = (measure == "reps").to_numpy()
    value = sets["value"].to_numpy(dtype=float)
    target = sets["target"].to_numpy(dtype=float)
    unit = rounding_units(sets, ladder, usual).to_numpy()
    lower = np.where(reps, value, value - unit / 2)
    upper = np.where(reps, value + 1.0, value + unit / 2)
    missed = value < np.where(reps, 1.0, 1e-9)
    lower = np.where(missed, 0.0, np.maximum(lower, 0.0))
    upper = np.where(missed, np.where(reps, 1.0, unit), upper)
    stopped = sets["stopped"].isin(["target", "choice"]).to_numpy()
    at_target = (sets["stopped"] == "unknown").to_numpy() & (np.abs(value - target) < 1e-9)
    upper = np.where((stopped | at_target) & ~missed, np.inf, upper)
    return pd.DataFrame(
        {"lower": lower / target, "upper": upper / target, "unit": unit}, index=sets.index
    )


def pass_ratio(target: float, unit: float, measure: str) -> float:
    """Return the capacity, over target, from which a recorded value reaches the target.

    Holds are noted to the nearest unit, so half a unit below is written as the target; reps are
    whole.
    """
    if measure == "reps":
        return 1.0
    # A target off the rounding grid is reached by the next value on it.
    lowest = np.ceil(target / unit - 1e-9) * unit
    return float(lowest - unit / 2) / target
