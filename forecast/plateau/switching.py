"""Moving or stalled: a two-state model of progress, for likely paths and the chance of a stall.

While moving, the level follows a local trend; while stalled it stays where it is but for the
wiggle, and the gain is remembered. Filtering collapses the two states' mixtures at each session
(interacting multiple models: Blom & Bar-Shalom 1988, IEEE Trans. Autom. Control 33:780); paths
are drawn backwards from the filter (Kim 1994, J. Econometrics 60:1; Fruehwirth-Schnatter 1994,
J. Time Ser. Anal. 15:183).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize

from forecast.errors import FitError
from forecast.growth import BREAK_SD, CUT
from forecast.plateau.kernels import switch_along
from forecast.plateau.traces import Traces, as_copies
from forecast.types import Array, Flags, Ints

PRIOR_MEAN = np.log([0.01, 0.02, 0.02, 0.07])
PRIOR_SD = np.array([1.0, 1.0, 0.5, 0.3])
"""Of shift, wiggle, stop and resume, as logs (judgement). A stall once a year of training, that
lasts for a quarter: left freer, a few wild days pass for stalls that come and go by the week."""
BOUNDS = [
    tuple(np.log(pair)) for pair in ([0.0005, 0.06], [0.002, 0.25], [0.002, 1.0], [0.02, 1.5])
]
MOVING, STALLED = 0, 1
_TINY = 1e-300


@dataclass(frozen=True, slots=True)
class Switching:
    """Constants of the two-state model.

    ``shift`` is the sd of the gain's change after one week, ``wiggle`` that of the level beside it;
    ``stop`` and ``resume`` are the rates a week at which progress stops, and sets in again.
    """

    shift: float
    wiggle: float
    stop: float
    resume: float


@dataclass(frozen=True, slots=True)
class SwitchingState:
    """Opinion after each session.

    ``values`` (2, 5, N, R): by state, level, gain, level variance, covariance, gain variance;
    ``chance`` (2, N, R) of each state; ``log_density`` a number, all copies together.
    """

    values: Array
    chance: Array
    log_density: float


def _turn(model: Switching, weeks: Array) -> tuple[Array, Array]:
    """Chance to have stopped, and to have set in again, after some weeks."""
    return -np.expm1(-model.stop * weeks), -np.expm1(-model.resume * weeks)


def follow_switching(
    traces: Traces, level: Array, model: Switching, *, store: bool = True
) -> SwitchingState:
    """Filter both states over every spell and copy at once.

    ``level`` is (N,) or (N, R) as observed, of which the first of a spell is not looked at (it is
    in ``first``). The opinions are kept where ``store`` says so; the likelihood needs none.
    """
    seen = as_copies(level)
    rows = seen.shape if store else (0, seen.shape[1])
    values, chances = np.empty((2, 5, *rows)), np.empty((2, *rows))
    log_density = switch_along(
        (traces.start, traces.length, traces.first),
        (traces.rest, traces.excess, traces.var * traces.scatter**2),
        seen,
        (
            model.shift, model.wiggle, model.stop, model.resume,
            traces.detraining, BREAK_SD, CUT,
        ),
        values,
        chances,
    )  # fmt: skip
    return SwitchingState(values, chances, log_density)


def fit_switching(traces: Traces) -> Switching:
    """Fit the four constants by penalised marginal likelihood over all spells.

    Raises
    ------
    FitError
        The search did not end at finite values.
    """

    def cost(log_values: Array) -> float:
        model = Switching(*np.exp(log_values))
        penalty = 0.5 * np.sum(((log_values - PRIOR_MEAN) / PRIOR_SD) ** 2)
        state = follow_switching(traces, traces.level, model, store=False)
        return float(penalty - state.log_density)

    simplex = np.vstack([PRIOR_MEAN, PRIOR_MEAN + np.diag([0.6, 0.6, 0.8, 0.5])])
    found = minimize(
        cost, PRIOR_MEAN, method="Nelder-Mead", bounds=BOUNDS,
        options={"xatol": 0.05, "fatol": 0.3, "maxfev": 160, "initial_simplex": simplex},
    )  # fmt: skip
    if not np.isfinite(found.fun):
        raise FitError(
            "The moving-or-stalled model of the plateau watch could not be fitted: its likelihood "
            "is not finite. Look for impossible values in the log (log.warnings)."
        )
    return Switching(*(float(x) for x in np.exp(found.x)))


@dataclass(frozen=True, slots=True)
class Paths:
    """Drawn paths: ``level``, ``gain`` (N, R), and whether ``stalled`` (N, R)."""

    level: Array
    gain: Array
    stalled: Flags


def draw_paths(traces: Traces, model: Switching, copies: int, rng: np.random.Generator) -> Paths:
    """Draw paths that could have given the sessions seen, each spell backwards from its end."""
    state = follow_switching(traces, traces.level, model)
    shape = (traces.n_sessions, copies)
    level, gain, stalled = np.empty(shape), np.empty(shape), np.zeros(shape, dtype=bool)
    last = int(traces.length.max(initial=0)) - 1
    for number in range(last, -1, -1):
        n = int(np.searchsorted(-traces.length, -number, side="left"))
        going = int(np.searchsorted(-traces.length, -(number + 1), side="left"))
        at = traces.start[:n] + number
        size = (n, copies)
        opinions = [
            [np.broadcast_to(state.values[s, k][at], size).copy() for k in range(5)] for s in (0, 1)
        ]
        log_odds = [
            np.broadcast_to(np.log(np.maximum(state.chance[s][at], _TINY)), size).copy()
            for s in (0, 1)
        ]
        if going:
            ahead = traces.start[:going] + number + 1
            after = (level[ahead], gain[ahead], stalled[ahead])
            _look_back(traces, model, ahead, after, opinions, log_odds)
        rest = 1.0 / (1.0 + np.exp(np.clip(log_odds[0] - log_odds[1], -500.0, 500.0)))
        chosen = rng.random(size) < rest
        mean, slope, a, b, c = (np.where(chosen, y, x) for x, y in zip(*opinions, strict=True))
        a = np.maximum(a, 1e-14)
        one, two = rng.standard_normal((2, *size))
        level[at] = mean + np.sqrt(a) * one
        gain[at] = slope + b / np.sqrt(a) * one + np.sqrt(np.maximum(c - b * b / a, 0.0)) * two
        stalled[at] = chosen
    return Paths(level, gain, stalled)


def _look_back(
    traces: Traces, model: Switching, ahead: Ints, after: tuple, opinions: list, log_odds: list
) -> None:
    """Condition the opinions of the spells that go on, in place, on what was drawn after them."""
    level, gain, stalled = after
    n = len(ahead)
    t, excess = traces.rest[ahead][:, None], traces.excess[ahead][:, None]
    stop, resume = _turn(model, t)
    run = np.where(stalled, 0.0, t)
    noise = model.wiggle**2 * t + (BREAK_SD * excess) ** 2
    q00 = noise + model.shift**2 * run**3 / 3
    q01, q11 = model.shift**2 * run**2 / 2, model.shift**2 * t
    for state in (MOVING, STALLED):
        mean, slope, a, b, c = (x[:n] for x in opinions[state])
        turn = np.where(stalled, stop, 1 - stop) if state == MOVING else np.where(
            stalled, 1 - resume, resume
        )  # fmt: skip
        with_level, gain_with_level = a + run * b, b + run * c
        s00 = a + 2 * run * b + run**2 * c + q00
        s01, s11 = b + run * c + q01, c + q11
        det = np.maximum(s00 * s11 - s01**2, 1e-30)
        miss = level - (mean + run * slope - traces.detraining * excess)
        turned = gain - slope
        quadratic = (s11 * miss**2 - 2 * s01 * miss * turned + s00 * turned**2) / det
        log_odds[state][:n] += np.log(np.maximum(turn, _TINY)) - 0.5 * (np.log(det) + quadratic)
        j00, j01 = (with_level * s11 - b * s01) / det, (b * s00 - with_level * s01) / det
        j10, j11 = (gain_with_level * s11 - c * s01) / det, (c * s00 - gain_with_level * s01) / det
        new = (
            mean + j00 * miss + j01 * turned,
            slope + j10 * miss + j11 * turned,
            a - j00 * with_level - j01 * b,
            b - j00 * gain_with_level - j01 * c,
            c - j10 * gain_with_level - j11 * c,
        )
        for k, x in enumerate(new):
            opinions[state][k][:n] = x
