"""A second hazard: boosted trees on the athlete's whole record, kept as arrays to be saved.

Each fold's trees have not seen that fold's athletes, so that the pool can learn from what they
say of them; of anybody else the mean of all folds is said.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import expit
from sklearn.ensemble import HistGradientBoostingClassifier
from threadpoolctl import threadpool_limits

from forecast.boosted import nodes_of, sum_leaves
from forecast.histories import Histories
from forecast.survival.hazard import at_risk, by_stretch_end
from forecast.survival.landmarks import CommonScale, athlete_records, common_scale
from forecast.types import Array, Flags, Ints

THREADS = 1
"""More than one only wait for each other on logs of this size, and on a busy machine for long."""
TREE_FOLDS, TREE_COLUMNS = 3, 33
LEAST_CLEARINGS, LEAST_ATHLETES = 25, 8
"""Below either no tree is grown."""
APART_WEEKS = 2.0
"""Landmarks of a spell this far apart are enough: nearer ones only take time (judgement)."""
ROWS_A_TREE, FEWEST_TREES, MOST_TREES = 1000, 40, 100
ROWS_A_LEAF, SMALLEST_LEAF, LARGEST_LEAF = 150, 50, 200
"""Trees, and rows in a leaf, grow with the log between these bounds."""
RATE, BINS = 0.1, 48

_STATES = ["meets", "counting", "run", "wait", "served", "rung"]
"""Counts and times only: with the growth engine's level and gain among them the trees are less
sharp, for the pool has these already."""


@dataclass(frozen=True, slots=True)
class Trees:
    """Boosted trees for a yes-or-no outcome; all nodes of all trees one after the other.

    Of N nodes: whether ``feature`` is at most ``threshold`` leads ``left``, else ``right`` (below 0
    at a leaf, which adds ``value`` to the log odds). ``roots`` (M,) are the first nodes of trees,
    ``base`` the log odds before any tree, ``n_features`` the columns asked for.
    """

    feature: Ints
    threshold: Array
    left: Ints
    right: Ints
    value: Array
    roots: Ints
    base: float
    n_features: int

    def log_odds(self, columns: Array) -> Array:
        """Return (n,) log odds of rows of finite ``columns`` (n, n_features)."""
        total = sum_leaves(
            np.ascontiguousarray(columns, dtype=float), self.feature, self.threshold, self.left,
            self.right, self.value, self.roots, np.zeros_like(self.roots),
        )  # fmt: skip
        return np.asarray(self.base + total[:, 0])


def _on_grid(column: Array, bins: int) -> Array:
    """Round to the nearest of some quantiles; trees split halfway between these.

    scikit-learn's own grid for weighted rows takes ten times as long as all the trees.
    """
    grid = np.unique(np.quantile(column, np.linspace(0.0, 1.0, bins), method="nearest"))
    return np.asarray(grid[np.searchsorted(0.5 * (grid[1:] + grid[:-1]), column)])


def grow_trees(
    columns: Array, outcome: Flags, weight: Array, *, n_trees: int, rate: float, leaf: int,
    leaves: int = 8, ridge: float = 20.0, bins: int = 255,
) -> Trees:  # fmt: skip
    """Grow gradient-boosted trees (Friedman 2001, Ann. Stat. 29:1189) on binned columns (n, F).

    ``rate`` is how much of each tree is taken, ``leaf`` the rows a leaf has at least, ``leaves`` a
    tree has at most, ``ridge`` the L2 penalty on leaves' values, ``bins`` of a column.
    """
    if outcome.all() or not outcome.any():  # nothing to tell apart
        share = (weight @ outcome + 0.5) / (weight.sum() + 1.0)
        none = np.empty(0, dtype=np.int64)
        base = float(np.log(share / (1.0 - share)))
        return Trees(none, np.empty(0), none, none, np.empty(0), none, base, columns.shape[1])
    columns = np.column_stack([_on_grid(column, bins) for column in columns.T])
    grower = HistGradientBoostingClassifier(
        max_iter=n_trees, learning_rate=rate, max_leaf_nodes=leaves, min_samples_leaf=leaf,
        l2_regularization=ridge, max_bins=255, early_stopping=False, random_state=0,
    )  # fmt: skip
    with threadpool_limits(THREADS, "openmp"):
        grower.fit(columns, outcome, sample_weight=weight)
    nodes = nodes_of([grower])
    base, _ = float(nodes.pop("base").item()), nodes.pop("output")
    return Trees(**nodes, base=base, n_features=columns.shape[1])


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
    same = np.diff(table["spell"].to_numpy()) == 0
    between = np.diff(table["day"].to_numpy())[same] / 7.0
    apart = float(np.median(between)) if len(between) else APART_WEEKS
    steps = max(1, round(APART_WEEKS / apart))
    chosen = np.arange(0, len(table), steps)
    table, features, outlook = table.iloc[chosen], features.iloc[chosen], outlook[chosen]
    lived, event = at_risk(table, edges)
    columns = _columns(scale, histories, table, features, outlook, edges)
    fold = np.repeat(athletes[table["spell"].to_numpy()] % TREE_FOLDS, len(edges) - 1)
    weight, cleared = steps * lived.ravel(), event.ravel()
    used = weight > 0
    n_rows = int(used.sum())
    n_trees = int(np.clip(n_rows / ROWS_A_TREE, FEWEST_TREES, MOST_TREES))
    leaf = int(np.clip(n_rows / ROWS_A_LEAF, SMALLEST_LEAF, LARGEST_LEAF))
    folds = tuple(
        grow_trees(columns[k], cleared[k], weight[k], n_trees=n_trees, rate=RATE, leaf=leaf,
                   bins=BINS)
        for k in (used & (fold != number) for number in range(TREE_FOLDS))
    )  # fmt: skip
    return TreeHazard(scale, folds, n_rungs)


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
