"""What the sessions say about the level, spell by spell, and what spells say of each other.

The equations, and where they come from, stand in ``docs/method/index.md``. The level is read off
with log-concave densities, so that a better set never lowers the opinion of it; what sets are like
(noise, order, slips) is learnt with slips as what they are (``evidence_slopes``). In the pooling,
athletes are taken out one by one, and what is left is a small dense system in centre and rungs.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from forecast.growth import judgement
from forecast.growth.kernels import (
    Errors,
    Filtered,
    Records,
    Sets,
    Stretches,
    filter_spells,
    inform_spells,
    record_slopes,
)
from forecast.growth.panel import Panel
from forecast.types import Array, Ints


@dataclass(frozen=True, slots=True)
class Noise:
    """Constants of a session's record, in latent units.

    ``day_sd``, ``set_sd`` (4,) by measure; ``day_down``, ``day_up`` mean size of the exponential
    parts of a day's form, in ``day_sd``; ``fatigue`` for each set done before; ``slip`` share of
    sets that end early for no reason of strength; ``knee`` as in ``judgement``.
    """

    day_sd: Array
    set_sd: Array
    fatigue: float
    unclean: float
    assisted: float
    day_down: float = 0.5
    day_up: float = 0.25
    slip: float = 0.0
    knee: float = judgement.KNEE

    @property
    def day_spread(self) -> float:
        """Standard deviation of a day's form, in ``day_sd``."""
        return float(np.sqrt(1.0 + self.day_down**2 + self.day_up**2))


def sets_of(panel: Panel, noise: Noise) -> Sets:
    """Return the sets of all sessions as the compiled loops take them."""
    offset = noise.fatigue * panel.fatigue + noise.unclean * panel.unclean
    offset += noise.assisted * panel.assisted
    return Sets(panel.lower, panel.ceiling, offset, panel.n_sets)


def errors_of(noise: Noise, measure: Ints, scatter: Array) -> Errors:
    """Return how records of these measures scatter in athletes of this scatter."""
    day_sd, set_sd = noise.day_sd[measure] * scatter, noise.set_sd[measure] * scatter
    return Errors(day_sd, set_sd, noise.day_down, noise.day_up, noise.knee)


SLOPES = (
    *(f"log_set_sd_{m}" for m in judgement.MEASURES),
    *("log_slip", "log_day_down", "log_day_up", "fatigue", "unclean", "assisted"),
)
"""Constants in which ``evidence_slopes`` tells the slope."""


def evidence_slopes(
    panel: Panel, noise: Noise, mean: Array, var: Array, scatter: Array | float,
    place: Array | None = None,
) -> tuple[float, dict[str, float]]:  # fmt: skip
    """Return the log evidence of every session, summed, and its slopes by constant."""
    if place is None:
        place = np.zeros((panel.n_sessions, 2))
    flags = np.stack([panel.fatigue, panel.unclean, panel.assisted])
    measure = panel.measure[panel.spell]
    scatter = np.broadcast_to(scatter, panel.n_spells)[panel.spell]
    with np.errstate(invalid="ignore"):
        width = panel.upper - panel.lower
    # The chance of each record given a slip at or below the set's capacity.
    slip = np.minimum(judgement.SLIP_DENSITY * width, 1.0)
    slip = np.where(np.isfinite(width), slip, judgement.OPEN_SLIP)
    slopes = np.zeros(len(SLOPES))
    total = record_slopes(
        mean, var, sets_of(panel, noise),
        Records(panel.upper, slip, flags, measure),
        errors_of(noise, measure, scatter), noise.slip, place, slopes,
    )  # fmt: skip
    return float(total), dict(zip(SLOPES, slopes.tolist(), strict=True))


def forward_pass(
    panel: Panel, between: Stretches, noise: Noise, prior_mean: Array, prior_cov: Array,
    scatter: Array | float,
) -> Filtered:  # fmt: skip
    """Run the assumed-density filter over every spell, from priors (S, 3) and (S, 3, 3)."""
    n = panel.n_sessions
    scatter = np.array(np.broadcast_to(scatter, panel.n_spells), dtype=float)
    seen = Filtered(np.empty((n, 3)), np.empty((n, 3, 3)), scatter, *np.empty((6, n)))
    mean, cov = (np.ascontiguousarray(a, dtype=float) for a in (prior_mean, prior_cov))
    errors = errors_of(noise, panel.measure, scatter)
    filter_spells(between, mean, cov, sets_of(panel, noise), errors, seen)
    return seen


@dataclass(frozen=True, slots=True)
class SpellInformation:
    """``constant`` (S,), ``score`` (S, 3) and ``information`` (S, 3, 3) of every spell."""

    constant: Array
    score: Array
    information: Array


def spell_information(between: Stretches, site_mean: Array, site_var: Array) -> SpellInformation:
    """What each spell says of its start, in one pass (de Jong 1991, Ann. Stat. 19:1073)."""
    spells = len(between.start)
    constant, score, information = np.zeros(spells), np.zeros((spells, 3)), np.zeros((spells, 3, 3))
    sites = np.ascontiguousarray(site_mean), np.ascontiguousarray(site_var)
    inform_spells(between, *sites, constant, score, information)
    return SpellInformation(constant, score, information)


def athlete_scatter(
    panel: Panel, between: Stretches, noise: Noise, prior_mean: Array, prior_cov: Array
) -> Array:
    """Each spell's scatter (S,): the athlete's posterior mean log, last sessions left out."""
    _, who = np.unique(panel.athlete, return_inverse=True)
    before = prior_mean, prior_cov
    tried = (forward_pass(panel, between, noise, *before, float(m)) for m in judgement.SCATTERS)
    told = np.array([seen.log_evidence for seen in tried])
    most = judgement.MOST_EVIDENCE
    told = np.clip(told - told[len(told) // 2], -2.0 * most, most)
    told[:, panel.last] = 0.0
    evidence = np.stack([np.bincount(who[panel.spell], row) for row in told])
    log_weight = evidence - 0.5 * (np.log(judgement.SCATTERS) / judgement.SCATTER_SD)[:, None] ** 2
    weight = np.exp(log_weight - log_weight.max(axis=0))
    mean = (weight * np.log(judgement.SCATTERS)[:, None]).sum(axis=0) / weight.sum(axis=0)
    return np.asarray(np.exp(mean)[who])


def _both_ways(blocks: Array) -> Array:
    """(S, 3, 3) blocks and their transposes, added."""
    return blocks + blocks.transpose(0, 2, 1)


@dataclass(frozen=True, slots=True)
class PoolingPrior:
    """Variances ``own`` (3, 3), ``athlete``, ``rung`` (3,); the centre's mean and variance (3,)."""

    own: Array
    athlete: Array
    rung: Array
    centre_mean: Array
    centre_var: Array


@dataclass(frozen=True, slots=True)
class Pooled:
    """Centre and effects of R rungs, ``common_mean`` (3 + 3 R,); log evidence by athlete.

    ``lent`` is the chance that they are about as in the other club's model that was given as prior.
    """

    common_mean: Array
    common_cov: Array
    log_evidence: float
    athlete_log_evidence: Array
    lent: float = 0.0

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


def summed(values: Array, owner: Ints, size: int) -> Array:
    """(size, ...) the values (n, ...) added up by ``owner`` (n,)."""
    total = np.zeros((size, *values.shape[1:]))
    np.add.at(total, owner, values)
    return total


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
    """Pool all spells over ``athlete`` and ``rung`` (S,) numbers, in any order."""
    _, who = np.unique(athlete, return_inverse=True)
    n = int(who.max()) + 1
    found = _solve(info, who, rung, (n, n_rungs), prior)
    # Each athlete's log evidence with the centre and the rungs held at their mean.
    pooled = Pooled(found.mean, found.cov, found.log_evidence, np.empty(0))
    constant, score, _ = centred(found.loose, rung, pooled)
    total, cov = summed(score, who, n), found.athlete_cov
    by_athlete = (
        np.bincount(who, constant, n)
        + 0.5 * (np.linalg.slogdet(cov)[1] - np.log(prior.athlete).sum())
        + 0.5 * np.einsum("ai,aij,aj->a", total, cov, total)
    )
    return replace(pooled, athlete_log_evidence=by_athlete)


@dataclass(frozen=True, slots=True)
class _Solved:
    """A athletes taken out one by one, C common effects solved together: (A, 3, C) ``solved``."""

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
    precision, score = summed(loose.information, who, n), summed(loose.score, who, n)
    ties = np.zeros((n, 3, 1 + n_rungs, 3))  # of each athlete to the centre and the rungs
    # Athlete and rung first, so that one pair of numbers finds the (3, 3) block to add to.
    by_block = ties.transpose(0, 2, 1, 3)
    np.add.at(by_block, (who, np.zeros_like(who)), loose.information)
    np.add.at(by_block, (who, 1 + rung), loose.information)
    cross = ties.reshape(n, 3, 3 + 3 * n_rungs)
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
    """Evidence of S spells, posterior of each start, and summed second moments of the effects."""

    log_evidence: float
    mean: Array
    square: Array
    own: Array
    athlete: Array
    rung: Array


def pooled_moments(
    info: SpellInformation, who: Ints, rung: Ints, size: tuple[int, int], prior: PoolingPrior
) -> Moments:
    """What slopes of the evidence need, of spells of ``size`` athletes and rungs, from 0 on."""
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
        found.log_evidence, mean=whole, square=whole[:, :, None] * whole[:, None, :] + whole_cov,
        own=own_mean.T @ own_mean + own_cov.sum(axis=0),
        athlete=(athlete_mean**2 + np.einsum("aii->ai", athlete_cov)).sum(axis=0),
        rung=(effects**2 + of_rung).sum(axis=0),
    )  # fmt: skip


def _prior_precision(n_rungs: int, prior: PoolingPrior) -> Array:
    return np.concatenate([1.0 / prior.centre_var, np.tile(1.0 / prior.rung, n_rungs)])


def _common_terms(
    loose: SpellInformation, rung: Ints, n_rungs: int, prior: PoolingPrior
) -> tuple[Array, Array]:
    """Precision and score of the centre and the rungs before athletes are taken out."""
    by_rung = summed(loose.information, rung, n_rungs)
    score_by_rung = summed(loose.score, rung, n_rungs)
    size = 1 + n_rungs
    blocks = np.zeros((size, 3, size, 3))
    blocks[0, :, 0, :] = by_rung.sum(axis=0)
    for r in range(n_rungs):
        blocks[1 + r, :, 1 + r, :] = blocks[0, :, 1 + r, :] = blocks[1 + r, :, 0, :] = by_rung[r]
    precision = blocks.reshape(3 * size, 3 * size) + np.diag(_prior_precision(n_rungs, prior))
    score = np.concatenate([score_by_rung.sum(axis=0), score_by_rung.ravel()])
    score[:3] += prior.centre_mean / prior.centre_var
    return precision, score


def centred(loose: SpellInformation, rung: Ints, pooled: Pooled) -> tuple[Array, Array, Array]:
    """Constant, score and information of each spell about its athlete's effect alone."""
    shift = pooled.usual(rung)
    pulled = np.einsum("sij,sj->si", loose.information, shift)
    constant = loose.constant + np.einsum("si,si->s", loose.score - 0.5 * pulled, shift)
    return constant, loose.score - pulled, loose.information


def spell_priors(
    loose: SpellInformation, rung: Ints, pairs: tuple[Ints, Ints], target_rung: Ints,
    pooled: Pooled, prior: PoolingPrior,
) -> tuple[Array, Array]:  # fmt: skip
    """Mean (T, 3), cov (T, 3, 3) of (level, swing, pace) at spells' starts from the others."""
    _, score, information = centred(loose, rung, pooled)
    targets, size = len(target_rung), len(pooled.common_mean) // 3
    precision = summed(information[pairs[1]], pairs[0], targets)
    total = summed(score[pairs[1]], pairs[0], targets)
    athlete_cov = np.linalg.inv(precision + np.diag(1.0 / prior.athlete))
    athlete_mean = np.einsum("tij,tj->ti", athlete_cov, total)
    blocks = pooled.common_cov.reshape(size, 3, size, 3).transpose(0, 2, 1, 3)
    at = 1 + target_rung
    shared = blocks[0, 0] + blocks[at, at] + _both_ways(blocks[0, at])
    return pooled.usual(target_rung) + athlete_mean, prior.own + athlete_cov + shared
