"""Clearing days path by path: draw the sessions to come and apply the literal pass rule.

The growth engine's own passage gives chances; a ladder needs days, for the next rung begins
where a path ended. Sessions, day's form, number of sets and motion are drawn as there.

Random numbers belong to (rung, step, path) and are shared by all athletes, so what is said of one
athlete does not depend on who else is asked about; paths that have cleared are dropped.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from scipy.special import expit, ndtri

from forecast.growth import (
    Clock,
    Dynamics,
    GrowthConstants,
    Habits,
    clip_level,
    decay_terms,
    draw_form,
    lost_after,
    meeting_chance,
    split_gap,
    transition_covariance,
)
from forecast.types import Array, Flags, Ints

_MOTION = tuple(part.name for part in fields(Dynamics))


@dataclass(frozen=True, slots=True)
class PathConstants:
    """The engine's constants on each of P paths, shared out over D draws in equal blocks.

    ``motion`` (P, 5): the fields of ``Dynamics``; ``day_sd`` and ``set_sd`` (P, 4) by measure;
    ``day_down``, ``day_up``, ``slip`` and ``fatigue`` (P,) as in ``observation.Noise``;
    ``clocks`` D training clocks and ``blocks`` (D,) the first path of each.
    """

    motion: Array
    day_sd: Array
    set_sd: Array
    day_down: Array
    day_up: Array
    slip: Array
    fatigue: Array
    clocks: tuple[Clock, ...]
    blocks: Ints

    def dynamics(self, path: Ints) -> Dynamics:
        """Constants of the motion on these paths, each an array of the shape of ``path``."""
        return Dynamics(**dict(zip(_MOTION, self.motion[path].T, strict=True)))

    def doses(self, path: Ints, rest: Array, done: Array, day: Array) -> Array:
        """Weeks of training of stretches on these paths (n,), which come in rising order."""
        ends = np.append(np.searchsorted(path, self.blocks[1:]), len(path))
        result = np.empty(len(path))
        begin = 0
        for clock, end in zip(self.clocks, ends, strict=True):
            if begin < end:
                part = slice(begin, end)
                result[part] = clock.dose(rest[part], done[part], day[part])
            begin = end
        return result


def spread_constants(draws: list[GrowthConstants], paths: int) -> PathConstants:
    """Share P paths out over draws of the constants, in equal blocks."""
    owner = block_of(paths, len(draws))
    motion = np.array([[getattr(c.dynamics, name) for name in _MOTION] for c in draws])
    return PathConstants(
        motion=motion[owner],
        day_sd=np.array([c.noise.day_sd for c in draws])[owner],
        set_sd=np.array([c.noise.set_sd for c in draws])[owner],
        **{
            name: np.array([getattr(c.noise, name) for c in draws])[owner]
            for name in ("day_down", "day_up", "slip", "fatigue")
        },
        clocks=tuple(c.clock for c in draws),
        blocks=np.searchsorted(owner, np.arange(len(draws))),
    )


def block_of(paths: int, draws: int) -> Ints:
    """(P,) the draw that each path belongs to."""
    return np.asarray(np.arange(paths) * draws // paths, dtype=np.int64)


@dataclass(frozen=True, slots=True)
class Starts:
    """T rungs to climb on P paths each.

    Attributes
    ----------
    level, swing, pace
        (T, P) state on the day of the last session, or of the first where not begun.
    begun
        (T,) whether the rung has sessions already.
    threshold, measure, grace, confirm, run, wait, lost, done, shift, scatter
        (T,) as in ``growth.passage.Targets``; nothing waited for, lost or done where not begun.
    origin
        (T, P) day number of the cut where begun, else of the first session.
    gaps, first_gaps
        (T, G) days between sessions, and from the last session to the next (where begun).
    habits
        Sets a session, and the share that can count; where that share is
        uncertain, each path has its own, the same on every rung.
    """

    level: Array
    swing: Array
    pace: Array
    threshold: Array
    measure: Ints
    grace: Array
    confirm: Ints
    run: Ints
    begun: Flags
    wait: Array
    lost: Array
    done: Array
    shift: Array
    origin: Array
    scatter: Array
    gaps: Array
    first_gaps: Array
    habits: Habits


@dataclass(frozen=True, slots=True)
class Climb:
    """How T rungs went on P paths.

    ``days`` (T, P) from the cut date (from the first session where not begun) to clearing. A path
    that did not clear within the days looked at stands past them, the later the further its level
    ended below the mark: an order, no time. ``level`` (T, P) at the last session simulated;
    ``first`` (T,) chance that the next session meets the criterion.
    """

    days: Array
    level: Array
    first: Array


@dataclass(slots=True)
class _Active:
    """The (row, path) pairs still climbing, in rising order of path, and where they stand."""

    row: Ints
    path: Ints
    level: Array
    swing: Array
    pace: Array
    day: Array
    lost: Array
    run: Ints

    def keep(self, on: Flags) -> None:
        """Drop the others."""
        for part in fields(self):
            setattr(self, part.name, getattr(self, part.name)[on])


def climb(starts: Starts, constants: PathConstants, *, most_days: int, seed: list[int]) -> Climb:
    """Simulate T rungs on P paths until cleared; ``seed`` names this rung's random numbers."""
    rng = np.random.default_rng(seed)
    rows, paths = starts.level.shape
    evenly = ndtri((np.arange(paths) + 0.5) / paths)
    careful = np.random.default_rng([seed[0], 12]).permutation(evenly)
    days, end = np.full((rows, paths), np.inf), starts.level.copy()
    first = np.zeros(rows)
    row = np.tile(np.arange(rows), paths)
    level, swing, pace = (a.T.ravel() for a in (starts.level, starts.swing, starts.pace))
    on = _Active(
        row, np.repeat(np.arange(paths), rows), level, swing, pace,
        -starts.wait[row], starts.lost[row], starts.run[row],
    )  # fmt: skip
    step = 0
    while len(on.row):
        _move(starts, constants, rng, on, step)
        chance = _chance(starts, constants, rng, on, careful)
        if step == 0:
            first = np.bincount(on.row, chance, minlength=rows) / paths
        on.run = np.where(rng.random(size=(paths,))[on.path] < chance, on.run + 1, 0)
        end[on.row, on.path] = on.level
        within = on.day <= most_days
        done = within & (on.run >= starts.confirm[on.row])
        days[on.row[done], on.path[done]] = on.day[done]
        on.keep(within & ~done)
        step += 1
    short = np.maximum(starts.threshold[:, None] - end, 0.0)
    return Climb(np.where(np.isinf(days), most_days * (1.1 + short), days), end, first)


def _move(
    starts: Starts, constants: PathConstants, rng: np.random.Generator, on: _Active, step: int
) -> None:
    """Go on to the next session: its day, and level and swing exactly, in place."""
    paths = starts.level.shape[1]
    table = starts.first_gaps if step == 0 else starts.gaps
    column = rng.integers(0, table.shape[1], size=(paths,))[on.path]
    z = rng.standard_normal((2, paths))[:, on.path]
    # A rung not begun stands at its first session.
    stays = ~starts.begun[on.row] & (step == 0)
    gap = np.where(stays, 0.0, table[on.row, column])
    on.day = on.day + gap
    rest, excess = split_gap(gap / 7.0, starts.grace[on.row])
    day = starts.origin[on.row, on.path] + on.day
    tau = constants.doses(on.path, rest, starts.done[on.row] + step, day)
    tau = np.where(stays, 0.0, tau)
    dynamics = constants.dynamics(on.path)
    decay, integral = decay_terms(dynamics.alpha, tau)
    level_var, cross, swing_var = transition_covariance(dynamics, tau)
    level_var = level_var + dynamics.wiggle_sd**2 * excess
    swing_sd = np.sqrt(swing_var)
    slope = cross / np.maximum(swing_sd, 1e-300)
    left = np.sqrt(np.maximum(level_var - slope**2, 0.0))
    before, on.lost = on.lost, lost_after(dynamics, on.lost, rest, excess)
    moved = on.level + on.pace * tau + on.swing * integral - (on.lost - before)
    on.level = moved + slope * z[0] + left * z[1]
    on.swing = decay * on.swing + swing_sd * z[0]


def _chance(
    starts: Starts,
    constants: PathConstants,
    rng: np.random.Generator,
    on: _Active,
    careful: Array,
) -> Array:
    """Chance that one of the session's sets is clean, unassisted and long enough."""
    row, path, paths = on.row, on.path, starts.level.shape[1]
    form = draw_form(rng, (paths,), constants.day_down, constants.day_up)[path]
    column = rng.integers(0, starts.habits.sets.shape[1], size=(paths,))[path]
    measure = starts.measure[row]
    day_sd = constants.day_sd[path, measure] * starts.scatter[row]
    habits = starts.habits
    spread = np.broadcast_to(habits.spread, len(starts.threshold))[row]
    habit = habits.intercept[row] + spread * careful[path]
    chance = meeting_chance(
        on.level + day_sd * form - starts.threshold[row],
        constants.set_sd[path, measure] * starts.scatter[row],
        constants.fatigue[path],
        (1.0 - constants.slip[path]) * expit(habit + habits.slope * clip_level(on.level)),
        habits.sets[row, column],
    )
    odds = np.exp(starts.shift[row])
    return np.asarray(chance * odds / (1.0 - chance + chance * odds))
