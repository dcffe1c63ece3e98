"""What one session says about the level: the likelihood of its sets, matched by a normal.

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

from forecast.growth.kernels import Errors, Records, Sets, match_many, record_slopes
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


def set_offsets(panel: Panel, noise: Noise) -> Array:
    """Return the mean shift of each set, (N, K)."""
    return np.asarray(
        noise.fatigue * panel.fatigue
        + noise.unclean * panel.unclean
        + noise.assisted * panel.assisted
    )


def sets_of(panel: Panel, noise: Noise) -> Sets:
    """Return the sets of all sessions as the compiled loops take them."""
    return Sets(panel.lower, panel.ceiling, set_offsets(panel, noise), panel.n_sets)


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
    out = np.empty((len(index), 6))
    match_many(
        np.asarray(index, dtype=np.int64), mean, var, sets_of(panel, noise),
        errors_of(noise, measure, scatter), out,
    )  # fmt: skip
    return Match(log_evidence=out[:, 0], mean=out[:, 1], var=out[:, 2])


def _slip_mass(panel: Panel) -> Array:
    """(N, K) chance of each record given a slip at or below the set's capacity."""
    with np.errstate(invalid="ignore"):
        width = panel.upper - panel.lower
    return np.where(np.isfinite(width), np.minimum(SLIP_DENSITY * width, 1.0), OPEN_SLIP)


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
    slopes = np.zeros(len(SLOPES))
    total = record_slopes(
        mean, var, sets_of(panel, noise),
        Records(panel.upper, _slip_mass(panel), flags, measure),
        errors_of(noise, measure, scatter), noise.slip, place, slopes,
    )  # fmt: skip
    return float(total), dict(zip(SLOPES, slopes.tolist(), strict=True))
