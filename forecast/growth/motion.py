"""How the level moves: training time, exact transitions, the step to a coming session, its chance.

State of a spell: ``level``, ``swing`` (the part of the gain that reverts to nothing) and ``pace``
(the part that stays); the equations, and where they come from, are in ``docs/method/index.md``.
The compiled loops of this file call nothing outside it but ``kernels.above``: numba's cache looks
at the date of one file.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numba import njit, vectorize

from forecast.growth.kernels import NODES, WEIGHTS, Stretches, above
from forecast.growth.panel import MAX_FATIGUE_STEPS, Panel
from forecast.types import WEEK, YEAR, Array, Flags, Ints

FADE_SESSIONS = 10.0
"""Sessions after which a fade of 1 has halved what a session brings."""
LEAST_SEASON = 0.05
TURN = 2.0 * np.pi / YEAR
LOWEST_CLEAN, HIGHEST_CLEAN = -2.0, 0.7
"""Levels beyond which a level tells no more of the share of sets that can count."""
FAR = 9.0
"""A mark so many deviations of a set above what the day allows is not met: 1 in 10^18."""
LEAST_LEFT = 1e-8
"""A path that has cleared but for this chance is walked no further."""


class Clock(NamedTuple):
    """Constants of the training clock, or arrays of several; the defaults are calendar weeks.

    ``practice`` (0 to 1) share of progress that comes by the session; ``session_weeks`` weeks that
    one session stands for; ``fade`` exponent; ``season_cos``, ``season_sin`` the yearly rhythm.
    """

    practice: Any = 0.0
    session_weeks: Any = 0.4
    fade: Any = 0.0
    season_cos: Any = 0.0
    season_sin: Any = 0.0

    def dose(self, rest: Array, done: Array, day: Array, sessions: Array | float = 1.0) -> Array:
        """Return weeks of training in ``rest`` weeks up to session ``done``, on ``day``."""
        habits = (self.practice, self.session_weeks, self.season_cos, self.season_sin)
        return np.asarray(fadings(done, self.fade) * unfaded_doses(rest, day, sessions, *habits))

    def ahead(self, weeks: Array, done: Array, day: Array, rate: Array) -> Array:
        """Return the training expected over calendar ``weeks`` from ``day`` on."""
        sessions = rate * weeks
        return self.dose(weeks, done + 0.5 * sessions, day + WEEK * weeks, sessions)


PLAIN_CLOCK = Clock()


@dataclass(frozen=True, slots=True)
class Dynamics:
    """Constants of the motion, in latent units and weeks.

    ``alpha`` rate at which the swing reverts; ``swing_sd`` its stationary deviation; ``wiggle_sd``
    of the level's Brownian part after a week; ``detraining`` level lost per week beyond the grace;
    ``regain`` rate per week of training at which lost level comes back: what was once there returns
    faster than it was built (common practice, no source).
    """

    alpha: float
    swing_sd: float
    wiggle_sd: float
    detraining: float
    regain: float = 0.0


class Tables(NamedTuple):
    """(T, G) days between sessions, and from the last to the next; (T, H) sets a session."""

    gaps: Array
    first_gaps: Array
    sets: Array


class Rungs(NamedTuple):
    """T rungs for the path kernel, each (T,) but ``origin`` (T, P), as in ``Coming``."""

    mark: Array
    grace: Array
    done: Array
    scatter: Array
    speed: Array
    intercept: Array
    slope: Array
    spread: Array
    odds: Array
    measure: Ints
    confirm: Ints
    paths: Ints
    untried: Flags
    origin: Array


class PathLaws(NamedTuple):
    """Constants on each of P paths; by measure (P, M); ``owner`` says which of the ``clocks``."""

    alpha: Array
    swing_sd: Array
    wiggle_sd: Array
    detraining: Array
    regain: Array
    day_sd: Array
    set_sd: Array
    slip: Array
    fatigue: Array
    down: Array
    up: Array
    careful: Array
    owner: Ints
    clocks: Clock


class Standing(NamedTuple):
    """Where T rungs stand on P paths, moved in place; ``ends`` is NaN while the path goes on."""

    level: Array
    swing: Array
    pace: Array
    lost: Array
    day: Array
    ends: Array
    runs: Array


class Luck(NamedTuple):
    """Draws of B sessions on P paths: table entries, motion, form in ``day_sd``, and chance."""

    columns: Ints
    normal: Array
    form: Array
    uniform: Array


def clocks_of(clocks: list[Clock]) -> Clock:
    """Return the clocks as the compiled loops take them."""
    return Clock(*np.array(clocks, dtype=float).T.copy())


@njit(cache=True, error_model="numpy")
def fading(done: float, fade: float) -> float:
    """Return what training counts after so many sessions, to that of the first."""
    return (1.0 + done / FADE_SESSIONS) ** -fade if fade > 0.0 else 1.0


@njit(cache=True, error_model="numpy")
def unfaded_dose(
    rest: float, day: float, sessions: float, practice: float, session_weeks: float,
    season_cos: float, season_sin: float,
) -> float:  # fmt: skip
    """Return the weeks of training in a stretch, were it among the first of the spell."""
    dose = (1.0 - practice) * rest + practice * session_weeks * sessions
    if season_cos != 0.0 or season_sin != 0.0:
        half = 0.5 * WEEK * rest * TURN
        middle = day * TURN - half
        wave = season_cos * math.cos(middle) + season_sin * math.sin(middle)
        # The mean of a cosine over a stretch around its middle.
        if half > 0.0:
            wave *= math.sin(half) / half
        dose *= max(1.0 + wave, LEAST_SEASON)
    return dose


@vectorize(cache=True)
def fadings(done, fade):  # type: ignore[no-untyped-def]
    """``fading`` of whole arrays."""
    return fading(done, fade)


@vectorize(cache=True)
def unfaded_doses(rest, day, sessions, practice, session_weeks, season_cos, season_sin):  # type: ignore[no-untyped-def]
    """``unfaded_dose`` of whole arrays."""
    return unfaded_dose(rest, day, sessions, practice, session_weeks, season_cos, season_sin)


@njit(cache=True, error_model="numpy")
def added_variances(
    alpha: float, swing_sd: float, wiggle_sd: float, tau: float
) -> tuple[float, float, float]:
    """Return the variances of level and swing and their covariance added over ``tau`` weeks."""
    variance, at = swing_sd * swing_sd, alpha * tau
    lost = math.expm1(-at)
    if at < 1e-2:  # the exact form loses all digits for small at: its series does not
        level = at**3 * (2.0 / 3.0 - at * (0.5 - at * (7.0 / 30.0)))
    else:  # 2 at - 3 + 4 exp(-at) - exp(-2 at)
        level = 2.0 * at + lost * (2.0 - lost)
    return (
        variance / (alpha * alpha) * level + wiggle_sd * wiggle_sd * tau,
        variance / alpha * lost * lost,
        -variance * lost * (2.0 + lost),
    )


@njit(cache=True, error_model="numpy")
def variances(alpha: float, swing_sd: float, wiggle_sd: float, tau: Array) -> Array:
    """(3, n) ``added_variances`` over ``tau`` (n,)."""
    out = np.empty((3, len(tau)))
    for i in range(len(tau)):
        out[0, i], out[1, i], out[2, i] = added_variances(alpha, swing_sd, wiggle_sd, tau[i])
    return out


def decay_terms(alpha: float, tau: Array) -> tuple[Array, Array]:
    """Return ``exp(-alpha tau)`` and its integral ``(1 - exp(-alpha tau)) / alpha``."""
    return np.exp(-alpha * tau), -np.expm1(-alpha * tau) / alpha


def transition_covariance(dynamics: Dynamics, tau: Array) -> tuple[Array, Array, Array]:
    """Return what is added over ``tau`` weeks to the level's variance, covariance, swing's."""
    weeks = np.ravel(np.asarray(tau, dtype=float))
    added = variances(dynamics.alpha, dynamics.swing_sd, dynamics.wiggle_sd, weeks)
    level, cross, swing = added.reshape(3, *np.shape(tau))
    return level, cross, swing


def lost_after(dynamics: Dynamics, lost: Array, rest: Array, excess: Array) -> Array:
    """Return the level lost to layoffs after weeks of rest, which bring it back, and beyond."""
    return np.asarray(lost * np.exp(-dynamics.regain * rest) + dynamics.detraining * excess)


def lost_levels(panel: Panel, dynamics: Dynamics) -> Array:
    """(N,) level lost to layoffs at each session: a fixed function of the dates."""
    return lost_along(
        panel.start, panel.length, panel.rest, panel.excess, dynamics.detraining, dynamics.regain
    )


@njit(cache=True, error_model="numpy")
def lost_along(
    start: Ints, length: Ints, rest: Array, excess: Array, detraining: float, regain: float
) -> Array:
    """(N,) level lost to layoffs at each session."""
    lost = np.zeros(len(rest))
    for s in range(len(start)):
        for n in range(start[s] + 1, start[s] + length[s]):
            lost[n] = lost[n - 1] * math.exp(-regain * rest[n]) + detraining * excess[n]
    return lost


def stretches(
    panel: Panel, clock: Clock, dynamics: Dynamics, speed: Array | float = 1.0
) -> Stretches:
    """Return what lies between each session and the one before it, at the spells' ``speed``."""
    dose = clock.dose(panel.rest, panel.number.astype(float), panel.day.astype(float))
    tau = np.where(panel.number > 0, dose, 0.0)
    tau = tau * np.broadcast_to(speed, panel.n_spells)[panel.spell]
    level_var, cross, swing_var = transition_covariance(dynamics, tau)
    lost = lost_levels(panel, dynamics)
    return Stretches(
        panel.start, panel.length, tau, *decay_terms(dynamics.alpha, tau),
        level_var + dynamics.wiggle_sd**2 * panel.excess, cross, swing_var,
        np.where(panel.number > 0, np.diff(lost, prepend=0.0), 0.0),
    )  # fmt: skip


def propagate(
    dynamics: Dynamics, mean: Array, cov: Array, tau: Array, excess: Array,
    loss: Array | None = None,
) -> tuple[Array, Array]:  # fmt: skip
    """Carry (n, 3) means and (n, 3, 3) covariances over training and excess weeks."""
    if loss is None:
        loss = dynamics.detraining * excess
    decay, integral = decay_terms(dynamics.alpha, tau)
    step = np.zeros((len(tau), 3, 3))
    step[:, 0, 0] = step[:, 2, 2] = 1.0
    step[:, 0, 1], step[:, 0, 2], step[:, 1, 1] = integral, tau, decay
    moved = np.einsum("nij,nj->ni", step, mean)
    moved[:, 0] -= loss
    spread = step @ cov @ step.transpose(0, 2, 1)
    level_var, cross, swing_var = transition_covariance(dynamics, tau)
    spread[:, 0, 0] += level_var + dynamics.wiggle_sd**2 * excess
    spread[:, 0, 1] += cross
    spread[:, 1, 0] += cross
    spread[:, 1, 1] += swing_var
    return moved, spread


# --- The law of a coming session: how the level gets there, and the chance that it meets. ---


@njit(cache=True, error_model="numpy")
def advance_one(
    level: float, swing: float, pace: float, tau: float, excess: float,
    motion: tuple[float, float, float], z: tuple[float, float],
) -> tuple[float, float]:  # fmt: skip
    """Carry level and swing over ``tau`` weeks of training and ``excess`` without, exactly."""
    alpha, swing_sd, wiggle_sd = motion
    level_var, cross, swing_var = added_variances(alpha, swing_sd, wiggle_sd, tau)
    level_var += wiggle_sd * wiggle_sd * excess
    sd = math.sqrt(swing_var)
    slope = cross / max(sd, 1e-300)
    left = math.sqrt(max(level_var - slope * slope, 0.0))
    lost = math.expm1(-alpha * tau)
    decay, integral = 1.0 + lost, -lost / alpha
    there = level + pace * tau + swing * integral + slope * z[0] + left * z[1]
    return there, decay * swing + sd * z[0]


@njit(cache=True, error_model="numpy")
def chance_to_meet(room: float, set_sd: float, fatigue: float, eligible: float, sets: int) -> float:
    """Return the chance that one of the sets is good enough, ``room`` above the mark."""
    missed = 1.0
    for k in range(sets):
        missed *= 1.0 - eligible * above(-(room + min(k, MAX_FATIGUE_STEPS) * fatigue) / set_sd)
    return 1.0 - missed


@njit(cache=True, error_model="numpy")
def chance_of_session(
    level: float, room: float, set_sd: float, noise: tuple[float, float],
    habit: tuple[float, float], sets: int, odds: float,
) -> float:  # fmt: skip
    """Return the chance that a coming session meets, by ``chance_to_meet``."""
    if room + MAX_FATIGUE_STEPS * max(noise[1], 0.0) < -FAR * set_sd:
        return 0.0
    clean = min(max(level, LOWEST_CLEAN), HIGHEST_CLEAN)
    eligible = (1.0 - noise[0]) / (1.0 + math.exp(-habit[0] - habit[1] * clean))
    meets = chance_to_meet(room, set_sd, noise[1], eligible, sets)
    return meets * odds / (1.0 - meets + meets * odds)


@njit(cache=True, error_model="numpy")
def expected_meets(
    mean: Array, sd: Array, mark: Array, set_sd: Array, fatigue: float, slip: float, sets: Array
) -> Array:
    """(N,) chance that each past session meets; ``sd`` is of the day's ability."""
    out = np.zeros(len(mean))
    for n in range(len(mean)):
        for j in range(len(NODES)):
            room = mean[n] + sd[n] * NODES[j] - mark[n]
            chance = chance_to_meet(room, set_sd[n], fatigue, 1.0 - slip, int(sets[n]))
            out[n] += WEIGHTS[j] * chance
    return out


@njit(cache=True, error_model="numpy")
def walk_paths(
    step: int, most_days: int, drawn: bool, standing: Standing, tables: Tables, rungs: Rungs,
    luck: Luck, laws: PathLaws, by_day: Array, first: Array,
) -> bool:  # fmt: skip
    """Walk T rungs on up to P paths, B sessions from ``step`` on; True while any goes on.

    Where ``drawn``, a session meets or not; else the chance of each run length goes on, and chances
    of clearing are added to ``by_day`` (T, D + 1). ``first`` (T,) takes that of the first session.
    """
    level, swing, pace, lost, day, ends, runs = standing
    clocks, going = laws.clocks, False
    faded = np.empty((len(clocks.fade), len(luck.form)))
    for t in range(len(level)):
        confirm, measure, paths = rungs.confirm[t], rungs.measure[t], rungs.paths[t]
        for d in range(len(faded)):
            for b in range(len(luck.form)):
                faded[d, b] = rungs.speed[t] * fading(rungs.done[t] + step + b, clocks.fade[d])
        for p in range(paths):
            if not math.isnan(ends[t, p]):
                continue
            habit = (rungs.intercept[t] + rungs.spread[t] * laws.careful[p], rungs.slope[t])
            noise = (laws.slip[p], laws.fatigue[p])
            motion = (laws.alpha[p], laws.swing_sd[p], laws.wiggle_sd[p])
            day_sd = laws.day_sd[p, measure] * rungs.scatter[t]
            set_sd = laws.set_sd[p, measure] * rungs.scatter[t]
            own = laws.owner[p]
            for b in range(len(luck.form)):
                now = step + b
                table = tables.first_gaps if now == 0 else tables.gaps
                gap = table[t, luck.columns[b, 0, p]]
                day[t, p] += gap
                if now > 0 or not rungs.untried[t]:
                    rest = min(gap / WEEK, rungs.grace[t])
                    excess = gap / WEEK - rest
                    at = rungs.origin[t, p] + day[t, p]
                    tau = faded[own, b] * unfaded_dose(
                        rest, at, 1.0, clocks.practice[own], clocks.session_weeks[own],
                        clocks.season_cos[own], clocks.season_sin[own],
                    )  # fmt: skip
                    then = lost[t, p] * math.exp(-laws.regain[p] * rest)
                    then += laws.detraining[p] * excess
                    level[t, p], swing[t, p] = advance_one(
                        level[t, p], swing[t, p], pace[t, p], tau, excess, motion,
                        (luck.normal[b, 0, p], luck.normal[b, 1, p]),
                    )  # fmt: skip
                    level[t, p] -= then - lost[t, p]
                    lost[t, p] = then
                past = not day[t, p] <= most_days
                if past:
                    ends[t, p] = np.inf
                    if now > 0:
                        break
                room = level[t, p] + day_sd * luck.form[b, p] - rungs.mark[t]
                sets = int(tables.sets[t, luck.columns[b, 1, p]])
                meets = chance_of_session(
                    level[t, p], room, set_sd, noise, habit, sets, rungs.odds[t]
                )
                if now == 0:
                    first[t] += meets / paths
                    if past:
                        break
                if drawn:
                    runs[t, p, 0] = runs[t, p, 0] + 1.0 if luck.uniform[b, p] < meets else 0.0
                    if runs[t, p, 0] >= confirm:
                        ends[t, p] = day[t, p]
                        break
                    continue
                alive = 0.0
                for r in range(confirm):
                    alive += runs[t, p, r]
                cleared = runs[t, p, confirm - 1] * meets
                for r in range(confirm - 1, 0, -1):
                    runs[t, p, r] = runs[t, p, r - 1] * meets
                runs[t, p, 0] = alive * (1.0 - meets)
                by_day[t, max(int(day[t, p]), 0)] += cleared / paths
                if alive - cleared < LEAST_LEFT:  # what is left of this path changes nothing
                    ends[t, p] = np.inf
                    break
            if math.isnan(ends[t, p]):
                going = True
    return going
