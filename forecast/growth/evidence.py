"""What the sessions say about the level, spell by spell, and what spells say of each other.

A set's capacity is level + day form + set order, unclean and assisted offsets + set noise, and
the record says only that it lay in an interval (``panel.set_intervals``). Neither days nor sets are
normal: a day's form is normal plus an exponential part on either side (Reed & Jorgensen 2004,
Commun. Stat. Theory Methods 33:1733), and some sets end early for no reason of strength.

The level is read off with densities that are log-concave: a set's noise has an exponential lower
tail, and a set that met the mark says that much or more and has no ceiling. So the pull of a
session far off levels off and never falls back, and a better set never lowers the opinion of the
level (monotone likelihood ratio: Karlin & Rubin 1956, Ann. Math. Stat. 27:272; kept by
integration: Prekopa 1973, Acta Sci. Math. 34:335). What sets are like (noise, order, slips) is
learnt with slips as what they are, records of that much or more (``evidence_slopes``).

Given a normal opinion of the level before the session, the opinion after it is matched in mean
and variance (assumed-density filtering, one sweep of expectation propagation: Minka 2001, UAI
17:362), the day's ability by Gauss-Hermite quadrature centred where the mass is (Liu & Pierce
1994, Biometrika 81:624).

Spells are pooled crossed: start, swing and pace are rung + athlete + the spell's own part,

    theta_i = centre + rung effect + athlete effect + own effect,

normal at every level. Athletes' effects are integrated out athlete by athlete, what is left is a
small dense system in the centre and the rungs, so the marginal likelihood is exact and costs one
linear solve (Lindley & Smith 1972, J. R. Stat. Soc. B 34:1; crossed form as in Bates et al. 2015,
J. Stat. Softw. 67(1), sec. 3).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

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
from forecast.growth.panel import MEASURES, Panel
from forecast.types import Array, Ints

KNEE = 2.0
"""Standard deviations below its day's ability from which a set pulls no harder (Huber 1964, Ann.
Math. Stat. 35:73; the value is judgement): a slip is not weakness."""
SLIP_DENSITY = 1.0
"""Density of a slip's record per unit of the latent scale: slips fall anywhere in about one unit
(a factor of e) below capacity (judgement)."""
OPEN_SLIP = 0.1
"""Chance of a record without a lower or upper bound, given a slip (judgement)."""


@dataclass(frozen=True, slots=True)
class Noise:
    """Constants of a session's record, in latent units.

    ``day_sd``, ``set_sd`` (4,) by measure; ``day_down``, ``day_up`` mean size of the exponential
    parts of a day's form, in ``day_sd``; ``fatigue`` for each set done before; ``slip`` share of
    sets that end early for no reason of strength; ``knee``: so many ``set_sd`` below its day a set
    pulls no harder.
    """

    day_sd: Array
    set_sd: Array
    fatigue: float
    unclean: float
    assisted: float
    day_down: float = 0.5
    day_up: float = 0.25
    slip: float = 0.0
    knee: float = KNEE

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
    *(f"log_set_sd_{m}" for m in MEASURES),
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
    slip = np.where(np.isfinite(width), np.minimum(SLIP_DENSITY * width, 1.0), OPEN_SLIP)
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


GRID = np.exp(np.linspace(-1.0, 1.0, 5))
SPREAD = 0.45
"""Multiples of the cohort's noise tried, and how far athletes differ before any set is seen: the
standard deviation of the log (judgement). A dozen sessions of an athlete's own overrule it."""
MOST_TOLD = 1.5
"""Log evidence that one session may bring for a multiple, and half of what it may bring against
one: scatter shows in many sessions, one day out of all proportion is not (judgement)."""


def athlete_scatter(
    panel: Panel, between: Stretches, noise: Noise, prior_mean: Array, prior_cov: Array
) -> Array:
    """Each spell's scatter (S,): the athlete's posterior mean log, last sessions left out."""
    _, who = np.unique(panel.athlete, return_inverse=True)
    before = prior_mean, prior_cov
    told = np.array(
        [forward_pass(panel, between, noise, *before, float(m)).log_evidence for m in GRID]
    )
    told = np.clip(told - told[len(GRID) // 2], -2.0 * MOST_TOLD, MOST_TOLD)
    told[:, panel.last] = 0.0
    evidence = np.stack([np.bincount(who[panel.spell], row) for row in told])
    log_weight = evidence - 0.5 * (np.log(GRID) / SPREAD)[:, None] ** 2
    weight = np.exp(log_weight - log_weight.max(axis=0))
    mean = (weight * np.log(GRID)[:, None]).sum(axis=0) / weight.sum(axis=0)
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
    """Centre and effects of R rungs, ``common_mean`` (3 + 3 R,); log evidence by athlete."""

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
    constant, score, _ = centred(found.loose, rung, found.mean)
    total, cov = summed(score, who, n), found.athlete_cov
    by_athlete = (
        np.bincount(who, constant, n)
        + 0.5 * (np.linalg.slogdet(cov)[1] - np.log(prior.athlete).sum())
        + 0.5 * np.einsum("ai,aij,aj->a", total, cov, total)
    )
    return Pooled(found.mean, found.cov, found.log_evidence, np.asarray(by_athlete))


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
    info: SpellInformation, athlete: Ints, rung: Ints, n_rungs: int, prior: PoolingPrior
) -> Moments:
    """What slopes of the evidence need; the more numerous of athletes and rungs are taken out."""
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


def centred(loose: SpellInformation, rung: Ints, common_mean: Array) -> tuple[Array, Array, Array]:
    """Constant, score and information of each spell about its athlete's effect alone."""
    shift = common_mean[:3] + common_mean[3:].reshape(-1, 3)[rung]
    pulled = np.einsum("sij,sj->si", loose.information, shift)
    constant = loose.constant + np.einsum("si,si->s", loose.score - 0.5 * pulled, shift)
    return constant, loose.score - pulled, loose.information


def spell_priors(
    loose: SpellInformation, rung: Ints, pairs: tuple[Ints, Ints], target_rung: Ints,
    common_mean: Array, common_cov: Array, prior: PoolingPrior,
) -> tuple[Array, Array]:  # fmt: skip
    """Mean (T, 3), cov (T, 3, 3) of (level, swing, pace) at spells' starts from the others."""
    _, score, information = centred(loose, rung, common_mean)
    targets = len(target_rung)
    precision = summed(information[pairs[1]], pairs[0], targets)
    total = summed(score[pairs[1]], pairs[0], targets)
    athlete_cov = np.linalg.inv(precision + np.diag(1.0 / prior.athlete))
    athlete_mean = np.einsum("tij,tj->ti", athlete_cov, total)
    effects = common_mean[3:].reshape(-1, 3)
    mean = common_mean[:3] + effects[target_rung] + athlete_mean
    size = 1 + len(effects)
    blocks = common_cov.reshape(size, 3, size, 3).transpose(0, 2, 1, 3)
    at = 1 + target_rung
    shared = blocks[0, 0] + blocks[at, at] + _both_ways(blocks[0, at])
    return mean, prior.own + athlete_cov + shared
