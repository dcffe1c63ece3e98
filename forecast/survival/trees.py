"""Boosted trees, grown by scikit-learn, kept and read as arrays so that they can be saved."""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np
from sklearn.ensemble import HistGradientBoostingClassifier
from threadpoolctl import threadpool_limits

from forecast.types import Array, Flags, Ints

THREADS = 1
"""More than one only wait for each other on logs of this size, and on a busy machine for long."""
MOST = 1e8
"""Threshold that stands for every number: a saved model holds none that is not finite."""


@dataclass(frozen=True, slots=True)
class Trees:
    """Boosted trees for a yes-or-no outcome; all nodes of all trees one after the other.

    Attributes
    ----------
    feature, threshold
        (N,) what a node asks: whether that feature is at most the threshold.
    left, right
        (N,) where to go on if it is, and if not; below 0 at a leaf.
    value
        (N,) log odds that a leaf adds.
    roots
        (M,) first node of each tree.
    base
        Log odds before any tree.
    n_features
        Columns asked for.
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
        return self.base + _sum_leaves(
            np.ascontiguousarray(columns, dtype=float), self.feature, self.threshold, self.left,
            self.right, self.value, self.roots,
        )  # fmt: skip


@numba.njit(cache=True)
def _sum_leaves(columns, feature, threshold, left, right, value, roots):  # type: ignore[no-untyped-def]
    total = np.zeros(len(columns))
    for row in range(len(columns)):
        for root in roots:
            node = root
            while left[node] >= 0:
                at_most = columns[row, feature[node]] <= threshold[node]
                node = left[node] if at_most else right[node]
            total[row] += value[node]
    return total


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
    """Grow gradient-boosted trees (Friedman 2001, Ann. Stat. 29:1189) on binned columns.

    Parameters
    ----------
    columns
        (n, F) finite figures.
    outcome, weight
        (n,) what happened, and what a row counts for, above 0.
    n_trees, rate
        Trees and how much of each is taken.
    leaf, leaves
        Rows a leaf has at least, leaves a tree has at most.
    ridge
        L2 penalty on the leaves' values.
    bins
        Values a column is rounded to, 255 at most.
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
    # What pickling would keep: scikit-learn has no public door to the nodes.
    state = grower.__getstate__()
    grown = [stage[0].nodes for stage in state["_predictors"]]
    starts = np.cumsum([0, *(len(nodes) for nodes in grown)])
    nodes = np.concatenate(grown)
    first = np.repeat(starts[:-1], np.diff(starts))
    leafy = nodes["is_leaf"].astype(bool)
    left, right = (np.where(leafy, -1, nodes[side] + first) for side in ("left", "right"))
    return Trees(
        feature=np.where(leafy, 0, nodes["feature_idx"]).astype(np.int64),
        threshold=np.where(leafy, 0.0, np.minimum(nodes["num_threshold"], MOST)),
        left=left.astype(np.int64),
        right=right.astype(np.int64),
        value=np.where(leafy, nodes["value"], 0.0),
        roots=starts[:-1].astype(np.int64),
        base=float(state["_baseline_prediction"].item()),
        n_features=columns.shape[1],
    )
