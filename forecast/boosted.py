"""Boosted trees grown by scikit-learn, as plain arrays that can be kept, and one loop to read them.

Nodes of all trees stand one after the other: ``feature`` and ``threshold`` are what a node asks
(whether that column is at most so much), ``left`` and ``right`` where to go on if it is and if not,
below 0 at a leaf, ``value`` what a leaf adds, ``roots`` the first node of each tree and ``output``
which sum it adds to.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit

from forecast.types import Array, Ints

MOST = 1e8
"""Threshold that stands for every number: a saved model holds none that is not finite."""


def nodes_of(grown: list[Any]) -> dict[str, Any]:
    """Return the arrays above, and what each output starts from (``base``), of fitted models.

    Of scikit-learn's gradient-boosted classifiers and regressors, whose outputs are numbered on.
    """
    trees: list[Any] = []
    outputs: list[int] = []
    base: list[float] = []
    for one in grown:
        state = one.__getstate__()  # what pickling would keep: there is no public door to the nodes
        first = len(base)
        base += list(np.ravel(state["_baseline_prediction"]))
        for stage in state["_predictors"]:
            trees += [tree.nodes for tree in stage]
            outputs += range(first, first + len(stage))
    nodes, size = np.concatenate(trees), np.array([len(tree) for tree in trees])
    roots = np.cumsum(size) - size
    leaf, first_node = nodes["is_leaf"].astype(bool), np.repeat(roots, size)
    left, right = (np.where(leaf, -1, nodes[side] + first_node) for side in ("left", "right"))
    return {
        "feature": np.where(leaf, 0, nodes["feature_idx"]).astype(np.int64),
        "threshold": np.where(leaf, 0.0, np.minimum(nodes["num_threshold"], MOST)),
        "left": left.astype(np.int64),
        "right": right.astype(np.int64),
        "value": np.where(leaf, nodes["value"], 0.0),
        "roots": roots.astype(np.int64),
        "output": np.array(outputs, dtype=np.int64),
        "base": np.array(base, dtype=float),
    }


@njit(cache=True)
def sum_leaves(
    columns: Array, feature: Ints, threshold: Array, left: Ints, right: Ints, value: Array,
    roots: Ints, output: Ints,
) -> Array:  # fmt: skip
    """Return (n, K) sums, by output, of the leaves that rows of finite ``columns`` (n, F) reach."""
    out = np.zeros((len(columns), output.max() + 1 if len(output) else 1))
    for row in range(len(columns)):
        for tree in range(len(roots)):
            node = roots[tree]
            while left[node] >= 0:
                at_most = columns[row, feature[node]] <= threshold[node]
                node = left[node] if at_most else right[node]
            out[row, output[tree]] += value[node]
    return out
