"""First passage: simulate the coming sessions and apply the literal pass rule.

What can be computed given the level's path is not drawn (docs/method/index.md); a ladder needs
days, for the next rung begins where a path ended: there (``simulate_days``) it is drawn whether a
session meets. All share the random numbers: a forecast does not depend on who else is asked about.
"""

from __future__ import annotations

from dataclasses import astuple, dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import expit, logit, ndtri
from scipy.stats import qmc
from sklearn.linear_model import LogisticRegression

from forecast.growth import judgement
from forecast.growth.evidence import Filtered, Noise
from forecast.growth.motion import (
    HIGHEST_CLEAN,
    LOWEST_CLEAN,
    PLAIN_CLOCK,
    Clock,
    Dynamics,
    Luck,
    PathLaws,
    Rungs,
    Standing,
    Tables,
    clocks_of,
    expected_meets,
    walk_paths,
)
from forecast.growth.panel import Panel
from forecast.types import Array, Flags, Ints


@dataclass(frozen=True, slots=True)
class CohortHabits:
    """Chance that a set can count: expit(intercept + slope * level); ``sets`` a session (table)."""

    intercept: float
    slope: float
    sets: Array


@dataclass(frozen=True, slots=True)
class Habits:
    """(T,) ``intercept`` with its ``spread``, common ``slope``, (T, K) ``sets``."""

    intercept: Array
    slope: float
    sets: Array
    spread: Array | float = 0.0


def clip_level(level: Array) -> Array:
    """Return the level as far as it tells of habits."""
    return np.clip(level, LOWEST_CLEAN, HIGHEST_CLEAN)


def cohort_habits(eligible: Array, n_sets: Array, level: Array) -> CohortHabits:
    """Learn the cohort's habits from sets that could have counted and all sets, by session (N,)."""
    levels = (np.arange(judgement.TABLE_SIZE) + 0.5) / judgement.TABLE_SIZE
    counts = np.minimum(n_sets if len(n_sets) else judgement.PRIOR_SETS, judgement.MAX_SETS)
    x = np.concatenate([clip_level(level), clip_level(level), [-0.5, -0.5]])[:, None]
    y = np.concatenate([np.ones(len(level)), np.zeros(len(level)), [1.0, 0.0]])
    # Two pseudo-sets, 3 to 1 for counting, keep a log without any unclean set finite.
    weight = np.concatenate([eligible, n_sets - eligible, [1.5, 0.5]])
    keep = weight > 0
    model = LogisticRegression(C=1.0).fit(x[keep], y[keep], sample_weight=weight[keep])
    return CohortHabits(
        float(model.intercept_[0]),
        float(model.coef_[0, 0]),
        np.round(np.quantile(counts, levels)),
    )


def latest_sessions(panel: Panel, last: Ints, count: int) -> tuple[Ints, Flags]:
    """Return the places of each target's latest sessions, (T, count), and which of them exist."""
    at = last[:, None] - np.arange(count)
    inside = at >= panel.start[panel.spell[last]][:, None]
    return np.where(inside, at, last[:, None]), inside


def logit_shift(hits: NDArray, trials: NDArray, base: Array, sd: float) -> tuple[Array, Array]:
    """Return the mode of a logistic intercept around ``base`` (T, L), and the curvature there."""
    shift = np.zeros(len(hits))
    for _ in range(12):  # Newton steps to the mode of a concave posterior
        p = expit(base + shift[:, None])
        curve = (trials * p * (1.0 - p)).sum(axis=1) + 1.0 / sd**2
        slope = (hits - trials * p).sum(axis=1) - shift / sd**2
        shift += np.clip(slope / curve, -2.0, 2.0)
    return shift, curve


def athlete_habits(panel: Panel, level: Array, last: Ints, cohort: CohortHabits) -> Habits:
    """Habits as of sessions ``last`` (T,), from the spell's latest ones, shrunk to the cohort."""
    at, inside = latest_sessions(panel, last, judgement.MEMORY_SESSIONS)
    base = cohort.intercept + cohort.slope * clip_level(level[at])
    good, total = panel.eligible[at] * inside, panel.n_sets[at] * inside
    shift, curve = logit_shift(good, total, base, judgement.INTERCEPT_SD)
    # Sets a session: the latest own counts, then the cohort's for n / (n + 3).
    counts = np.minimum(panel.n_sets[at], judgement.MAX_SETS).astype(float)
    n, column = inside.sum(axis=1), np.arange(judgement.TABLE_SIZE)
    mine = np.round(judgement.TABLE_SIZE * n / (n + 3.0)).astype(np.int64)
    own = np.take_along_axis(counts, column % n[:, None], axis=1)
    sets = np.where(column < mine[:, None], own, cohort.sets)
    return Habits(cohort.intercept + shift, cohort.slope, sets, 1.0 / np.sqrt(curve))


def untried_habits(count: int, cohort: CohortHabits) -> Habits:
    """Habits of targets without a single session: the cohort's."""
    return Habits(np.full(count, cohort.intercept), cohort.slope, np.tile(cohort.sets, (count, 1)))


def expected_to_meet(panel: Panel, noise: Noise, filtered: Filtered) -> Array:
    """Return the chance that each past session met its criterion, as seen before it, (N,)."""
    scatter, measure = filtered.scatter[panel.spell], panel.measure[panel.spell]
    day_sd = noise.day_sd[measure] * scatter * noise.day_spread
    return expected_meets(
        np.ascontiguousarray(filtered.before_mean), np.sqrt(filtered.before_var + day_sd**2),
        panel.threshold[panel.spell], noise.set_sd[measure] * scatter, noise.fatigue, noise.slip,
        panel.eligible,
    )  # fmt: skip


def meeting_shift(panel: Panel, noise: Noise, filtered: Filtered, last: Ints) -> Array:
    """(T,) by how far the log odds of meeting are off as of these sessions."""
    at, inside = latest_sessions(panel, last, judgement.LATEST)
    chance = np.clip(expected_to_meet(panel, noise, filtered)[at], 1e-6, 1.0 - 1e-6)
    return logit_shift(panel.met[at] * inside, inside, logit(chance), judgement.SHIFT_SD)[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class Coming:
    """T rungs with their sessions to come, each (T,) but the tables.

    ``threshold`` latent pass mark, ``measure``, ``grace`` weeks of ordinary rest; ``confirm``
    sessions in a row asked for, ``run`` just met; ``wait`` days from the last session to the cut;
    ``gaps``, ``first_gaps`` (T, G) days between sessions, and from the last one to the first to
    come; ``habits``; ``untried``: no session yet, the state is that of the first one, and the wait
    for it changes nothing; ``scatter`` of the athlete's sets, as a multiple of the cohort's noise;
    ``done`` sessions so far; ``origin`` (T,) or (T, P) day number of the cut; ``lost`` level lost
    to layoffs, which comes back with training; ``shift`` of the log odds that a session meets;
    ``speed`` of the spell's own training time.
    """

    threshold: Array
    measure: Ints
    grace: Array
    confirm: Ints
    run: Ints
    wait: Array
    gaps: Array
    first_gaps: Array
    habits: Habits
    untried: Flags | bool = False
    scatter: Array | float = 1.0
    done: Array | float = 0.0
    origin: Array | float = 0.0
    lost: Array | float = 0.0
    shift: Array | float = 0.0
    speed: Array | float = 1.0

    def __len__(self) -> int:
        """Number of rungs T."""
        return len(self.threshold)


@dataclass(frozen=True, slots=True, kw_only=True)
class Targets(Coming):
    """T forecasts to make: ``mean`` (T, 3), ``cov`` (T, 3, 3) on the day of the last session."""

    mean: Array
    cov: Array
    clock: Clock = PLAIN_CLOCK


@dataclass(frozen=True, slots=True)
class Simulation:
    """How to simulate: days to look ahead, paths a target, draws of the constants (even), seed."""

    horizon_days: int
    paths: int
    draws: int
    seed: int


@dataclass(frozen=True, slots=True)
class Passage:
    """(T, D + 1) chances of clearing by day, and (T,) that the next session meets."""

    by_day: Array
    next_session: Array


@dataclass(frozen=True, slots=True)
class Climb:
    """How T rungs went on P paths.

    ``days`` (T, P) from the cut (from the first session where untried) to clearing; past the days
    looked at an order, no time: the later the further its level ended below the mark. ``level`` (T,
    P) at the last session simulated; ``first`` (T,) chance that the next session meets.
    """

    days: Array
    level: Array
    first: Array


def simulate_passage(
    targets: Targets, dynamics: Dynamics, noise: Noise, *, horizon_days: int, paths: int | Ints,
    rng: np.random.Generator,
) -> Passage:  # fmt: skip
    """Simulate the coming sessions of every target; all share the draws of ``rng``."""
    each = np.broadcast_to(np.asarray(paths, dtype=np.int64), len(targets)).copy()
    pairs = (int(each.max(initial=1)) + 1) // 2
    # Scrambled Sobol points (Owen 1998).
    uniform = qmc.Sobol(4, rng=rng.spawn(1)[0]).random(pairs)
    points = mirrored(ndtri(np.clip(uniform, 1e-9, 1 - 1e-9)))
    root = np.linalg.cholesky(targets.cov + 1e-12 * np.eye(3))
    state = targets.mean.T[:, :, None] + np.einsum("tij,pj->itp", root, points[:, :3])
    runs = np.zeros((len(targets), len(points), int(targets.confirm.max(initial=1))))
    runs[np.arange(len(targets)), :, np.minimum(targets.run, targets.confirm - 1)] = 1.0
    standing, rungs = _standing(targets, state, runs), _rungs(targets, each)
    laws = path_laws([(targets.clock, dynamics, noise)], len(points), points[:, 3])
    by_day, first = np.zeros((len(targets), horizon_days + 1)), np.zeros(len(targets))
    tables = Tables(*(_floats(t) for t in (targets.gaps, targets.first_gaps, targets.habits.sets)))
    _walk(rng, horizon_days, standing, tables, rungs, laws, by_day, first)
    return Passage(np.minimum(np.cumsum(by_day, axis=1), 1.0), first)


def simulate_days(
    coming: Coming, state: Array, laws: PathLaws, *, most_days: int, seed: list[int]
) -> Climb:
    """Simulate T rungs on P paths until cleared, path by path from ``state`` (3, T, P).

    The days of an untried rung count from its first session. ``seed`` names this rung's random
    numbers: they belong to (rung, step, path) and are shared by all athletes.
    """
    rng = np.random.default_rng(seed)
    rows, paths = state.shape[1:]
    standing = _standing(coming, state, np.tile(coming.run[:, None, None] + 0.0, (1, paths, 1)))
    # One entry is drawn for both tables of gaps, of which the usual one may be the finer.
    finer = coming.gaps.shape[1] // coming.first_gaps.shape[1]
    untried = np.broadcast_to(coming.untried, rows)[:, None]
    first_gaps = np.where(untried, 0.0, np.repeat(coming.first_gaps, finer, axis=1))
    if first_gaps.shape != coming.gaps.shape:
        raise ValueError(f"gap tables of shapes {first_gaps.shape} and {coming.gaps.shape}")
    tables = Tables(*(_floats(t) for t in (coming.gaps, first_gaps, coming.habits.sets)))
    rungs, first = _rungs(coming, np.full(rows, paths)), np.zeros(rows)
    _walk(rng, most_days, standing, tables, rungs, laws, None, first)
    short = np.maximum(coming.threshold[:, None] - standing.level, 0.0)
    days = np.where(np.isinf(standing.ends), most_days * (1.1 + short), standing.ends)
    return Climb(days, standing.level, first)


def _walk(
    rng: np.random.Generator, most_days: int, standing: Standing, tables: Tables, rungs: Rungs,
    laws: PathLaws, by_day: Array | None, first: Array,
) -> None:  # fmt: skip
    """Walk the paths in place until all have ended: drawn where no chances by day are asked for."""
    step, going, drawn = 0, len(standing.level) > 0, by_day is None
    chances = np.zeros((0, 0)) if by_day is None else by_day
    while going:  # ends when every path has passed the last day: gaps are one day at least
        luck = _luck(rng, tables, laws, drawn=drawn)
        going = walk_paths(
            step, most_days, drawn, standing, tables, rungs, luck, laws, chances, first
        )
        step += judgement.BLOCK


def path_laws(
    draws: list[tuple[Clock, Dynamics, Noise]], paths: int, careful: Array | int
) -> PathLaws:
    """Share P paths out over draws of the engine's constants, in equal blocks."""
    if isinstance(careful, int):
        evenly = ndtri((np.arange(paths) + 0.5) / paths)
        careful = np.random.default_rng([careful, 12]).permutation(evenly)
    owner, noise = block_of(paths, len(draws)), [draw[2] for draw in draws]
    of_noise = ("day_sd", "set_sd", "slip", "fatigue", "day_down", "day_up")
    columns: list[Any] = [
        *np.array([astuple(draw[1]) for draw in draws])[owner].T.copy(),
        *(np.array([getattr(n, name) for n in noise], dtype=float)[owner] for name in of_noise),
    ]
    columns += [np.ascontiguousarray(careful), owner, clocks_of([draw[0] for draw in draws])]
    return PathLaws(*columns)


def block_of(paths: int, draws: int) -> Ints:
    """(P,) the draw that each path belongs to."""
    return np.asarray(np.arange(paths) * draws // paths, dtype=np.int64)


def mirrored(normal: Array) -> Array:
    """Return each row of normal draws and its mirror (antithetic: Hammersley & Morton 1956)."""
    both = np.repeat(normal, 2, axis=0)
    both[1::2] *= -1.0
    return both


def draw_form(
    rng: np.random.Generator, size: tuple[int, ...], down: Array | float, up: Array | float
) -> Array:
    """Draw days' forms in units of ``day_sd``, mean 0, tails of mean size ``down`` and ``up``."""
    normal, below, above = rng.spawn(3)  # of their own: a longer draw begins as a shorter one does
    rise = up * (above.standard_exponential(size) - 1.0)
    fall = down * (below.standard_exponential(size) - 1.0)
    return np.asarray(normal.standard_normal(size) + rise - fall)


def _luck(rng: np.random.Generator, tables: Tables, laws: PathLaws, *, drawn: bool) -> Luck:
    """Draw the luck of the next sessions, path by path; neighbours mirror each other."""
    paths = len(laws.owner)
    half = (paths + 1) // 2
    table, luck, days, *chance = rng.spawn(4 if drawn else 3)
    columns = table.integers(0, tables.gaps.shape[1], (half, judgement.BLOCK, 2)).repeat(2, axis=0)[
        :paths
    ]
    columns[..., 1] %= tables.sets.shape[1]
    normal = mirrored(luck.standard_normal((half, judgement.BLOCK, 2)))[:paths]
    if drawn:
        form = draw_form(days, (judgement.BLOCK, paths), laws.down, laws.up)
        uniform = chance[0].random((half, judgement.BLOCK)).repeat(2, axis=0)[:paths]
        uniform[1::2] = 1.0 - uniform[1::2]
    else:
        form = draw_form(days, (paths, judgement.BLOCK), laws.down[:, None], laws.up[:, None]).T
        uniform = np.empty((0, 0))
    columns, normal = columns.transpose(1, 2, 0).copy(), normal.transpose(1, 2, 0).copy()
    return Luck(columns, normal, _floats(form), _floats(uniform.T))


def _floats(values: Array) -> Array:
    """Return the values as the compiled loops take them, so that they are compiled once."""
    return np.ascontiguousarray(values, dtype=float)


def _standing(coming: Coming, state: Array, runs: Array) -> Standing:
    """Where the paths start: ``state`` (3, T, P) copied, ``runs`` (T, P, C)."""
    level, swing, pace = (np.array(part, order="C") for part in state)
    lost, day = (
        np.array(np.broadcast_to(np.asarray(a, dtype=float)[..., None], level.shape))
        for a in (coming.lost, -coming.wait)
    )
    return Standing(level, swing, pace, lost, day, np.full(level.shape, np.nan), _floats(runs))


def _rungs(coming: Coming, paths: Ints) -> Rungs:
    """Return what the path kernel needs of each rung."""
    rows, habits = len(coming), coming.habits

    def column(values: ArrayLike, kind: type = float) -> Any:
        return np.array(np.broadcast_to(np.asarray(values, dtype=kind), rows))

    origin = np.asarray(coming.origin, dtype=float)
    origin = origin if origin.ndim == 2 else column(origin)[:, None]
    return Rungs(
        column(coming.threshold), column(coming.grace), column(coming.done),
        column(coming.scatter), column(coming.speed), column(habits.intercept),
        column(habits.slope), column(habits.spread), np.exp(column(coming.shift)),
        column(coming.measure, np.int64), column(coming.confirm, np.int64),
        column(paths, np.int64), column(coming.untried, bool),
        np.array(np.broadcast_to(origin, (rows, int(paths.max(initial=1))))),
    )  # fmt: skip
