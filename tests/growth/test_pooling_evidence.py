"""The compiled pooling of the climb: its evidence, and the slopes that its moments give."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from forecast.growth.evidence import PoolingPrior, SpellInformation, pool, pooled_moments
from forecast.growth.fitting import _information_slope, _prior_slope

PRIOR = PoolingPrior(
    own=np.diag([0.1, 0.01, 0.01]) + 0.001,
    athlete=np.array([0.01, 0.002, 0.03]),
    rung=np.array([0.02, 0.01, 0.004]),
    centre_mean=np.array([-1.0, 0.02, 0.03]),
    centre_var=np.array([0.5, 0.1, 0.1]),
)


def some_spells(spells, athletes, rungs):
    rng = np.random.default_rng(spells)
    root = rng.normal(size=(spells, 5, 3))
    info = SpellInformation(
        rng.normal(size=spells),
        rng.normal(size=(spells, 3)),
        np.einsum("sij,sik->sjk", root, root),
    )
    whose = np.concatenate([np.arange(athletes), rng.integers(0, athletes, spells - athletes)])
    return info, whose, rng.integers(0, rungs, spells)


@pytest.mark.parametrize(("spells", "athletes", "rungs"), [(1, 1, 1), (30, 8, 6), (200, 44, 15)])
def test_the_evidence_is_that_of_the_whole_pooling(spells, athletes, rungs):
    info, whose, rung = some_spells(spells, athletes, rungs)
    whole = pool(info, whose, rung, rungs, PRIOR).log_evidence
    moments = pooled_moments(info, whose, rung, (athletes, rungs), PRIOR)
    assert moments.log_evidence == pytest.approx(whole, abs=1e-8)


@pytest.mark.parametrize(("spells", "athletes", "rungs"), [(1, 1, 1), (30, 8, 6)])
def test_moments_give_the_slopes_that_differences_of_the_evidence_have(spells, athletes, rungs):
    """Central differences of ``pool``, which shares nothing with the moments but its formula."""
    info, whose, rung = some_spells(spells, athletes, rungs)
    moments = pooled_moments(info, whose, rung, (athletes, rungs), PRIOR)
    step = 1e-6

    def evidence(told=info, prior=PRIOR):
        return pool(told, whose, rung, rungs, prior).log_evidence

    rng = np.random.default_rng(7)
    root = rng.normal(size=(spells, 3, 3))
    way = (rng.normal(size=spells), rng.normal(size=(spells, 3)), root + root.transpose(0, 2, 1))

    def told(by):
        return SpellInformation(*(old + by * w for old, w in zip(_parts(info), way, strict=True)))

    slope = (evidence(told(step)) - evidence(told(-step))) / (2 * step)
    assert _information_slope(moments, info, told(1.0)) == pytest.approx(slope, rel=1e-4)
    counts = (spells, athletes, rungs)
    for name, change in [
        ("own", np.array([[0.3, 0.05, 0.0], [0.05, 0.02, 0.01], [0.0, 0.01, 0.02]])),
        ("athlete", np.array([0.02, 0.001, 0.01])),
        ("rung", np.array([0.01, 0.02, 0.003])),
    ]:
        more = replace(PRIOR, **{name: getattr(PRIOR, name) + step * change})
        less = replace(PRIOR, **{name: getattr(PRIOR, name) - step * change})
        slope = (evidence(prior=more) - evidence(prior=less)) / (2 * step)
        told_slope = _prior_slope(moments, counts, PRIOR, more) / step
        assert told_slope == pytest.approx(slope, rel=1e-4), name


def _parts(info):
    return info.constant, info.score, info.information
