from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2

from forecast.errors import FitError
from forecast.survival import log_rank


def spells(seed: int, n: int = 120):
    rng = np.random.default_rng(seed)
    exit = rng.integers(2, 30, n).astype(float)
    entry = np.where(rng.random(n) < 0.5, 0.0, np.minimum(rng.integers(0, 8, n), exit - 1))
    return entry, exit, rng.random(n) < 0.6, rng.choice(["a", "b", "c"], n)


# Klein & Moeschberger (2003), eq. 7.3.2: U' V^-1 U, with V hypergeometric at each event time.
def by_the_book(entry, exit, event, group):
    labels = np.unique(group)
    score, variance = np.zeros(len(labels)), np.zeros((len(labels), len(labels)))
    for t in np.unique(exit[event]):
        at_risk = (entry < t) & (t <= exit)
        n = np.array([(at_risk & (group == g)).sum() for g in labels], dtype=float)
        d = np.array([(event & (exit == t) & (group == g)).sum() for g in labels], dtype=float)
        share = n / n.sum()
        score += d - d.sum() * share
        if n.sum() > 1:
            scale = d.sum() * (n.sum() - d.sum()) / (n.sum() - 1)
            variance += scale * (np.diag(share) - np.outer(share, share))
    return score[:-1] @ np.linalg.solve(variance[:-1, :-1], score[:-1]), score


@pytest.mark.parametrize("seed", range(5))
def test_late_entry_and_three_groups_by_the_book(seed):
    entry, exit, event, group = spells(seed)
    test = log_rank(entry, exit, event, group)
    statistic, score = by_the_book(entry, exit, event, group)
    assert test.statistic == pytest.approx(statistic, rel=1e-9)
    assert test.df == 2
    assert test.p_value == pytest.approx(chi2.sf(statistic, 2), rel=1e-9)
    difference = test.groups["observed"] - test.groups["expected"]
    np.testing.assert_allclose(difference, score, atol=1e-9)
    assert test.groups["n_spells"].sum() == len(exit)


def test_the_tail_is_not_lost():
    exit = np.concatenate([np.arange(1, 201), np.arange(1000, 1200)]).astype(float)
    test = log_rank(None, exit, np.ones(400, dtype=bool), np.repeat(["quick", "slow"], 200))
    assert 0 < test.p_value < 1e-60


@pytest.mark.parametrize(
    ("event", "group", "message"),
    [
        ([True, True], ["a", "a"], "one group only"),
        ([False, False], ["a", "b"], "No spell ended"),
        ([True, True], ["a", None], "group label"),
    ],
)
def test_nothing_to_compare_is_said(event, group, message):
    with pytest.raises(FitError, match=message):
        log_rank(None, [1, 2], event, group)
