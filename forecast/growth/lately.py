"""Gain lately: how the level changed over the last six weeks of training, and how sure that is.

The level around its latest days is a straight line that bends and wiggles as the log's levels do;
line and bends start from next to nothing (a gain of any size that was ever seen), so that what
comes out is measured and is not drawn toward the athlete's usual pace. Given the sessions as normal
observations the rise over the stretch is a weighted sum of them (best linear unbiased prediction:
Robinson 1991, Statist. Sci. 6:15), and its spread does not depend on what was seen.

Weeks are calendar weeks of training: a gap counts up to the spell's grace, and what lies beyond it
is a break. A break neither lengthens the stretch nor counts into the rise; the level may have
moved across it by an unknown step.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from forecast.growth.engine import GrowthModel, Tracked
from forecast.growth.filtering import match_sessions
from forecast.growth.kernels import LEAST_TOLD
from forecast.growth.panel import log_slope, to_log
from forecast.growth.passage import expected_to_meet
from forecast.types import Array, Flags, Ints

VAGUE_SD = 0.5
"""Spread of the opinion from which a session is read on its own, latent units (judgement)."""
SPAN = 6.0
"""Weeks over which the gain is measured."""
WINDOW = 10.0
"""Weeks of sessions looked at: those before the stretch say where it began."""
MOST_SESSIONS = 70
LEAST_SPAN = 1.0
"""A record shorter than this is measured as if it were so long, and comes out very wide."""
START_SD = 3.0
GAIN_SD = 0.10
"""Before any session: spread of the level, and of the gain a week around none (judgement)."""
BREAK_SD = 0.05
"""How far the level may have moved in each week of a break (judgement)."""
MOST_BEND = 0.03
OWN_SESSIONS = 8.0
"""The athlete's own scatter counts like the engine's after so many sessions (judgement)."""
CUT = 9.0
"""Squared surprises above this count as this: a wild day does not speak for the others."""
CHUNK = 1000


class Sessions(Protocol):
    """N sessions as normal observations of the level, spell after spell; all (N,)."""

    @property
    def number(self) -> Ints:
        """Place in the spell, 0 for the first."""

    @property
    def clock(self) -> Array:
        """Weeks of training since the spell's first session."""

    @property
    def excess(self) -> Array:
        """Weeks of break just before the session."""

    @property
    def level(self) -> Array:
        """Level observed, log(value / target)."""

    @property
    def var(self) -> Array:
        """Its variance, infinite where nothing was said."""

    @property
    def scatter(self) -> Array:
        """How widely the spell scatters beside what is expected, as seen so far."""


@dataclass(frozen=True, slots=True)
class Sites:
    """Sessions of a tracked log; fields as in ``Sessions``, levels as log(value / target).

    ``rest`` (N,) weeks of training since the session before. ``surprise`` (N,) is what was seen
    less what was expected, in standard deviations; 0 where nothing was said.
    """

    number: Ints
    clock: Array
    rest: Array
    excess: Array
    level: Array
    var: Array
    scatter: Array
    surprise: Array


@dataclass(frozen=True, slots=True)
class Motion:
    """``bend``: sd of the gain's change after one week; ``wiggle``: of the level, beside it."""

    bend: float
    wiggle: float


@dataclass(frozen=True, slots=True)
class Measure:
    """How gain and level at n sessions are read off the K latest sessions of each.

    ``source`` (n, K) which sessions; ``to_gain`` and ``to_level`` (n, K) their weights, 0 for those
    not looked at; ``sd`` (n,) of the gain.
    """

    source: Ints
    to_gain: Array
    to_level: Array
    sd: Array

    def gain(self, level: Array) -> Array:
        """Return the gain a week, (n,) or (n, R), from levels (N,) or (N, R)."""
        return np.asarray(np.einsum("nk,nk...->n...", self.to_gain, level[self.source]))

    def level(self, level: Array) -> Array:
        """Return the level at the session, (n,) or (n, R), from levels (N,) or (N, R)."""
        return np.asarray(np.einsum("nk,nk...->n...", self.to_level, level[self.source]))


def session_sites(model: GrowthModel, tracked: Tracked) -> Sites:
    """Return the sessions of a tracked log as normal observations on the log scale."""
    panel, filtered = tracked.panel, tracked.filtered
    # summed in half days, exactly: whether a session is still within the window may not hang on
    # how the sum was rounded, which other athletes' spells before it would decide
    total = np.cumsum(np.round(14.0 * panel.rest))
    site_mean, site_var = _plainly(model, tracked)
    level, slope = log_level(model, site_mean)
    target, _ = log_level(model, panel.threshold)
    said = np.isfinite(site_var) & (panel.number > 0)
    expected = filtered.before_var + np.where(said, site_var, 1.0)
    surprise = (site_mean - filtered.before_mean) / np.sqrt(expected)
    surprise = np.where(said, surprise, 0.0)
    scatter = own_scatter(panel.start, panel.length, surprise, said)
    return Sites(
        number=panel.number,
        clock=(total - total[panel.start][panel.spell]) / 14.0,
        rest=panel.rest,
        excess=panel.excess,
        level=level - target[panel.spell],
        var=site_var * slope**2,
        scatter=scatter,
        surprise=surprise,
    )


def _plainly(model: GrowthModel, tracked: Tracked) -> tuple[Array, Array]:
    """Mean and variance (N,) of each session as a normal observation, whatever was expected of it.

    The filter's own sites lean toward what it expected where a session was far from it; a measured
    gain is to owe nothing to that. So each session is matched from a vague opinion instead.
    """
    panel, before = tracked.panel, tracked.filtered.before_mean
    vague = np.full(panel.n_sessions, VAGUE_SD**2)
    every = np.arange(panel.n_sessions)
    match = match_sessions(
        panel, model.fit.constants.noise, every, before.copy(), vague, tracked.filtered.scatter
    )
    told = 1.0 / match.var - 1.0 / vague
    silent = told < LEAST_TOLD / vague
    told = np.where(silent, 1.0, told)
    mean = np.where(silent, before, (match.mean / match.var - before / vague) / told)
    return mean, np.where(silent, np.inf, 1.0 / told)


def log_level(model: GrowthModel, latent: Array) -> tuple[Array, Array]:
    """Return log(value / target) at latent positions, and its change for a step of one there."""
    return to_log(latent, model.linear), log_slope(latent, model.linear)


def own_scatter(start: Ints, length: Ints, surprise: Array, said: Flags) -> Array:
    """Return how widely each spell scatters beside what is expected, session by session, (N,).

    Root mean square of the surprises up to each session, cut at ``CUT`` and shrunk to 1.
    """
    square = np.cumsum(np.where(said, np.minimum(surprise**2, CUT), 0.0))
    count = np.cumsum(said.astype(float))
    first = np.repeat(start, length)
    before = np.where(first > 0, square[first - 1], 0.0), np.where(first > 0, count[first - 1], 0.0)
    mean = (OWN_SESSIONS + square - before[0]) / (OWN_SESSIONS + count - before[1])
    return np.asarray(np.sqrt(mean))


def motion_of(model: GrowthModel) -> Motion:
    """Return how levels bend and wiggle in the log the engine was fitted to."""
    dynamics = model.fit.constants.dynamics
    bend = dynamics.swing_sd * np.sqrt(2.0 * dynamics.alpha)
    return Motion(bend=float(min(bend, MOST_BEND)), wiggle=dynamics.wiggle_sd)


def measure_gain(sessions: Sessions, motion: Motion, at: Ints) -> Measure:
    """Return how the gain lately is read off the sessions up to each of ``at`` (n,); none after."""
    number, clock, breaks = sessions.number, sessions.clock, _broken(sessions)
    first = at - number[at]
    back = np.arange(MOST_SESSIONS)
    source = np.maximum(at[:, None] - back, first[:, None])
    inside = (back <= number[at][:, None]) & (clock[at][:, None] - clock[source] <= WINDOW)
    width = int(inside.sum(axis=1).max(initial=1))
    source, inside = source[:, :width], inside[:, :width]
    to_gain, to_level, sd = np.zeros(source.shape), np.zeros(source.shape), np.empty(len(at))
    for low in range(0, len(at), CHUNK):
        part = slice(low, low + CHUNK)
        now, then = at[part], source[part]
        ago = clock[now][:, None] - clock[then]
        used = inside[part] & np.isfinite(sessions.var[then])
        var = np.where(used, sessions.var[then], 1.0)
        step = breaks[now][:, None] - breaks[then]
        span = np.clip(np.where(inside[part], ago, 0.0).max(axis=1), LEAST_SPAN, SPAN)
        to_gain[part], to_level[part], sd[part] = _weigh(motion, ago, step, used, var, span)
    return Measure(source, to_gain, to_level, sd * sessions.scatter[at])


def _broken(sessions: Sessions) -> Array:
    """(N,) sum of the variances that breaks have added up to each session."""
    return np.asarray(np.cumsum((BREAK_SD * sessions.excess) ** 2))


def _weigh(
    motion: Motion, ago: Array, step: Array, used: Flags, var: Array, span: Array
) -> tuple[Array, Array, Array]:
    """Weights (n, K) for the mean gain over ``span`` weeks and for the level, and the gain's sd.

    Looking back from the last session, the level ``ago`` weeks before is
    ``level - gain * ago + bends(ago) + wiggles(ago) + steps at breaks``; the rise asked for is
    ``gain * span - bends(span) - wiggles(span)``.
    """
    one, two = ago[:, :, None], ago[:, None, :]
    cov = START_SD**2 + GAIN_SD**2 * one * two + _moved(motion, one, two)
    cov += np.minimum(step[:, :, None], step[:, None, :])
    cov *= used[:, :, None] & used[:, None, :]
    place = np.arange(ago.shape[1])
    cov[:, place, place] += var
    end = span[:, None]
    with_rise = np.where(used, -(GAIN_SD**2) * ago * end - _moved(motion, ago, end), 0.0)
    with_level = np.where(used, START_SD**2, 0.0)
    weight = np.linalg.solve(cov, np.stack([with_rise, with_level], axis=2))
    left = (GAIN_SD * span) ** 2 + _moved(motion, span, span)
    left = left - (weight[:, :, 0] * with_rise).sum(axis=1)
    return weight[:, :, 0] / end, weight[:, :, 1], np.sqrt(np.maximum(left, 1e-12)) / span


def _moved(motion: Motion, one: Array, two: Array) -> Array:
    """Covariance of bends and wiggles after some weeks and after others."""
    low, high = np.minimum(one, two), np.maximum(one, two)
    return np.asarray(motion.bend**2 * low**2 * (3.0 * high - low) / 6.0 + motion.wiggle**2 * low)


def chance_met(model: GrowthModel, tracked: Tracked, at: Ints) -> Array:
    """Return the chance that sessions ``at`` (n,) meet the criterion, as seen before each, (n,)."""
    return expected_to_meet(tracked.panel, model.fit.constants.noise, tracked.filtered)[at]


def gain_ahead(
    model: GrowthModel, mean: Array, done: Array, day: Array, rate: Array, weeks: float = 6.0
) -> Array:
    """Return the gain a calendar week that is expected over the coming weeks, (T,).

    ``mean`` (T, 3) is level, swing and pace at the cut, on day number ``day``, after ``done``
    sessions, at ``rate`` sessions a week lately.
    """
    constants = model.fit.constants
    dose = constants.clock.ahead(np.full(len(mean), weeks), done, day, rate)
    alpha = constants.dynamics.alpha
    later = mean[:, 0] + mean[:, 2] * dose + mean[:, 1] * -np.expm1(-alpha * dose) / alpha
    now, then = (log_level(model, latent)[0] for latent in (mean[:, 0], later))
    return np.asarray((then - now) / weeks)
