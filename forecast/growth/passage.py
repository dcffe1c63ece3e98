"""First passage: simulate the coming sessions and apply the literal pass rule.

The level's path, the days of the sessions, the day's form and the number of sets are drawn; given
those, the chance that a session meets the criterion, and so the chance of each run of meeting
sessions, is computed and not drawn (Rao-Blackwellisation: Casella & Robert 1996, Biometrika
83:81), which takes most of the noise out of a few hundred paths.

Every target uses the same random numbers, so a forecast does not depend on who else is asked
about in the same call.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, ndtr, ndtri
from scipy.stats import qmc

from forecast.growth.clock import Clock
from forecast.growth.dynamics import (
    Dynamics,
    decay_terms,
    lost_after,
    split_gap,
    transition_covariance,
)
from forecast.growth.habits import Habits, _clip
from forecast.growth.observation import TAIL_SCALE, TAIL_WEIGHT, Noise

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

PLAIN_CLOCK = Clock()


@dataclass(frozen=True, slots=True)
class Targets:
    """T forecasts to make.

    Attributes
    ----------
    mean, cov
        (T, 3) and (T, 3, 3) opinion of (level, swing, pace) on the day of the last session.
    threshold, measure, grace
        (T,) latent pass mark, measure number, weeks of ordinary rest.
    confirm, run
        (T,) sessions in a row asked for, and how many have just met.
    wait
        (T,) days from the last session to the cut date.
    gaps, first_gaps
        (T, G) days between sessions, and from the last session to the first one to come.
    habits
        Sets a session and the share that can count.
    untried
        Whether these rungs have no session yet: the opinion is then that of the first session,
        and the wait for it changes nothing.
    scatter
        (T,) how widely the athlete's sets scatter, as a multiple of the cohort's noise.
    clock, done, last_day
        The training clock, and (T,) sessions so far and day number of the last one, from which
        it goes on.
    lost
        (T,) level lost to layoffs by the last session, which comes back with training.
    speed
        (T,) by how much the spell's own training time runs faster than the cohort's.
    """

    mean: Array
    cov: Array
    threshold: Array
    measure: Ints
    grace: Array
    confirm: Ints
    run: Ints
    wait: Array
    gaps: Array
    first_gaps: Array
    habits: Habits
    untried: bool = False
    scatter: Array | float = 1.0
    clock: Clock = PLAIN_CLOCK
    done: Array | float = 0.0
    last_day: Array | float = 0.0
    lost: Array | float = 0.0
    speed: Array | float = 1.0

    def __len__(self) -> int:
        """Number of targets T."""
        return len(self.threshold)


@dataclass(frozen=True, slots=True)
class Passage:
    """Chances of T targets.

    ``by_day`` (T, D + 1): of clearing within 0..D days of the cut; ``next_session`` (T,): that
    the next session meets the criterion.
    """

    by_day: Array
    next_session: Array


def simulate_passage(
    targets: Targets,
    dynamics: Dynamics,
    noise: Noise,
    *,
    horizon_days: int,
    paths: int,
    seed: int,
) -> Passage:
    """Simulate the coming sessions of every target.

    Parameters
    ----------
    targets, dynamics, noise
        What is known of each target, and the engine's constants.
    horizon_days
        Days D after the cut to look at.
    paths
        Number of paths; a power of two keeps the starting points balanced.
    seed
        The same seed gives the same numbers whatever the other targets are.
    """
    rng = np.random.default_rng(seed)
    level, swing, pace = _starting_points(targets, paths, seed)
    shape = level.shape
    runs = _starting_runs(targets, shape)
    day = -np.repeat(targets.wait[:, None], paths, axis=1)
    lost = np.broadcast_to(_column(targets.lost), shape)
    by_day = np.zeros((len(targets), horizon_days + 1))
    next_session = np.zeros(len(targets))
    step = 0
    while True:  # ends when every path has passed the horizon: gaps are one day at least
        table = targets.first_gaps if step == 0 else targets.gaps
        gap = table[:, rng.integers(0, table.shape[1], paths)]
        day = day + gap
        if step > 0 or not targets.untried:
            rest, excess = split_gap(gap / 7.0, _column(targets.grace))
            ends = _column(targets.last_day) + _column(targets.wait) + day
            dose = targets.clock.dose(rest, _column(targets.done) + step, ends)
            dose = dose * _column(targets.speed)
            level, swing = _advance(dynamics, rng, level, swing, pace, dose, excess)
            before, lost = lost, lost_after(dynamics, lost, rest, excess)
            level = level - (lost - before)
        meets = _chance_to_meet(targets, noise, rng, level)
        if step == 0:
            next_session = meets.mean(axis=1)
        cleared = _step_runs(runs, meets, targets.confirm)
        within = day <= horizon_days
        _record(by_day, day, np.where(within, cleared, 0.0))
        if not within.any():
            break
        step += 1
    return Passage(np.minimum(np.cumsum(by_day, axis=1) / paths, 1.0), next_session)


def _starting_points(targets: Targets, paths: int, seed: int) -> tuple[Array, Array, Array]:
    """Draw (T, P) levels, swings and paces; scrambled Sobol points (Owen 1998) shared by all."""
    uniform = qmc.Sobol(3, rng=np.random.default_rng(seed)).random(paths)
    z = ndtri(np.clip(uniform, 1e-9, 1 - 1e-9))
    cov = targets.cov + 1e-12 * np.eye(3)
    root = np.linalg.cholesky(cov)
    draws = targets.mean[:, None, :] + np.einsum("tij,pj->tpi", root, z)
    return draws[..., 0], draws[..., 1], draws[..., 2]


def _starting_runs(targets: Targets, shape: tuple[int, int]) -> Array:
    """(C, T, P) chance of standing at each run length; all at the run just logged."""
    deepest = int(targets.confirm.max())
    runs = np.zeros((deepest, *shape))
    runs[np.minimum(targets.run, targets.confirm - 1), np.arange(shape[0])] = 1.0
    return runs


def _advance(
    dynamics: Dynamics,
    rng: np.random.Generator,
    level: Array,
    swing: Array,
    pace: Array,
    tau: Array,
    excess: Array,
) -> tuple[Array, Array]:
    """Carry level and swing over ``tau`` weeks of training and ``excess`` without, exactly.

    What the layoff takes is not in it (``lost_after``).
    """
    decay, integral = decay_terms(dynamics.alpha, tau)
    level_var, cross, swing_var = transition_covariance(dynamics, tau)
    level_var = level_var + dynamics.wiggle_sd**2 * excess
    z = rng.standard_normal((2, level.shape[1]))
    swing_sd = np.sqrt(swing_var)
    slope = cross / np.maximum(swing_sd, 1e-300)
    rest = np.sqrt(np.maximum(level_var - slope**2, 0.0))
    moved = level + pace * tau + swing * integral
    return moved + slope * z[0] + rest * z[1], decay * swing + swing_sd * z[0]


def _chance_to_meet(
    targets: Targets, noise: Noise, rng: np.random.Generator, level: Array
) -> Array:
    """(T, P) chance that one of the session's sets is clean, unassisted and long enough."""
    paths = level.shape[1]
    wide = np.where(rng.random(paths) < TAIL_WEIGHT, np.sqrt(TAIL_SCALE), 1.0)
    scatter = np.broadcast_to(targets.scatter, len(targets))
    day_sd = noise.day_sd[targets.measure] * scatter
    set_sd = noise.set_sd[targets.measure] * scatter
    form = day_sd[:, None] * (wide * rng.standard_normal(paths))
    sets = targets.habits.sets[:, rng.integers(0, targets.habits.sets.shape[1], paths)]
    eligible = expit(targets.habits.intercept[:, None] + targets.habits.slope * _clip(level))
    eligible = (1.0 - noise.slip) * eligible
    room = (level + form - targets.threshold[:, None]) / set_sd[:, None]
    fatigue = noise.fatigue / set_sd[:, None]
    missed = np.ones_like(level)
    for k in range(int(sets.max())):
        chance = eligible * ndtr(room + min(k, 4) * fatigue)
        missed *= np.where(k < sets, 1.0 - chance, 1.0)
    return 1.0 - missed


def _step_runs(runs: Array, meets: Array, confirm: Ints) -> Array:
    """Move every run on by one session, in place; return the chance of clearing at it."""
    deepest = len(runs)
    alive = runs.sum(axis=0)
    last = np.take_along_axis(runs, (confirm - 1)[None, :, None], axis=0)[0]
    cleared = last * meets
    for r in range(deepest - 1, 0, -1):
        keep = (r < confirm)[:, None]
        runs[r] = np.where(keep, runs[r - 1] * meets, 0.0)
    runs[0] = alive * (1.0 - meets)
    return cleared


def _record(by_day: Array, day: Array, cleared: Array) -> None:
    """Add chances to the day they fall on; days past the horizon carry none."""
    targets, days = by_day.shape
    column = np.clip(day, 0, days - 1).astype(np.int64)
    flat = (np.arange(targets)[:, None] * days + column).ravel()
    by_day += np.bincount(flat, cleared.ravel(), minlength=targets * days).reshape(by_day.shape)


def _column(values: Array | float) -> Array:
    """(T, 1) or a scalar, ready to meet (T, P)."""
    return np.asarray(values, dtype=float)[..., None]
