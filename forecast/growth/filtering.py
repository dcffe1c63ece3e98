"""What the sessions say about the level: each one's sets matched by a normal, spells filtered.

A set's capacity is level + day form + set order, unclean and assisted offsets + set noise, and
the record says only that it lay in an interval (``intervals``). Neither days nor sets are normal:
a day's form is normal plus an exponential part on either side (Reed & Jorgensen 2004, Commun.
Stat. Theory Methods 33:1733), and some sets end early for no reason of strength (a slip, a phone).

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
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forecast.growth.kernels import (
    Errors,
    Records,
    Seen,
    Sets,
    filter_spells,
    inform_spells,
    match_many,
    record_slopes,
)
from forecast.growth.motion import Stretches
from forecast.growth.panel import MEASURES, Panel
from forecast.types import Array, Ints

KNEE = 2.0
"""Standard deviations below its day's ability from which a set pulls no harder (Huber 1964, Ann.
Math. Stat. 35:73; the value is judgement): a slip is no weakness."""
SLIP_DENSITY = 1.0
"""Density of a slip's record per unit of the latent scale: slips fall anywhere in about one unit
(a factor of e) below capacity (judgement)."""
OPEN_SLIP = 0.1
"""Chance of a record without a lower or upper bound, given a slip (judgement)."""


@dataclass(frozen=True, slots=True)
class Noise:
    """Constants of a session's record, in latent units.

    ``day_sd`` and ``set_sd`` are (4,) by measure. ``day_down`` and ``day_up`` are the mean size of
    the exponential part of a day's form below and above, in ``day_sd``. The rest apply to every
    set: ``fatigue`` for each set done before, ``unclean`` and ``assisted`` where flagged; ``slip``
    is the share of sets that end early for reasons that have nothing to do with capacity.
    ``knee`` is how many ``set_sd`` below its day's ability a set pulls no harder.
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


@dataclass(frozen=True, slots=True)
class Match:
    """Result of matching n sessions: arrays of shape (n,).

    ``log_evidence`` of the sets given the opinion before; ``mean`` and ``var`` of the level
    after.
    """

    log_evidence: Array
    mean: Array
    var: Array


def sets_of(panel: Panel, noise: Noise) -> Sets:
    """Return the sets of all sessions as the compiled loops take them."""
    offset = noise.fatigue * panel.fatigue + noise.unclean * panel.unclean
    offset += noise.assisted * panel.assisted
    return Sets(panel.lower, panel.ceiling, offset, panel.n_sets)


def errors_of(noise: Noise, measure: Ints, scatter: Array) -> Errors:
    """Return how records of these measures scatter in athletes of this scatter."""
    day_sd, set_sd = noise.day_sd[measure] * scatter, noise.set_sd[measure] * scatter
    return Errors(day_sd, set_sd, noise.day_down, noise.day_up, noise.knee)


def match_sessions(
    panel: Panel, noise: Noise, index: Ints, mean: Array, var: Array, scatter: Array | float
) -> Match:
    """Match the level after sessions ``index`` (n,), from a normal opinion (n,) before them.

    ``scatter`` (S,): how widely the athletes' sets scatter, as a multiple of the cohort's noise.
    """
    spell = panel.spell[index]
    measure, scatter = panel.measure[spell], np.broadcast_to(scatter, panel.n_spells)[spell]
    errors = errors_of(noise, measure, scatter)
    index = np.asarray(index, dtype=np.int64)
    return Match(*match_many(index, mean, var, sets_of(panel, noise), errors))


SLOPES = (
    *(f"log_set_sd_{m}" for m in MEASURES),
    *("log_slip", "log_day_down", "log_day_up", "fatigue", "unclean", "assisted"),
)
"""Constants in which ``evidence_slopes`` tells the slope."""


def evidence_slopes(
    panel: Panel,
    noise: Noise,
    mean: Array,
    var: Array,
    scatter: Array | float,
    place: Array | None = None,
) -> tuple[float, dict[str, float]]:
    """Return the log evidence of every session, summed, and its slopes by constant.

    ``mean`` and ``var`` (N,) are the opinion of the level before each session, ``scatter`` (S,) as
    in ``match_sessions``; ``place`` (N, 2) is where the last call placed its quadrature, zeros at
    first, moved in place.
    """
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


@dataclass(frozen=True, slots=True)
class Filtered:
    """Opinion of (level, swing, pace) before and after each session, and what the session added.

    Attributes
    ----------
    mean, cov
        (N, 3) and (N, 3, 3) after each session.
    before_mean, before_var
        (N,) opinion of the level just before each session.
    log_evidence
        (N,) log probability of each session's sets given the sessions before.
    site_mean, site_var
        (N,) the session as one normal observation of the level; ``site_var`` is infinite where
        it said nothing.
    tail
        (N,) the day's part of the site's variance over the variance ``day_sd**2``.
    scatter
        (S,) how widely the athlete's sets were taken to scatter.
    """

    mean: Array
    cov: Array
    before_mean: Array
    before_var: Array
    log_evidence: Array
    site_mean: Array
    site_var: Array
    tail: Array
    scatter: Array


def forward_pass(
    panel: Panel,
    between: Stretches,
    noise: Noise,
    prior_mean: Array,
    prior_cov: Array,
    scatter: Array | float,
) -> Filtered:
    """Run the assumed-density filter over every spell.

    ``between`` comes from ``stretches``. ``prior_mean`` (S, 3) and ``prior_cov`` (S, 3, 3) are the
    opinion of (level, swing, pace) at each spell's first session; ``scatter`` (S,) how widely the
    athlete's sets scatter, as a multiple of the cohort's noise.
    """
    n = panel.n_sessions
    scatter = np.broadcast_to(np.asarray(scatter, dtype=float), panel.n_spells)
    seen = Seen(np.empty((n, 3)), np.empty((n, 3, 3)), *np.empty((6, n)))
    mean, cov = (np.ascontiguousarray(a, dtype=float) for a in (prior_mean, prior_cov))
    errors = errors_of(noise, panel.measure, scatter)
    filter_spells(between, mean, cov, sets_of(panel, noise), errors, seen)
    return Filtered(*seen, scatter)


@dataclass(frozen=True, slots=True)
class SpellInformation:
    """``constant`` (S,), ``score`` (S, 3) and ``information`` (S, 3, 3) of every spell."""

    constant: Array
    score: Array
    information: Array


def spell_information(between: Stretches, site_mean: Array, site_var: Array) -> SpellInformation:
    """Return what each spell's sessions say about theta = (start level, start swing, pace).

    Sessions (N,) are normal observations of the level; infinite variance says nothing. Given them
    and the constants of the motion the likelihood of a spell is exactly normal,

        log p(y | theta) = constant + score' theta - theta' information theta / 2,

    by the augmented Kalman filter in one pass (de Jong 1991, Ann. Stat. 19:1073). What the spells
    share (athletes, rungs) is then pooled without touching sessions again.
    """
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
one: scatter shows in many sessions, one day out of all proportion is no scatter (judgement)."""


def athlete_scatter(
    panel: Panel, between: Stretches, noise: Noise, prior_mean: Array, prior_cov: Array
) -> Array:
    """Return each spell's scatter (S,): the athlete's posterior mean, on the log scale.

    Each multiple of ``GRID`` is tried on all spells; an athlete's spells share one. A spell's last
    session is left out: today's good session is to raise the level, not the doubt about it.
    Arguments as for ``forward_pass``.
    """
    _, who = np.unique(panel.athlete, return_inverse=True)
    told = np.empty((len(GRID), panel.n_sessions))
    for row, multiple in zip(told, GRID, strict=True):
        row[:] = forward_pass(
            panel, between, noise, prior_mean, prior_cov, float(multiple)
        ).log_evidence
    told = np.clip(told - told[len(GRID) // 2], -2.0 * MOST_TOLD, MOST_TOLD)
    told[:, panel.last] = 0.0
    evidence = np.stack([np.bincount(who[panel.spell], row) for row in told])
    log_weight = evidence - 0.5 * (np.log(GRID) / SPREAD)[:, None] ** 2
    weight = np.exp(log_weight - log_weight.max(axis=0))
    mean = (weight * np.log(GRID)[:, None]).sum(axis=0) / weight.sum(axis=0)
    return np.asarray(np.exp(mean)[who])
