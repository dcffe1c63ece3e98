"""Clearing days path by path: draw the sessions to come and apply the literal pass rule.

The growth engine's own passage gives chances; a ladder needs days, for the next rung begins
where a path ended. Sessions, day's form, number of sets and motion are drawn as there.

Random numbers belong to (rung, step, path) and are shared by all athletes, so what is said of one
athlete does not depend on who else is asked about; paths that have cleared are dropped.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from scipy.special import ndtri

from forecast.growth import (
    Dynamics,
    GrowthConstants,
    Habits,
    Luck,
    PathLaws,
    Standing,
    Tables,
    climb_paths,
    draw_form,
    mirrored,
)
from forecast.types import Array, Flags, Ints

BLOCK = 32
"""Sessions whose random numbers are drawn at once."""


@dataclass(frozen=True, slots=True)
class PathConstants:
    """The engine's constants on each of P paths, shared out over D draws in equal blocks.

    ``by_path`` (P, 7): the fields of ``Dynamics``, slip and fatigue; ``day_sd`` and ``set_sd``
    (P, 4) by measure; ``day_down`` and ``day_up`` (P,) as in ``observation.Noise``; ``clocks``
    (D, 8) the numbers of each training clock, and ``owner`` (P,) which of them a path has.
    """

    by_path: Array
    day_sd: Array
    set_sd: Array
    day_down: Array
    day_up: Array
    clocks: Array
    owner: Ints

    @property
    def motion(self) -> Array:
        """(P, 5) the constants of the motion."""
        return self.by_path[:, :5]


def spread_constants(draws: list[GrowthConstants], paths: int) -> PathConstants:
    """Share P paths out over draws of the constants, in equal blocks."""
    owner = block_of(paths, len(draws))
    motion = [[getattr(c.dynamics, part.name) for part in fields(Dynamics)] for c in draws]
    noise = [c.noise for c in draws]
    return PathConstants(
        by_path=np.column_stack([motion, [[n.slip, n.fatigue] for n in noise]])[owner],
        day_sd=np.array([n.day_sd for n in noise])[owner],
        set_sd=np.array([n.set_sd for n in noise])[owner],
        day_down=np.array([n.day_down for n in noise])[owner],
        day_up=np.array([n.day_up for n in noise])[owner],
        clocks=np.array([c.clock.numbers for c in draws]),
        owner=owner,
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


def climb(
    starts: Starts,
    constants: PathConstants,
    *,
    most_days: int,
    seed: list[int],
    middle_only: bool = False,
) -> Climb:
    """Simulate T rungs on P paths until cleared; ``seed`` names this rung's random numbers.

    With ``middle_only`` the paths of a rung stop once the middle of its days is known: that stays
    the same to the day, and what lies later is an order, no time.
    """
    rng = np.random.default_rng(seed)
    rows, paths = starts.level.shape
    evenly = ndtri((np.arange(paths) + 0.5) / paths)
    careful = np.random.default_rng([seed[0], 12]).permutation(evenly)
    level, swing, pace = (np.array(a, order="C") for a in (starts.level, starts.swing, starts.pace))
    lost, day = (np.repeat(a[:, None], paths, axis=1) for a in (starts.lost, -starts.wait))
    run = np.repeat(starts.run[:, None, None].astype(float), paths, axis=1)
    standing = Standing(level, swing, pace, lost, day, run)
    # One entry is drawn for both tables of gaps, of which the usual one may be the finer.
    finer = starts.gaps.shape[1] // starts.first_gaps.shape[1]
    first_gaps = np.repeat(starts.first_gaps, finer, axis=1)
    if first_gaps.shape != starts.gaps.shape:
        raise ValueError(f"gap tables of shapes {first_gaps.shape} and {starts.gaps.shape}")
    tables = Tables(starts.gaps, first_gaps, starts.habits.sets)
    asked = np.stack([starts.measure, starts.confirm, ~starts.begun], axis=1).astype(np.int64)
    targets = (_by_target(starts), asked, starts.origin)
    laws = PathLaws(
        np.column_stack([constants.by_path, careful]), constants.day_sd, constants.set_sd,
        constants.clocks, constants.owner,
    )  # fmt: skip
    days, first = np.full((rows, paths), np.nan), np.zeros(rows)
    on, step = rows > 0, 0
    while on:
        luck = _luck(rng, starts, constants)
        on = climb_paths(step, most_days, standing, tables, targets, luck, laws, (days, first))
        if middle_only:
            settled = _middle_is_known(days, day)
            days[settled] = np.where(np.isnan(days[settled]), np.inf, days[settled])
            on = on and not settled.all()
        step += BLOCK
    short = np.maximum(starts.threshold[:, None] - level, 0.0)
    return Climb(np.where(np.isinf(days), most_days * (1.1 + short), days), level, first)


def _middle_is_known(days: Array, day: Array) -> Flags:
    """(T,) whether half the paths cleared, all before the ``day`` the others have come to."""
    going = np.isnan(days)
    upper = np.sort(np.where(going, np.inf, days), axis=1)[:, days.shape[1] // 2]
    return np.asarray(upper <= np.where(going, day, np.inf).min(axis=1)) & np.isfinite(upper)


def _by_target(starts: Starts) -> Array:
    """(T, 8) what ``climb_paths`` needs of each rung."""
    habits = starts.habits
    parts = (
        starts.threshold, starts.grace, starts.done, starts.scatter,
        habits.intercept, habits.slope, habits.spread, np.exp(starts.shift),
    )  # fmt: skip
    full = [np.broadcast_to(np.asarray(a, dtype=float), len(starts.threshold)) for a in parts]
    return np.stack(full, axis=1)


def _luck(rng: np.random.Generator, starts: Starts, constants: PathConstants) -> Luck:
    """Draw the luck of the next sessions of every path; neighbours mirror each other."""
    paths = starts.level.shape[1]
    half = (paths + 1) // 2
    table, luck, days, chance = rng.spawn(4)
    columns = table.integers(0, starts.gaps.shape[1], (half, BLOCK, 2)).repeat(2, axis=0)[:paths]
    columns[..., 1] %= starts.habits.sets.shape[1]
    normal = mirrored(luck.standard_normal((half, BLOCK, 2)))[:paths]
    form = draw_form(days, (BLOCK, paths), constants.day_down, constants.day_up)
    uniform = chance.random((half, BLOCK)).repeat(2, axis=0)[:paths]
    uniform[1::2] = 1.0 - uniform[1::2]
    return Luck(
        np.ascontiguousarray(columns.transpose(1, 2, 0)),
        np.ascontiguousarray(normal.transpose(1, 2, 0)),
        form,
        np.ascontiguousarray(uniform.T),
    )
