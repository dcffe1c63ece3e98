"""Crossed pooling: start, swing and pace of a spell as rung + athlete + the spell's own part.

    theta_i = centre + rung effect + athlete effect + own effect,

normal at every level. Athletes' effects are integrated out athlete by athlete, what is left is a
small dense system in the centre and the rungs, so the marginal likelihood is exact and costs one
linear solve (Lindley & Smith 1972, J. R. Stat. Soc. B 34:1; crossed form as in Bates et al. 2015,
J. Stat. Softw. 67(1), sec. 3).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from forecast.growth.filtering import SpellInformation
from forecast.types import Array, Ints


@dataclass(frozen=True, slots=True)
class PoolingPrior:
    """Variances at each level.

    ``own`` (3, 3), ``athlete`` and ``rung`` (3,), and the centre's prior ``centre_mean`` (3,) and
    ``centre_var`` (3,).
    """

    own: Array
    athlete: Array
    rung: Array
    centre_mean: Array
    centre_var: Array


@dataclass(frozen=True, slots=True)
class Pooled:
    """Result of pooling R rungs.

    ``common_mean`` (3 + 3 R,) and ``common_cov``: the centre, then each rung's effect;
    ``log_evidence`` a number; ``athlete_log_evidence`` (A,) each athlete's share given the
    common mean.
    """

    common_mean: Array
    common_cov: Array
    log_evidence: float
    athlete_log_evidence: Array

    @property
    def centre(self) -> Array:
        """(3,) start, swing and pace of an average athlete on an average rung."""
        return self.common_mean[:3]

    @property
    def rung_effects(self) -> Array:
        """(R, 3) how each rung differs from the centre."""
        return self.common_mean[3:].reshape(-1, 3)

    def usual(self, rung: Ints) -> Array:
        """(n, 3) start, swing and pace of an average athlete on these rungs (n,)."""
        return self.centre + self.rung_effects[rung]


def marginalise_own(info: SpellInformation, own: Array) -> SpellInformation:
    """Integrate the spell's own effect N(0, own) out of its information."""
    mixer = np.eye(3) + info.information @ own
    inverse = np.linalg.inv(mixer)
    score = np.einsum("sij,sj->si", inverse, info.score)
    information = inverse @ info.information
    information = 0.5 * (information + information.transpose(0, 2, 1))
    quadratic = np.einsum("si,ij,sj->s", info.score, own, score)
    _, log_det = np.linalg.slogdet(mixer)
    return SpellInformation(info.constant - 0.5 * log_det + 0.5 * quadratic, score, information)


def pool(
    info: SpellInformation, athlete: Ints, rung: Ints, n_rungs: int, prior: PoolingPrior
) -> Pooled:
    """Pool all spells over ``athlete`` and ``rung`` (S,) numbers; athletes need not be consecutive.

    ``info`` is what each spell says, own effects not yet integrated out.
    """
    _, who = np.unique(athlete, return_inverse=True)
    found = _solve(info, who, rung, (int(who.max()) + 1, n_rungs), prior)
    return Pooled(
        common_mean=found.mean,
        common_cov=found.cov,
        log_evidence=found.log_evidence,
        athlete_log_evidence=_given_common(who, rung, found, prior),
    )


@dataclass(frozen=True, slots=True)
class _Solved:
    """Spells pooled: A athletes taken out one by one, C common effects solved together.

    ``athlete_cov`` (A, 3, 3) of each athlete's effect given the common ones, ``pulled`` (A, 3) its
    mean where those are nothing, and ``solved`` (A, 3, C) by how much it falls with them.
    """

    loose: SpellInformation
    athlete_cov: Array
    pulled: Array
    solved: Array
    mean: Array
    cov: Array
    log_evidence: float


def _solve(
    info: SpellInformation, who: Ints, rung: Ints, size: tuple[int, int], prior: PoolingPrior
) -> _Solved:
    """Pool spells of ``size`` athletes and rungs, numbered from 0 on."""
    n, n_rungs = size
    loose = marginalise_own(info, prior.own)
    precision, score = np.zeros((n, 3, 3)), np.zeros((n, 3))
    np.add.at(precision, who, loose.information)
    np.add.at(score, who, loose.score)
    cross = _cross_terms(loose, who, rung, n, n_rungs)
    common_precision, common_score = _common_terms(loose, rung, n_rungs, prior)
    full = precision + np.diag(1.0 / prior.athlete)
    athlete_cov = np.linalg.inv(full)
    solved = athlete_cov @ cross
    pulled = np.einsum("aij,aj->ai", athlete_cov, score)
    flat = cross.reshape(3 * n, -1)
    reduced = common_precision - flat.T @ solved.reshape(3 * n, -1)
    right = common_score - flat.T @ pulled.ravel()
    cov = np.linalg.inv(0.5 * (reduced + reduced.T))
    mean = cov @ right
    evidence = loose.constant.sum() + 0.5 * (
        np.sum(score * pulled)
        - np.linalg.slogdet(full)[1].sum()
        - n * np.log(prior.athlete).sum()
        + np.log(_prior_precision(n_rungs, prior)).sum()
        + np.linalg.slogdet(cov)[1]
        + right @ mean
        - np.sum(prior.centre_mean**2 / prior.centre_var)
    )
    return _Solved(
        loose, np.asarray(athlete_cov), pulled, solved, mean, np.asarray(cov), float(evidence)
    )


@dataclass(frozen=True, slots=True)
class Moments:
    """Evidence of S spells, and what is thought of their effects after all of them.

    ``mean`` (S, 3) and ``square`` (S, 3, 3): each spell's (level, swing, pace) at its start.
    ``own`` (3, 3), ``athlete`` (3,), ``rung`` (3,): second moments of the effects, summed.
    """

    log_evidence: float
    mean: Array
    square: Array
    own: Array
    athlete: Array
    rung: Array


def pooled_moments(
    info: SpellInformation, athlete: Ints, rung: Ints, n_rungs: int, prior: PoolingPrior
) -> Moments:
    """Return what slopes of the evidence need; parameters as for ``pool``, athletes from 0 on.

    Athletes and rungs enter alike, so the more numerous are taken out one by one, and the dense
    system is as small as can be.
    """
    n_athletes = int(athlete.max()) + 1
    if n_rungs > n_athletes:
        turned = replace(prior, athlete=prior.rung, rung=prior.athlete)
        moments = _moments(info, rung, athlete, (n_rungs, n_athletes), turned)
        return replace(moments, athlete=moments.rung, rung=moments.athlete)
    return _moments(info, athlete, rung, (n_athletes, n_rungs), prior)


def _moments(
    info: SpellInformation, who: Ints, rung: Ints, size: tuple[int, int], prior: PoolingPrior
) -> Moments:
    n, n_rungs = size
    found = _solve(info, who, rung, size, prior)
    loose, solved, mean, own = found.loose, found.solved, found.mean, prior.own
    athlete_mean = found.pulled - solved @ mean
    common_cov = found.cov.reshape(1 + n_rungs, 3, 1 + n_rungs, 3).transpose(0, 2, 1, 3)
    falls = solved @ found.cov  # (A, 3, C): less the covariance of each athlete's with the common
    around = falls @ solved.transpose(0, 2, 1)
    athlete_cov = found.athlete_cov + around
    # A spell's (level, swing, pace) but for its own part: centre + rung + athlete.
    with_centre, at = common_cov[0, 1 + rung], 1 + rung
    usual_cov = common_cov[0, 0] + common_cov[at, at] + _both_ways(with_centre)
    blocks = falls.reshape(n, 3, 1 + n_rungs, 3).transpose(0, 2, 1, 3)
    usual_cov += athlete_cov[who] - _both_ways(blocks[who, 0] + blocks[who, at])
    usual = mean[:3] + mean[3:].reshape(-1, 3)[rung] + athlete_mean[who]
    told = own @ loose.information
    own_mean = (loose.score - np.einsum("sij,sj->si", loose.information, usual)) @ own
    bare, keep = own - told @ own, np.eye(3) - told
    whole, whole_cov = usual + own_mean, bare + keep @ usual_cov @ keep.transpose(0, 2, 1)
    own_cov = bare + told @ usual_cov @ told.transpose(0, 2, 1)
    effects, of_rung = mean[3:].reshape(-1, 3), np.diag(found.cov)[3:].reshape(-1, 3)
    return Moments(
        found.log_evidence,
        mean=whole,
        square=whole[:, :, None] * whole[:, None, :] + whole_cov,
        own=own_mean.T @ own_mean + own_cov.sum(axis=0),
        athlete=(athlete_mean**2 + np.einsum("aii->ai", athlete_cov)).sum(axis=0),
        rung=(effects**2 + of_rung).sum(axis=0),
    )


def _both_ways(blocks: Array) -> Array:
    """(S, 3, 3) blocks and their transposes, added."""
    return blocks + blocks.transpose(0, 2, 1)


def _cross_terms(loose: SpellInformation, who: Ints, rung: Ints, n: int, n_rungs: int) -> Array:
    """(A, 3, 3 + 3 R): how each athlete's effect is tied to the centre and the rungs."""
    cross = np.zeros((n, 3, 1 + n_rungs, 3))
    information = loose.information
    # Athlete and rung first, so that one pair of numbers finds the (3, 3) block to add to.
    by_block = cross.transpose(0, 2, 1, 3)
    np.add.at(by_block, (who, np.zeros_like(who)), information)
    np.add.at(by_block, (who, 1 + rung), information)
    return cross.reshape(n, 3, 3 + 3 * n_rungs)


def _prior_precision(n_rungs: int, prior: PoolingPrior) -> Array:
    return np.concatenate([1.0 / prior.centre_var, np.tile(1.0 / prior.rung, n_rungs)])


def _common_terms(
    loose: SpellInformation, rung: Ints, n_rungs: int, prior: PoolingPrior
) -> tuple[Array, Array]:
    """Precision and score of the centre and the rungs before athletes are taken out."""
    by_rung = np.zeros((n_rungs, 3, 3))
    score_by_rung = np.zeros((n_rungs, 3))
    np.add.at(by_rung, rung, loose.information)
    np.add.at(score_by_rung, rung, loose.score)
    size = 1 + n_rungs
    blocks = np.zeros((size, 3, size, 3))
    blocks[0, :, 0, :] = by_rung.sum(axis=0)
    for r in range(n_rungs):
        blocks[1 + r, :, 1 + r, :] = blocks[0, :, 1 + r, :] = blocks[1 + r, :, 0, :] = by_rung[r]
    precision = blocks.reshape(3 * size, 3 * size) + np.diag(_prior_precision(n_rungs, prior))
    score = np.concatenate([score_by_rung.sum(axis=0), score_by_rung.ravel()])
    score[:3] += prior.centre_mean / prior.centre_var
    return precision, score


def centred(loose: SpellInformation, rung: Ints, common_mean: Array) -> tuple[Array, Array, Array]:
    """Constant, score and information of each spell about its athlete's effect alone."""
    shift = common_mean[:3] + common_mean[3:].reshape(-1, 3)[rung]
    pulled = np.einsum("sij,sj->si", loose.information, shift)
    constant = loose.constant + np.einsum("si,si->s", loose.score - 0.5 * pulled, shift)
    return constant, loose.score - pulled, loose.information


def _given_common(who: Ints, rung: Ints, found: _Solved, prior: PoolingPrior) -> Array:
    """Each athlete's log evidence with the centre and the rungs held at their mean."""
    constant, score, _ = centred(found.loose, rung, found.mean)
    n = len(found.pulled)
    total = np.zeros((n, 3))
    np.add.at(total, who, score)
    return np.asarray(
        np.bincount(who, constant, n)
        + 0.5 * (np.linalg.slogdet(found.athlete_cov)[1] - np.log(prior.athlete).sum())
        + 0.5 * np.einsum("ai,aij,aj->a", total, found.athlete_cov, total)
    )


def spell_priors(
    loose: SpellInformation,
    rung: Ints,
    pairs: tuple[Ints, Ints],
    target_rung: Ints,
    common_mean: Array,
    common_cov: Array,
    prior: PoolingPrior,
) -> tuple[Array, Array]:
    """Opinion of (level, swing, pace) at the start of spells, from the athlete's other spells.

    ``loose`` are S spells with their own effects integrated out, on rungs ``rung`` (S,); ``pairs``
    two arrays: target number, and a spell of the same athlete that may be used for it;
    ``target_rung`` (T,) the rung each target is on; the rest is what the fit learnt. Returns mean
    (T, 3), cov (T, 3, 3).
    """
    _, score, information = centred(loose, rung, common_mean)
    targets = len(target_rung)
    precision = np.zeros((targets, 3, 3))
    total = np.zeros((targets, 3))
    np.add.at(precision, pairs[0], information[pairs[1]])
    np.add.at(total, pairs[0], score[pairs[1]])
    athlete_cov = np.linalg.inv(precision + np.diag(1.0 / prior.athlete))
    athlete_mean = np.einsum("tij,tj->ti", athlete_cov, total)
    effects = common_mean[3:].reshape(-1, 3)
    mean = common_mean[:3] + effects[target_rung] + athlete_mean
    size = 1 + len(effects)
    blocks = common_cov.reshape(size, 3, size, 3).transpose(0, 2, 1, 3)
    at = 1 + target_rung
    shared = blocks[0, 0] + blocks[at, at] + _both_ways(blocks[0, at])
    return mean, prior.own + athlete_cov + shared
