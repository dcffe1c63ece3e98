"""Forecasts averaged over draws of the constants, each weighted by how well it explains a spell.

A cohort's constants say how spells move on average; a single spell may be quicker or slower in
every respect: its pace, its swings, its wiggle. Each draw therefore also gives a spell a
**speed**, by which its training time runs, and takes out of the pace's spread what the speed puts
in, so that the opinion at the spell's first session keeps its mean and, nearly, its spread. What
the sessions then say weighs the draws: importance sampling, the draws as proposals (Robert &
Casella 2004, Monte Carlo Statistical Methods, sec. 3.3).
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from scipy.special import ndtri

from forecast.growth.athletes import priors_from_others
from forecast.growth.constants import GrowthConstants
from forecast.growth.draws import NODES, PATH_STREAM, SPEED_STREAM, constants_draws, stream
from forecast.growth.engine import GrowthModel, Tracked
from forecast.growth.filtering import forward_pass, lost_levels, stretches
from forecast.growth.habits import Habits
from forecast.growth.panel import take_spells
from forecast.growth.passage import Passage, Simulation, Targets, simulate_passage
from forecast.types import Array, Ints

SPEED_SD = 0.4
"""Log standard deviation of a spell's speed where the pace's own spread leaves room for it."""
SPEED_SHARE = 0.65
"""Largest share of the opinion's spread along its mean gain that the speed may stand for."""
LEAST_WEIGHT = 2e-3
"""Draws that explain a spell worse than this beside all others are left out of its forecast."""

PLAIN_DRAWS = 16
"""Draws where no session tells them apart: more would change nothing."""


@dataclass(frozen=True, slots=True)
class Member:
    """One draw of the constants with the states it sees: T targets.

    ``evidence`` (T,) log probability of each target's sessions so far.
    """

    constants: GrowthConstants
    mean: Array
    cov: Array
    lost: Array
    speed: Array
    evidence: Array


def average_passage(
    model: GrowthModel,
    tracked: Tracked,
    base: Targets,
    place: Ints,
    how: Simulation,
    *,
    finished_only: bool,
) -> Passage:
    """Simulate the coming sessions of T targets under many draws of the constants.

    States, clock, speed and losses of ``base`` are replaced draw by draw; ``place`` (T,) is the
    session (in the panel) at which each target stands. With ``finished_only``, only what was known
    when the target's spell began is used of the athlete's other spells.
    """
    which, owner = np.unique(tracked.panel.spell[place], return_inverse=True)
    # What the athlete's other spells say is read once, with the constants that the cohort's and
    # the rungs' effects were learnt with.
    mean, cov = priors_from_others(
        tracked.panel, model.fit.constants, model.fit.pooled, tracked.loose, which,
        finished_only=finished_only,
    )  # fmt: skip
    members = [
        _member(constants, tracked, place, which, owner, mean, *spell_speeds(mean, cov, quantile))
        for constants, quantile in zip(
            constants_draws(model.fit, how.draws, NODES),
            speed_quantiles(how.draws, NODES),
            strict=True,
        )
    ]
    weight = _weights(np.stack([m.evidence for m in members]))
    by_day = np.zeros((len(base), how.horizon_days + 1))
    next_session = np.zeros(len(base))
    for number, (member, share) in enumerate(zip(members, weight, strict=True)):
        keep = np.flatnonzero(share > 0)
        if not len(keep):
            continue
        passage = simulate_passage(
            take_targets(
                replace(
                    base,
                    mean=member.mean,
                    cov=member.cov,
                    clock=member.constants.clock,
                    speed=member.speed,
                    lost=member.lost,
                ),
                keep,
            ),
            member.constants.dynamics,
            member.constants.noise,
            horizon_days=how.horizon_days,
            paths=power_of_two(share[keep] * how.paths),
            rng=stream(how.seed, PATH_STREAM, number),
        )
        by_day[keep] += share[keep, None] * passage.by_day
        next_session[keep] += share[keep] * passage.next_session
    return Passage(np.minimum(by_day, 1.0), next_session)


def plain_average_passage(model: GrowthModel, base: Targets, how: Simulation) -> Passage:
    """Simulate targets without a session under a few of the draws, all of one weight.

    Parameters
    ----------
    model, base, how
        As for ``average_passage``.
    """
    draws = min(how.draws, PLAIN_DRAWS)
    passages = []
    quantiles = speed_quantiles(draws, NODES)
    for number, constants in enumerate(constants_draws(model.fit, draws, NODES)):
        speed, cov = spell_speeds(base.mean, base.cov, float(quantiles[number]))
        passages.append(
            simulate_passage(
                replace(base, cov=cov, speed=speed, clock=constants.clock),
                constants.dynamics,
                constants.noise,
                horizon_days=how.horizon_days,
                paths=power_of_two(how.paths // draws),
                rng=stream(how.seed, PATH_STREAM, number),
            )
        )
    return Passage(
        np.mean([p.by_day for p in passages], axis=0),
        np.mean([p.next_session for p in passages], axis=0),
    )


def power_of_two(paths: Array | float) -> Ints:
    """Return the nearest power of two from 2 on: balanced starting points come in powers of two."""
    return np.asarray(2 ** np.round(np.log2(np.maximum(paths, 2.0))), dtype=np.int64)


def speed_quantiles(count: int, seed: int) -> Array:
    """(count,) standard normal quantiles, evenly spread, in an order drawn by the seed."""
    even = ndtri((np.arange(count) + 0.5) / count)
    return np.asarray(stream(seed, SPEED_STREAM).permutation(even))


def spell_speeds(mean: Array, cov: Array, quantile: float) -> tuple[Array, Array]:
    """Give spells a speed at this (standard normal) quantile of its spread.

    ``mean`` (T, 3) and ``cov`` (T, 3, 3) are the opinion of (level, swing, pace) at the spells'
    first sessions. Returns the speeds (T,), log-normal with mean one, and the spread (T, 3, 3) left
    for an opinion whose swing and pace are per week of the spell's own time. With ``m`` the mean of
    swing and pace, ``cov + var(speed) m m'`` scaled back by the speed is the opinion's spread
    again.
    """
    gain = mean * np.array([0.0, 1.0, 1.0])
    along = np.einsum("ti,ti->t", gain, np.linalg.solve(cov, gain[:, :, None])[:, :, 0])
    variance = np.minimum(np.expm1(SPEED_SD**2), SPEED_SHARE / np.maximum(along, 1e-12))
    sd = np.sqrt(np.log1p(variance))
    rest = cov - variance[:, None, None] * gain[:, :, None] * gain[:, None, :]
    shrink = np.ones_like(mean)
    shrink[:, 1:] = 1.0 / np.sqrt(1.0 + variance)[:, None]
    rest = rest * shrink[:, :, None] * shrink[:, None, :]
    return np.exp(sd * quantile - 0.5 * sd**2), rest


def take_targets(targets: Targets, keep: Ints) -> Targets:
    """Return some of the targets."""
    n = len(targets)

    def part(value: object) -> object:
        return value[keep] if isinstance(value, np.ndarray) and value.shape[:1] == (n,) else value

    habits = targets.habits
    named = {f.name: part(getattr(habits, f.name)) for f in fields(Habits)}
    rows = {f.name: part(getattr(targets, f.name)) for f in fields(Targets) if f.name != "habits"}
    return Targets(habits=Habits(**named), **rows)  # type: ignore[arg-type]


def _member(
    constants: GrowthConstants,
    tracked: Tracked,
    place: Ints,
    which: Ints,
    owner: Ints,
    mean: Array,
    speed: Array,
    cov: Array,
) -> Member:
    """Filter the targets' spells under these constants and read off the states at ``place``.

    ``which`` (S,) the spells, ``owner`` (T,) each target's place among them; ``mean``, ``cov``
    and ``speed`` by spell.
    """
    own = take_spells(tracked.panel, which)
    between = stretches(own, constants.clock, constants.dynamics, speed)
    scatter = tracked.filtered.scatter[which]
    seen = forward_pass(own, between, constants.noise, mean, cov, scatter)
    at = own.start[owner] + tracked.panel.number[place]
    total = np.cumsum(seen.log_evidence)
    before = total[own.start[owner]] - seen.log_evidence[own.start[owner]]
    return Member(
        constants,
        seen.mean[at],
        seen.cov[at],
        lost_levels(own, constants.dynamics)[at],
        speed[owner],
        total[at] - before,
    )


def _weights(evidence: Array) -> Array:
    """(M, T) weights of the draws, summing to one over the draws; negligible ones are nothing."""
    weight = np.exp(evidence - evidence.max(axis=0))
    weight /= weight.sum(axis=0)
    weight[weight < LEAST_WEIGHT / len(weight)] = 0.0
    return np.asarray(weight / weight.sum(axis=0))
