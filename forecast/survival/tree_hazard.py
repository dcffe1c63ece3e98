"""A second hazard: boosted trees on the athlete's whole record, fold by fold of athletes.

Each fold's trees have not seen that fold's athletes, so that the pool can learn from what they
say of them; of anybody else the mean of all folds is said.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import expit

from forecast.histories import Histories
from forecast.survival.hazard import at_risk, by_stretch_end
from forecast.survival.records import CommonScale, athlete_records, common_scale
from forecast.survival.trees import Trees, grow_trees
from forecast.types import Array, Ints

TREE_FOLDS, TREE_COLUMNS = 3, 40
LEAST_CLEARINGS, LEAST_ATHLETES = 25, 8
"""Below either no tree is grown."""
APART_WEEKS = 2.0
"""Landmarks of a spell this far apart are enough: nearer ones only take time (judgement)."""
ROWS_A_TREE, FEWEST_TREES, MOST_TREES = 1000, 40, 100
ROWS_A_LEAF, SMALLEST_LEAF, LARGEST_LEAF = 150, 50, 200
"""Trees, and rows in a leaf, grow with the log between these bounds."""
RATE, BINS = 0.1, 48

_STATES = [
    "level", "gain", "pace", "level_sd", "gain_sd", "rate", "meets", "counting", "run",
    "cleared_before", "wait", "served", "rung",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class TreeHazard:
    """Trees by fold, none where the log is too small, and the scale they read records on."""

    scale: CommonScale
    folds: tuple[Trees, ...]
    n_rungs: int


def _columns(
    scale: CommonScale, histories: Histories, table: pd.DataFrame, features: pd.DataFrame,
    outlook: Array, edges: Array,
) -> Array:  # fmt: skip
    """(T * B, F) figures of every stretch after every landmark."""
    records, calendar = athlete_records(histories, table, scale, edges)
    fixed = np.column_stack([records.to_numpy(), features[_STATES].to_numpy(dtype=float)])
    stretches = len(edges) - 1
    time = np.tile(np.log(0.5 * (edges[1:] + edges[:-1]) + 0.5), len(table))
    reached = np.clip(outlook[:, 1:], -6.0, 6.0).ravel()
    rise = np.clip(np.diff(outlook, axis=1), -2.0, 2.0).ravel()
    calendar = calendar.reshape(len(time), calendar.shape[2])
    return np.column_stack([np.repeat(fixed, stretches, axis=0), time, reached, rise, calendar])


def fit_tree_hazard(
    histories: Histories, table: pd.DataFrame, features: pd.DataFrame, outlook: Array, edges: Array
) -> TreeHazard:
    """Grow the trees of every fold; parameters as of ``fit_hazard``."""
    n_rungs, scale = len(histories.ladder.rungs), common_scale(histories)
    athletes = histories.spells["athlete_id"].to_numpy()
    n_clearings = int(histories.spells["cleared_on"].notna().sum())
    if n_clearings < LEAST_CLEARINGS or len(np.unique(athletes)) < LEAST_ATHLETES:
        return TreeHazard(scale, (), n_rungs)
    steps = max(1, round(APART_WEEKS / _apart(table)))
    chosen = np.arange(0, len(table), steps)
    table, features, outlook = table.iloc[chosen], features.iloc[chosen], outlook[chosen]
    lived, event = at_risk(table, edges)
    columns = _columns(scale, histories, table, features, outlook, edges)
    fold = np.repeat(athletes[table["spell"].to_numpy()] % TREE_FOLDS, len(edges) - 1)
    weight, cleared = steps * lived.ravel(), event.ravel()
    used = weight > 0
    n_rows = int(used.sum())
    settings = {
        "n_trees": int(np.clip(n_rows / ROWS_A_TREE, FEWEST_TREES, MOST_TREES)),
        "leaf": int(np.clip(n_rows / ROWS_A_LEAF, SMALLEST_LEAF, LARGEST_LEAF)),
    }
    folds = (used & (fold != k) for k in range(TREE_FOLDS))
    return TreeHazard(
        scale,
        tuple(
            grow_trees(columns[k], cleared[k], weight[k], rate=RATE, bins=BINS, **settings)
            for k in folds
        ),
        n_rungs,
    )


def _apart(table: pd.DataFrame) -> float:
    """Weeks between landmarks of a spell."""
    same = np.diff(table["spell"].to_numpy()) == 0
    steps = np.diff(table["day"].to_numpy())[same] / 7.0
    return float(np.median(steps)) if len(steps) else APART_WEEKS


def predict_tree_hazard(
    model: TreeHazard, histories: Histories, table: pd.DataFrame, features: pd.DataFrame,
    outlook: Array, edges: Array, *, left_out: Ints | None = None,
) -> Array:  # fmt: skip
    """Return the chance of having cleared by each stretch end, (T, B + 1), 0 at the first.

    ``left_out`` (T,) numbers of athletes who are to be told of by trees that never saw them.
    """
    columns = _columns(model.scale, histories, table, features, outlook, edges)
    hazards = [
        expit(trees.log_odds(columns)).reshape(len(table), len(edges) - 1) for trees in model.folds
    ]
    if left_out is None:
        return by_stretch_end(np.mean(hazards, axis=0))
    return by_stretch_end(np.array(hazards)[left_out % TREE_FOLDS, np.arange(len(table))])
