"""First passage: simulate the coming sessions and apply the literal pass rule.

The level's path, the days of the sessions, the day's form and the number of sets are drawn; given
those, the chance that a session meets the criterion, and so the chance of each run of meeting
sessions, is computed and not drawn (Rao-Blackwellisation: Casella & Robert 1996, Biometrika
83:81), which takes most of the noise out of a few hundred paths.

Every target uses the same random numbers, so a forecast does not depend on who else is asked
about in the same call.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from scipy.special import ndtri
from scipy.stats import qmc

from forecast.growth.clock import Clock
from forecast.growth.dynamics import Dynamics
from forecast.growth.habits import Habits
from forecast.growth.kernels import Luck, Standing, Tables, walk_paths
from forecast.growth.observation import Noise
from forecast.growth.session import draw_form
from forecast.types import Array, Ints

PLAIN_CLOCK = Clock()
BLOCK = 32
"""Sessions whose random numbers are drawn at once."""


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
    shift
        (T,) by how far the log odds that a session meets are off, as its latest sessions say.
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
    shift: Array | float = 0.0
    speed: Array | float = 1.0

    def __len__(self) -> int:
        """Number of targets T."""
        return len(self.threshold)


@dataclass(frozen=True, slots=True)
class Simulation:
    """How to simulate: days to look ahead, paths a target, draws of the constants (even), seed.

    Paths are shared out over the draws by how well each explains a target's sessions.
    """

    horizon_days: int
    paths: int
    draws: int
    seed: int


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
    paths: int | Ints,
    rng: np.random.Generator,
) -> Passage:
    """Simulate the coming sessions of every target, looking at ``horizon_days`` D after the cut.

    ``paths`` is their number, for all or (T,) for each; powers of two keep the points balanced. All
    targets share the draws of ``rng``.
    """
    each = np.broadcast_to(np.asarray(paths, dtype=np.int64), len(targets))
    pairs = (int(each.max(initial=1)) + 1) // 2
    uniform = qmc.Sobol(4, rng=rng.spawn(1)[0]).random(pairs)
    points = mirrored(ndtri(np.clip(uniform, 1e-9, 1 - 1e-9)))
    paths = len(points)
    level, swing, pace = _starting_points(targets, points[:, :3])
    careful = np.ascontiguousarray(points[:, 3])
    day = np.repeat(-targets.wait[:, None].astype(float), paths, axis=1)
    lost = np.broadcast_to(_column(targets.lost), level.shape).copy()
    standing = Standing(level, swing, pace, lost, day, _starting_runs(targets, paths))
    motion = np.array([getattr(dynamics, f.name) for f in fields(Dynamics)])
    law = (targets.clock.numbers, motion, (noise.slip, noise.fatigue))
    by_day, next_session = np.zeros((len(targets), horizon_days + 1)), np.zeros(len(targets))
    gaps, first_gaps = (np.asarray(g, dtype=float) for g in (targets.gaps, targets.first_gaps))
    tables = Tables(gaps, first_gaps, targets.habits.sets)
    numbers = (_numbers(targets, noise), np.stack([targets.confirm, each], axis=1), careful)
    step, going = 0, len(targets) > 0
    while going:  # ends when every path has passed the horizon: gaps are one day at least
        # Path by path, so that a target's first paths are the same however many others have.
        table, luck, days = rng.spawn(3)
        columns = table.integers(0, gaps.shape[1], (pairs, BLOCK, 2)).repeat(2, axis=0)
        columns = columns.transpose(1, 2, 0).copy()
        columns[:, 1] %= targets.habits.sets.shape[1]
        normal = mirrored(luck.standard_normal((pairs, BLOCK, 2))).transpose(1, 2, 0).copy()
        form = draw_form(days, (paths, BLOCK), noise.day_down, noise.day_up).T.copy()
        going = walk_paths(
            step, targets.untried, standing, tables, numbers,
            Luck(columns, normal, form, form), law, (by_day, next_session),
        )  # fmt: skip
        step += BLOCK
    return Passage(np.minimum(np.cumsum(by_day, axis=1), 1.0), next_session)


def mirrored(normal: Array) -> Array:
    """Return each row (P, ...) of normal draws twice, the second with its sign turned, (2 P, ...).

    What one path owes to luck its neighbour pays back (antithetic variates: Hammersley & Morton
    1956, Proc. Camb. Phil. Soc. 52:449).
    """
    both = np.repeat(normal, 2, axis=0)
    both[1::2] *= -1.0
    return both


def _numbers(targets: Targets, noise: Noise) -> Array:
    """(T, 11) what ``kernels.walk_paths`` needs of each target."""
    scatter, wait = np.asarray(targets.scatter), targets.wait
    parts = (
        targets.threshold, noise.day_sd[targets.measure] * scatter,
        noise.set_sd[targets.measure] * scatter, targets.grace, targets.done,
        np.asarray(targets.last_day) + wait, targets.speed, targets.habits.intercept,
        targets.habits.slope, targets.habits.spread, np.exp(targets.shift),
    )  # fmt: skip
    full = [np.broadcast_to(np.asarray(a, dtype=float), len(targets)) for a in parts]
    return np.stack(full, axis=1)


def _starting_points(targets: Targets, z: Array) -> tuple[Array, Array, Array]:
    """(T, P) levels, swings and paces at normal points (P, 3), scrambled Sobol ones (Owen 1998)."""
    cov = targets.cov + 1e-12 * np.eye(3)
    root = np.linalg.cholesky(cov)
    draws = targets.mean.T[:, :, None] + np.einsum("tij,pj->itp", root, z)
    level, swing, pace = (np.ascontiguousarray(part) for part in draws)  # one type to compile
    return level, swing, pace


def _starting_runs(targets: Targets, paths: int) -> Array:
    """(T, P, C) chance of standing at each run length; all at the run just logged."""
    deepest = int(targets.confirm.max(initial=1))
    runs = np.zeros((len(targets), paths, deepest))
    runs[np.arange(len(targets)), :, np.minimum(targets.run, targets.confirm - 1)] = 1.0
    return runs


def _column(values: Array | float) -> Array:
    """(T, 1) or a scalar, ready to meet (T, P)."""
    return np.asarray(values, dtype=float)[..., None]
