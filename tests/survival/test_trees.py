"""Boosted trees as plain arrays say what the library that grew them says."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import logit
from sklearn.ensemble import HistGradientBoostingClassifier

from forecast.survival import grow_trees


@pytest.fixture(scope="module")
def rows():
    rng = np.random.default_rng(3)
    columns = rng.integers(-6, 7, (1500, 4)).astype(float)  # fewer values than the grid has
    outcome = rng.random(1500) < 1 / (1 + np.exp(-0.1 * columns[:, 0] * columns[:, 1]))
    return columns, outcome, rng.uniform(0.1, 1.0, 1500)


def test_log_odds_are_those_of_scikit_learn(rows):
    columns, outcome, weight = rows
    ours = grow_trees(columns, outcome, weight, n_trees=30, rate=0.1, leaf=40, bins=32)
    theirs = HistGradientBoostingClassifier(
        max_iter=30, learning_rate=0.1, max_leaf_nodes=8, min_samples_leaf=40,
        l2_regularization=20.0, max_bins=32, early_stopping=False, random_state=0,
    ).fit(columns, outcome, sample_weight=weight)  # fmt: skip
    np.testing.assert_allclose(ours.log_odds(columns), theirs.decision_function(columns), atol=1e-9)
    assert len(ours.roots) == 30
    assert ours.log_odds(columns[:0]).shape == (0,)


@pytest.mark.parametrize("happened", [True, False])
def test_where_every_outcome_is_the_same_no_tree_grows(rows, happened):
    columns, _, weight = rows
    trees = grow_trees(columns, np.full(1500, happened), weight, n_trees=30, rate=0.1, leaf=40)
    share = (weight.sum() * happened + 0.5) / (weight.sum() + 1)
    np.testing.assert_allclose(trees.log_odds(columns), logit(share))
    assert len(trees.roots) == 0
