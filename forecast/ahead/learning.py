"""What ``climbing`` learns with: clean sets by level, shifts of spells, the engine's own times.

Spells are normal in (start, swing, pace) with rungs, athletes and own effects as pooled by the
growth engine; a further shift ``design @ b`` then has a normal posterior in closed form, with
athletes' effects integrated out and b shrunk to 0 by its prior (Lindley & Smith 1972, J. R. Stat.
Soc. B 34:1).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize_scalar
from scipy.special import expit, gammaln

from forecast.ahead.sampler import Starts, climb, spread_constants
from forecast.ahead.standing import Plan
from forecast.growth import GrowthModel, Tracked
from forecast.growth.habits import CohortHabits, clip_level, cohort_habits, untried_habits
from forecast.growth.panel import GRACE_WEEKS
from forecast.histories import Histories
from forecast.types import Array, Ints


def learn_clean(tracked: Tracked, histories: Histories) -> tuple[CohortHabits, float]:
    """Return the share of clean sets by level, and how far spells differ on the logit scale."""
    panel = tracked.panel
    level = tracked.filtered.mean[:, 0]
    clean = histories.sessions["n_clean"].to_numpy(dtype=float)[panel.session_row]
    sets = panel.n_sets.astype(float)
    cohort = cohort_habits(clean, sets, level)
    base = cohort.intercept + cohort.slope * clip_level(level)
    _, who = np.unique(panel.spell, return_inverse=True)
    return cohort, spread_of_logits(clean, sets, base, who)


def spread_of_logits(hits: Array, trials: Array, base: Array, group: Ints) -> float:
    """Return how far groups differ on the logit scale: marginal likelihood, one number.

    Parameters
    ----------
    hits, trials
        (N,) counts.
    base
        (N,) logit expected of each count without the group's own shift.
    group
        (N,) group number, 0 to the number of groups less one.
    """
    nodes, weights = np.polynomial.hermite_e.hermegauss(21)
    log_weights = np.log(weights / weights.sum())
    n = int(group.max()) + 1

    def loss(log_spread: float) -> float:
        shift = np.exp(log_spread) * nodes
        logit = base[:, None] + shift
        log_p = hits[:, None] * logit - trials[:, None] * np.logaddexp(0.0, logit)
        by_group = np.zeros((n, len(nodes)))
        np.add.at(by_group, group, log_p)
        evidence = np.logaddexp.reduce(by_group + log_weights, axis=1).sum()
        # A weak prior around 0.7 keeps a handful of groups from an answer of nothing.
        return float(-evidence + 0.5 * ((log_spread - np.log(0.7)) / 0.7) ** 2)

    return float(np.exp(minimize_scalar(loss, bounds=(-4.0, 1.5), method="bounded").x))


def upper_tail(hits: int, trials: int, logit: Array, weight: Array) -> float:
    """Chance of ``hits`` or more in ``trials``, the logit drawn from ``logit`` by ``weight``."""
    k = np.arange(hits, trials + 1)
    log_choose = gammaln(trials + 1) - gammaln(k + 1) - gammaln(trials - k + 1)
    p = np.clip(expit(logit), 1e-12, 1 - 1e-12)[:, None]
    mass = np.exp(log_choose + k * np.log(p) + (trials - k) * np.log1p(-p)).sum(axis=1)
    return float((weight * mass).sum())


def regress_spells(
    score: Array,
    information: Array,
    athlete: Ints,
    athlete_var: Array,
    design: Array,
    prior_sd: Array,
) -> tuple[Array, Array]:
    """Return posterior mean (K,) and covariance (K, K) of the coefficients.

    Parameters
    ----------
    score, information
        (S, 3) and (S, 3, 3): what each spell says about its athlete's effect, own effect
        integrated out, centre and rung taken away (``growth.pooling.centred``).
    athlete
        (S,) whose spell it is.
    athlete_var
        (3,) variance of athletes' effects.
    design
        (S, 3, K) shift of (start, swing, pace) for a unit of each coefficient.
    prior_sd
        (K,) spread of each coefficient around 0.
    """
    _, who = np.unique(athlete, return_inverse=True)
    n = int(who.max(initial=-1)) + 1
    precision = np.tile(np.diag(1.0 / athlete_var), (n, 1, 1))
    total = np.zeros((n, 3))
    cross = np.zeros((n, 3, design.shape[2]))
    weighted = information @ design
    np.add.at(precision, who, information)
    np.add.at(total, who, score)
    np.add.at(cross, who, weighted)
    solved = np.linalg.solve(precision, np.concatenate([total[:, :, None], cross], axis=2))
    told = np.einsum("sik,si->k", design, score) - np.einsum("aik,ai->k", cross, solved[..., 0])
    sharp = np.einsum("sik,sil->kl", design, weighted)
    sharp -= np.einsum("aik,ail->kl", cross, solved[..., 1:])
    cov = np.linalg.inv(0.5 * (sharp + sharp.T) + np.diag(prior_sd**-2.0))
    return cov @ told, cov


PATHS = 128
MOST_DAYS = 7 * 104
"""Days simulated: the middle is an order beyond, and no time."""


def new_grace(gaps: Array) -> Array:
    """(T,) weeks of ordinary rest on a rung to come, from its gap table."""
    return np.maximum(GRACE_WEEKS, 3.0 * np.median(gaps, axis=1) / 7.0)


@dataclass(frozen=True, slots=True)
class Beginnings:
    """T rungs at their first session, as far as they are known before it.

    Attributes
    ----------
    rung, threshold, measure
        (T,) rung numbers, latent pass marks and measure numbers.
    gaps
        (T, G) days between sessions.
    day
        (T,) day number of the first session.
    scatter
        (T,) as in ``Starts``.
    gain
        (T,) factor on the gain.
    """

    rung: Ints
    threshold: Array
    measure: Ints
    gaps: Array
    day: Array
    scatter: Array
    gain: Array


def middle_days(
    model: GrowthModel, plan: Plan, new: Beginnings, *, seed: int, paths: int = PATHS
) -> Array:
    """Return the middle of the simulated days from first session to clearing, (T,).

    From the rung's usual start and pace, the spread between athletes, and how this one trains:
    what the athlete's record says of their pace is left out on purpose (``times`` learns it).
    ``seed`` is the same for every row, so that rows don't depend on each other; ``paths`` are
    simulated of each.
    """
    rows = len(new.rung)
    if not rows:
        return np.empty(0)
    fit = model.fit
    mean = fit.pooled.usual(new.rung)
    root = np.linalg.cholesky(fit.constants.pooling.own + np.diag(fit.constants.pooling.athlete))
    spread = np.random.default_rng([seed, 2]).standard_normal((paths, 3)) @ root.T
    state = mean[:, None, :] + spread
    none = np.zeros(rows)
    starts = Starts(
        level=state[..., 0],
        swing=state[..., 1] * new.gain[:, None],
        pace=state[..., 2] * new.gain[:, None],
        threshold=new.threshold,
        measure=new.measure,
        grace=new_grace(new.gaps),
        confirm=plan.confirm[new.rung],
        run=none.astype(np.int64),
        begun=none.astype(bool),
        wait=none,
        lost=none,
        done=none,
        origin=np.repeat(new.day.astype(float)[:, None], paths, axis=1),
        scatter=new.scatter,
        gaps=new.gaps,
        first_gaps=new.gaps,
        habits=untried_habits(rows, model.habits),
    )
    constants = spread_constants([fit.constants], paths)
    found = climb(starts, constants, most_days=MOST_DAYS, seed=[seed, 3])
    return np.asarray(np.median(found.days, axis=1))
