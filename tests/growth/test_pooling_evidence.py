"""The compiled evidence of the climb is that of the pooling it stands for."""

from __future__ import annotations

import numpy as np
import pytest

from forecast.growth.information import SpellInformation
from forecast.growth.pooling import PoolingPrior, pool, pooled_log_evidence


@pytest.mark.parametrize(("spells", "athletes", "rungs"), [(1, 1, 1), (30, 8, 6), (200, 44, 15)])
def test_the_evidence_alone_is_that_of_the_whole_pooling(spells, athletes, rungs):
    rng = np.random.default_rng(spells)
    root = rng.normal(size=(spells, 5, 3))
    info = SpellInformation(
        rng.normal(size=spells),
        rng.normal(size=(spells, 3)),
        np.einsum("sij,sik->sjk", root, root),
    )
    whose = np.concatenate([np.arange(athletes), rng.integers(0, athletes, spells - athletes)])
    rung = rng.integers(0, rungs, spells)
    prior = PoolingPrior(
        own=np.diag([0.1, 0.01, 0.01]) + 0.001,
        athlete=np.array([0.01, 0.002, 0.03]),
        rung=np.array([0.02, 0.01, 0.004]),
        centre_mean=np.array([-1.0, 0.02, 0.03]),
        centre_var=np.array([0.5, 0.1, 0.1]),
    )
    whole = pool(info, whose, rung, rungs, prior).log_evidence
    assert pooled_log_evidence(info, whose, rung, rungs, prior) == pytest.approx(whole, abs=1e-8)
