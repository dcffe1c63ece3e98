"""Compiled inner loops of the growth engine: one session's likelihood, one spell's filter.

numba compiles each function on first use and keeps the result beside this file. All of them stand
in one file because the cache looks at one file's date alone.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from scipy.special import erfcx

from forecast.types import Array, Ints

_ROOT_2 = math.sqrt(2.0)
_ROOT_2PI = math.sqrt(2.0 * math.pi)
_LOG_ROOT_2PI = math.log(_ROOT_2PI)
_TINY = 1e-250

_NODES, _weights = np.polynomial.hermite_e.hermegauss(11)
_WEIGHTS = _weights / _ROOT_2PI
_LOG_WEIGHTS = np.log(_weights / _ROOT_2PI) + 0.5 * _NODES**2

MOST_LOOKS = 12
"""Quadrature is centred anew at most this often; two looks suffice as a rule."""
OUTLIER = 3.0
"""A session counts as an observation at most this many of its own standard deviations away."""
LEAST_TOLD = 1e-3
"""Share of the opinion's precision that a session must add to count as an observation."""
LEAST_VAR = 1e-12
LOWEST_CLEAN, HIGHEST_CLEAN = -2.0, 0.7
"""Levels beyond which a level tells no more of the share of sets that can count."""
FAR = 9.0
"""A mark so many deviations of a set above what the day allows is not met: 1 in 10^18."""
LEAST_LEFT = 1e-8
"""A path that has cleared but for this chance is walked no further."""
MAX_FATIGUE_STEPS = 4
"""Sets after which a session's next set is no more tired."""


class Stretches(NamedTuple):
    """S spells, and what lies between each of their N sessions and the one before it.

    ``start`` and ``length`` (S,); ``motion`` (N, 6) and ``loss`` (N,) as by ``motion_along``.
    """

    start: Ints
    length: Ints
    motion: Array
    loss: Array


class Sets(NamedTuple):
    """Sets of N sessions, K places each, of which the first ``n_sets`` (N,) are taken.

    Each lay between ``lower`` and ``ceiling``, less its ``offset``, all (N, K).
    """

    lower: Array
    ceiling: Array
    offset: Array
    n_sets: Ints


class Errors(NamedTuple):
    """How records scatter: ``day_sd`` and ``set_sd`` by session or spell, the rest for all."""

    day_sd: Array
    set_sd: Array
    down: float
    up: float
    knee: float


class Records(NamedTuple):
    """What the evidence of constants needs of N sessions beside ``Sets``.

    ``upper`` and ``slip_mass`` (N, K), ``flags`` (3, N, K) fatigue, unclean and assisted,
    ``measure`` (N,).
    """

    upper: Array
    slip_mass: Array
    flags: Array
    measure: Ints


class Tables(NamedTuple):
    """(T, G) days between sessions, and from the last to the next; (T, H) sets a session."""

    gaps: Array
    first_gaps: Array
    sets: Array


class Standing(NamedTuple):
    """Where T targets stand on P paths, all (T, P), moved in place.

    ``runs`` (T, P, C) holds the chance of standing at each run length, or (T, P, 1) the run.
    """

    level: Array
    swing: Array
    pace: Array
    lost: Array
    day: Array
    runs: Array


class Luck(NamedTuple):
    """Draws of B sessions on P paths.

    ``columns`` (B, 2, P) entries of the gap and set tables, ``normal`` (B, 2, P) for the motion,
    ``form`` (B, P) the day's form in ``day_sd``, and ``uniform`` (B, P): a session meets where its
    chance is above.
    """

    columns: Ints
    normal: Array
    form: Array
    uniform: Array


class PathLaws(NamedTuple):
    """Constants path by path.

    ``by_path`` (P, 8): alpha, swing_sd, wiggle_sd, detraining, regain, slip, fatigue, and the
    path's habit in its spread. ``day_sd, set_sd`` (P, M) by measure; ``clocks`` (D, 8), and
    ``owner`` (P,) which of them a path has.
    """

    by_path: Array
    day_sd: Array
    set_sd: Array
    clocks: Array
    owner: Ints


TABLE_END, TABLE_STEPS = 40.0, 32
"""The table of Mills' ratio goes from 0 to here, in so many cells a unit: where it ends, a normal's
tail is nothing."""


def _ratio_table() -> Array:
    """Coefficients (cells, 6) of quintic pieces through Mills' ratio and its two derivatives.

    Between knots 1/32 apart they are off by less than 1e-12 of the value.
    """
    knots = np.arange(int(TABLE_END) * TABLE_STEPS + 1) / TABLE_STEPS
    ratio = erfcx(knots / _ROOT_2) * _ROOT_2PI / 2.0
    slope = knots * ratio - 1.0
    bend = ratio + knots * slope
    slope, bend = slope / TABLE_STEPS, bend / (2.0 * TABLE_STEPS**2)
    rise = np.diff(ratio)
    s0, s1, b0, b1 = slope[:-1], slope[1:], bend[:-1], bend[1:]
    return np.ascontiguousarray(
        np.stack(
            [
                ratio[:-1],
                s0,
                b0,
                10.0 * rise - 6.0 * s0 - 4.0 * s1 - 3.0 * b0 + b1,
                -15.0 * rise + 8.0 * s0 + 7.0 * s1 + 3.0 * b0 - 2.0 * b1,
                6.0 * rise - 3.0 * (s0 + s1) - b0 + b1,
            ],
            axis=1,
        )
    )


_RATIO = _ratio_table()


def flattened(*values: Array | float) -> tuple[tuple[int, ...], list[Array]]:
    """Return the common shape of the values, and each as a flat array of that size."""
    parts = np.broadcast_arrays(*(np.asarray(value, dtype=float) for value in values))
    return parts[0].shape, [np.array(part, dtype=float).ravel() for part in parts]


@njit(cache=True, error_model="numpy")
def _far_past(w: float) -> float:
    """Return how far the mean of a normal above ``w`` lies past it: Laplace's continued fraction.

    So few terms do where the table has ended.
    """
    return 1.0 / (w + 2.0 / (w + 3.0 / w))


@njit(cache=True, error_model="numpy")
def _upper_ratio(w: float) -> float:
    """Return Mills' ratio for ``w`` of 0 or more: from a table, which costs a tenth of ``erfc``."""
    if w < TABLE_END:
        place = w * TABLE_STEPS
        cell = int(place)
        t, c = place - cell, _RATIO[cell]
        return c[0] + t * (c[1] + t * (c[2] + t * (c[3] + t * (c[4] + t * c[5]))))
    return 1.0 / (w + _far_past(w))


@njit(cache=True, error_model="numpy")
def mills(w: float) -> float:
    """Return P(Z > w) / density(w) of a standard normal; needs ``w`` above about -37."""
    ratio = _upper_ratio(abs(w))
    return ratio if w >= 0.0 else _ROOT_2PI * math.exp(0.5 * w * w) - ratio


@njit(cache=True, error_model="numpy")
def mills_and_more(w: float) -> tuple[float, float]:
    """Return Mills' ratio, and how far the mean of a standard normal above ``w`` lies past it."""
    if w >= TABLE_END:  # 1 / ratio - w would lose all digits
        past = _far_past(w)
        return 1.0 / (w + past), past
    ratio = mills(w)
    return ratio, 1.0 / ratio - w


@njit(cache=True, error_model="numpy")
def above_and_bell(z: float) -> tuple[float, float]:
    """Return P(Z > z) of a standard normal, and exp(-z**2 / 2)."""
    bell = math.exp(-0.5 * z * z)
    tail = _upper_ratio(abs(z)) * bell / _ROOT_2PI
    return (1.0 - tail if z < 0.0 else tail), bell


@njit(cache=True, error_model="numpy")
def above(z: float) -> float:
    """Return P(Z > z) of a standard normal."""
    return above_and_bell(z)[0]


@njit(cache=True, error_model="numpy")
def between(low: float, high: float) -> float:
    """Return P(low < Z <= high), accurate in both tails."""
    if low > 0.0:
        return above(low) - above(high)
    return above(-high) - above(-low)


@njit(cache=True, error_model="numpy")
def knee_share(knee: float) -> float:
    """Return the factor that makes a set's noise with this knee a density."""
    return 1.0 / (math.exp(-0.5 * knee * knee) / knee + _ROOT_2PI * above(-knee))


@njit(cache=True, error_model="numpy")
def robust_below(z: float, knee: float, share: float) -> float:
    """Return P(E <= z) of a set's noise: standard normal, exponential from ``-knee`` down."""
    if z <= -knee:
        return share * math.exp(knee * z + 0.5 * knee * knee) / knee
    return 1.0 - share * _ROOT_2PI * above(z)


@njit(cache=True, error_model="numpy")
def log_between(low: float, high: float, knee: float, share: float) -> float:
    """Return log P(low < E <= high) of a set's noise, finite however far off the interval lies."""
    if low > 0.0:
        chance = share * _ROOT_2PI * (above(low) - above(high))
    elif low == -np.inf:
        chance = robust_below(high, knee, share)
    else:
        chance = robust_below(high, knee, share) - robust_below(low, knee, share)
    if chance > _TINY:
        return math.log(chance)
    if low > 0.0:  # the normal tail, far above
        more = math.exp(-0.5 * (high - low) * (high + low)) if high < np.inf else 0.0
        left = math.log(mills(low)) if low < 1e150 else -math.log(low)
        value = -0.5 * low * low + math.log(share) + left
    else:  # the exponential one, far below
        more = math.exp(knee * (low - high)) if low > -np.inf else 0.0
        value = knee * high + 0.5 * knee * knee + math.log(share / knee)
    return value + math.log1p(-min(more, 1.0 - 1e-12))


@njit(cache=True, error_model="numpy")
def match_one(
    mean: float, var: float, n: int, sets: Sets, day_sd: float, set_sd: float, errors: Errors
) -> tuple[float, float, float, float, float, float]:
    """Match one session.

    Returns log evidence, mean and variance of the level after, variance of the day's ability
    after, and centre and scale of the quadrature that gave them.

    The day's ability is ``b + U - D``, centred: ``b`` normal around the level, ``U`` and ``D``
    exponential with means ``up`` and ``down`` times ``day_sd`` (Reed & Jorgensen 2004, Commun.
    Stat. Theory Methods 33:1733). Given the ability, ``b`` has two truncated normal parts, so the
    level is integrated exactly and only the ability by quadrature. ``n`` is the session's place;
    of ``errors`` only what all share is read.
    """
    down, up, knee = errors.down, errors.up, errors.knee
    lower, ceiling = sets.lower[n], sets.ceiling[n]
    offset, n_sets = sets.offset[n], sets.n_sets[n]
    total = var + day_sd * day_sd
    root, share = math.sqrt(total), knee_share(knee)
    rise, fall = up * day_sd, down * day_sd
    a_rate, b_rate, log_both = root / rise, root / fall, math.log(rise + fall)
    spread = total + rise * rise + fall * fall
    precision, pull = 1.0 / spread, 0.0
    for k in range(n_sets):  # where to look first: near the record, by as much as it can tell
        low, high = lower[k] - offset[k], ceiling[k] - offset[k]
        near, loose = min(max(mean, low), high), 0.25 * spread
        if low > -np.inf and high < np.inf:
            near, loose = 0.5 * (low + high), (high - low) ** 2 / 12.0
        if near != mean:
            told = 1.0 / (set_sd * set_sd + loose)
            precision += told
            pull += told * (near - mean)
    centre, scale = mean + pull / precision, 1.2 / math.sqrt(precision)
    log_z, first, second, post = 0.0, 0.0, 0.0, 0.0
    terms = np.empty(len(_NODES))
    firsts = np.empty(len(_NODES))
    seconds = np.empty(len(_NODES))
    for look in range(MOST_LOOKS):
        top = -np.inf
        for j in range(len(_NODES)):
            ability = centre + scale * _NODES[j]
            t = (ability - mean + rise - fall) / root
            w_up, w_down = a_rate - t, b_rate + t
            value, weight, up_more, down_more = tilted_pair(t, w_up, w_down)
            firsts[j] = t - weight * up_more + (1.0 - weight) * down_more
            seconds[j] = (
                t * t
                + weight * (1.0 - (w_up + 2.0 * t) * up_more)
                + (1.0 - weight) * (1.0 - (w_down - 2.0 * t) * down_more)
            )
            value -= log_both
            for k in range(n_sets):
                at = ability + offset[k]
                low, high = (lower[k] - at) / set_sd, (ceiling[k] - at) / set_sd
                value += log_between(low, high, knee, share)
            terms[j] = value + _LOG_WEIGHTS[j]
            top = max(top, terms[j])
        mass, first, second, ability_mean, ability_square = 0.0, 0.0, 0.0, 0.0, 0.0
        for j in range(len(_NODES)):
            part = math.exp(terms[j] - top)
            mass += part
            first += part * firsts[j]
            second += part * seconds[j]
            ability_mean += part * _NODES[j]
            ability_square += part * _NODES[j] * _NODES[j]
        first, second = first / mass, second / mass
        ability_mean /= mass
        around = ability_square / mass - ability_mean * ability_mean
        log_z = top + math.log(mass) + math.log(scale * _ROOT_2PI)
        post = scale * scale * max(around, 1e-3)
        if abs(ability_mean) < 0.2 and 0.6 < around < 1.3:
            break
        if look == MOST_LOOKS - 1:
            break
        centre += scale * ability_mean
        scale = math.sqrt(post) if around < 2.5 else 2.0 * scale
    slope = var / root
    after = mean + slope * first
    left = var * day_sd * day_sd / total + slope * slope * max(second - first * first, 0.0)
    after_var = min(max(left, LEAST_VAR), var)
    return log_z, after, after_var, post, centre, scale


@njit(cache=True, error_model="numpy")
def tilted_pair(t: float, w_up: float, w_down: float) -> tuple[float, float, float, float]:
    """Return the log of tilted(t, w_up) + tilted(t, w_down), and the first one's share of it.

    tilted(t, w) = density(t) * mills(w), that is exp((w**2 - t**2) / 2) * P(Z > w). Then follows,
    for both, how far the mean of a normal above ``w`` lies past it.
    """
    if w_up > -30.0 and w_down > -30.0:
        (up, up_more), (down, down_more) = mills_and_more(w_up), mills_and_more(w_down)
        both = up + down
        value = math.log(both) - 0.5 * t * t - _LOG_ROOT_2PI
        return value, up / both, up_more, down_more
    up_log, up_more = _log_tilted(t, w_up)
    down_log, down_more = _log_tilted(t, w_down)
    most = max(up_log, down_log)
    up, down = math.exp(up_log - most), math.exp(down_log - most)
    return most + math.log(up + down), up / (up + down), up_more, down_more


@njit(cache=True, error_model="numpy")
def _log_tilted(t: float, w: float) -> tuple[float, float]:
    """Return log of tilted(t, w), and how far the mean of a normal above ``w`` lies past it."""
    if w > -30.0:
        ratio, more = mills_and_more(w)
        return math.log(ratio) - 0.5 * t * t - _LOG_ROOT_2PI, more
    return 0.5 * (w - t) * (w + t), -w


@njit(cache=True, error_model="numpy")
def as_site(before: float, var: float, mean: float, after_var: float) -> tuple[float, float]:
    """Return the session as one normal observation: what turns the opinion before into that after.

    A session far off moves the mean and hardly narrows the opinion. Divided out, that would be an
    observation at an absurd distance; it is read as one ``OUTLIER`` of its own standard
    deviations away that pulls just as hard. Infinite variance: it said nothing.
    """
    force = (mean - before) / after_var
    told = max(1.0 / after_var - 1.0 / var, (force / OUTLIER) ** 2)
    if told < LEAST_TOLD / var:
        return before, np.inf
    return before + force / told, 1.0 / told


@njit(cache=True, error_model="numpy")
def match_many(
    index: Ints, mean: Array, var: Array, sets: Sets, errors: Errors, out: Array
) -> None:
    """Match the sessions ``index`` into the rows of ``out`` (n, 6), as ``match_one`` returns."""
    for i in range(len(index)):
        found = match_one(
            mean[i], var[i], index[i], sets, errors.day_sd[i], errors.set_sd[i], errors
        )
        for j in range(6):
            out[i, j] = found[j]


@njit(cache=True, error_model="numpy")
def day_slopes(away: float, rise: float, fall: float, root: float) -> tuple[float, float, float]:
    """Return the log density of a day's ability, and its slopes in the logs of fall and rise.

    The ability lies ``away`` above the level's opinion, whose sd with the day's normal part is
    ``root``; ``rise`` and ``fall`` are the mean sizes of the exponential parts.
    """
    t = (away + rise - fall) / root
    value, up, up_more, down_more = tilted_pair(t, root / rise - t, root / fall + t)
    down = 1.0 - up
    # d log tilted(t, w) = -t dt - more dw
    by_t = up * (up_more - t) - down * (down_more + t)
    by_fall = down * down_more * root / fall
    by_rise = up * up_more * root / rise
    both = rise + fall
    return (
        value - math.log(both),
        by_fall - by_t * fall / root - fall / both,
        by_rise + by_t * rise / root - rise / both,
    )


@njit(cache=True, error_model="numpy")
def set_slopes(
    low: float, high: float, slip: float, slip_mass: float
) -> tuple[float, float, float, float]:
    """Return the log chance of one set's record, its slopes in ``low`` and ``high``, in log slip.

    A slip ended early for no reason of strength: its record says that much or more.
    """
    if low > 0.0:
        more, bell_low = above_and_bell(low)
        other, bell_high = above_and_bell(high)
        whole = more - other
    else:
        below, bell_low = above_and_bell(-low)
        other, bell_high = above_and_bell(-high)
        more, whole = 1.0 - below, other - below
    chance = max((1.0 - slip) * whole + slip * slip_mass * more, _TINY)
    by_low = -bell_low / _ROOT_2PI * (1.0 - slip + slip * slip_mass)
    by_high = bell_high / _ROOT_2PI * (1.0 - slip)
    by_slip = slip * (slip_mass * more - whole)
    return math.log(chance), by_low / chance, by_high / chance, by_slip / chance


@njit(cache=True, error_model="numpy")
def record_slopes(
    mean: Array,
    var: Array,
    sets: Sets,
    records: Records,
    errors: Errors,
    slip: float,
    place: Array,
    out: Array,
) -> float:
    """Return the log evidence of every set of all sessions and add its slopes to ``out`` (10,).

    Slopes in the log of set_sd by measure (4), of slip, day_down and day_up, and in fatigue,
    unclean and assisted. Fisher's identity: the slope of the
    evidence is the mean slope of the log likelihood under the opinion after. ``place`` (N, 2),
    centre and scale of each session's quadrature, is kept for the next call; a scale of 0 is
    none yet.
    """
    lower, offset, n_sets = sets.lower, sets.offset, sets.n_sets
    upper, slip_mass, flags, measure = records
    day_sd, set_sd, down, up, _ = errors
    total, nodes = 0.0, len(_NODES)
    terms, slopes = np.empty(nodes), np.empty((nodes, 7))
    for n in range(len(mean)):
        if place[n, 1] == 0.0:
            _, _, _, _, place[n, 0], place[n, 1] = match_one(
                mean[n], var[n], n, sets, day_sd[n], set_sd[n], errors
            )
        root = math.sqrt(var[n] + day_sd[n] * day_sd[n])
        rise, fall = up * day_sd[n], down * day_sd[n]
        for look in range(MOST_LOOKS):
            centre, scale = place[n]
            top = -np.inf
            slopes[:, :] = 0.0
            for j in range(nodes):
                ability = centre + scale * _NODES[j]
                value, slopes[j, 2], slopes[j, 3] = day_slopes(ability - mean[n], rise, fall, root)
                for k in range(n_sets[n]):
                    at = ability + offset[n, k]
                    low, high = (lower[n, k] - at) / set_sd[n], (upper[n, k] - at) / set_sd[n]
                    chance, by_low, by_high, by_slip = set_slopes(low, high, slip, slip_mass[n, k])
                    value += chance
                    if low > -np.inf:
                        slopes[j, 0] -= low * by_low
                    if high < np.inf:
                        slopes[j, 0] -= high * by_high
                    slopes[j, 1] += by_slip
                    for f in range(3):
                        slopes[j, 4 + f] -= (by_low + by_high) / set_sd[n] * flags[f, n, k]
                terms[j] = value + _LOG_WEIGHTS[j]
                top = max(top, terms[j])
            mass, centred, around = 0.0, 0.0, 0.0
            for j in range(nodes):
                terms[j] = math.exp(terms[j] - top)
                mass += terms[j]
                centred += terms[j] * _NODES[j]
                around += terms[j] * _NODES[j] * _NODES[j]
            centred /= mass
            around = around / mass - centred * centred
            if (abs(centred) < 0.2 and 0.6 < around < 1.3) or look == MOST_LOOKS - 1:
                break
            place[n, 0] += scale * centred
            place[n, 1] *= math.sqrt(min(max(around, 0.05), 2.5))
        total += top + math.log(mass) + math.log(scale * _ROOT_2PI)
        for j in range(nodes):
            share = terms[j] / mass
            out[measure[n]] += share * slopes[j, 0]
            for i in range(6):
                out[4 + i] += share * slopes[j, 1 + i]
    return total


@njit(cache=True, error_model="numpy")
def lost_along(
    start: Ints, length: Ints, rest: Array, excess: Array, detraining: float, regain: float
) -> Array:
    """(N,) level lost to layoffs at each session: a fixed function of the dates."""
    lost = np.zeros(len(rest))
    for s in range(len(start)):
        for n in range(start[s] + 1, start[s] + length[s]):
            lost[n] = lost[n - 1] * math.exp(-regain * rest[n]) + detraining * excess[n]
    return lost


@njit(cache=True, error_model="numpy")
def motion_along(
    start: Ints,
    length: Ints,
    excess: Array,
    tau: Array,
    lost: Array,
    constants: tuple[float, float, float],
    motion: Array,
    loss: Array,
) -> None:
    """Lay out what happens between each session and the one before it in its spell.

    ``lost`` (N,) as by ``lost_along``; ``constants``: alpha, swing_sd, wiggle_sd. ``motion``
    (N, 6): training since, decay and its integral, and the variances of level and swing and their
    covariance added. ``loss`` (N,): the level lost to layoffs since, net of what came back.
    """
    alpha, swing_sd, wiggle_sd = constants
    for s in range(len(start)):
        for n in range(start[s], start[s] + length[s]):
            weeks = tau[n]
            motion[n, 0] = weeks
            motion[n, 1] = math.exp(-alpha * weeks)
            motion[n, 2] = -math.expm1(-alpha * weeks) / alpha
            level_var, cross, swing_var = added_variances(alpha, swing_sd, wiggle_sd, weeks)
            motion[n, 3] = level_var + wiggle_sd * wiggle_sd * excess[n]
            motion[n, 4], motion[n, 5] = cross, swing_var
            if n > start[s]:
                loss[n] = lost[n] - lost[n - 1]


@njit(cache=True, error_model="numpy")
def doses_along(
    start: Ints, length: Ints, rest: Array, day: Ints, clock: tuple[float, ...], out: Array
) -> None:
    """``dose_one`` between each session and the one before it in its spell, into ``out`` (N,)."""
    for s in range(len(start)):
        for n in range(start[s] + 1, start[s] + length[s]):
            out[n] = dose_one(rest[n], float(n - start[s]), float(day[n]), 1.0, clock)


@njit(cache=True, error_model="numpy")
def filter_spells(
    between: Stretches,
    prior_mean: Array,
    prior_cov: Array,
    sets: Sets,
    errors: Errors,
    mean_out: Array,
    cov_out: Array,
    told_out: Array,
) -> None:
    """Filter every spell, session by session; ``errors`` are by spell.

    ``told_out`` (N, 6): mean and variance before, log evidence, site mean and variance, and the
    day's share of the site's variance.
    """
    start, length, motion, loss = between
    day_sd, down, up = errors.day_sd, errors.down, errors.up
    mean, cov = np.empty(3), np.empty((3, 3))
    for s in range(len(start)):
        _copy(prior_mean[s], prior_cov[s], mean, cov)
        for n in range(start[s], start[s] + length[s]):
            if n > start[s]:
                _advance(mean, motion[n], loss[n])
                _spread(cov, motion[n])
            before, var = mean[0], cov[0, 0]
            log_z, after, after_var, ability_var, _, _ = match_one(
                before, var, n, sets, day_sd[s], errors.set_sd[s], errors
            )
            _absorb(mean, cov, after, after_var)
            _copy(mean, cov, mean_out[n], cov_out[n])
            site, site_var = as_site(before, var, after, after_var)
            told_out[n, 0], told_out[n, 1], told_out[n, 2] = before, var, log_z
            told_out[n, 3], told_out[n, 4] = site, site_var
            day_var = day_sd[s] * day_sd[s]
            ability_prior = var + day_var * (1.0 + down * down + up * up)
            gained = max(1.0 / ability_var - 1.0 / ability_prior, 1e-9)
            told_out[n, 5] = min(max((site_var - 1.0 / gained) / day_var, 0.5), 50.0)
            if site_var == np.inf:
                told_out[n, 5] = 1.0


@njit(cache=True, error_model="numpy")
def _copy(mean: Array, cov: Array, mean_to: Array, cov_to: Array) -> None:
    """Copy an opinion, number by number: numba takes long to compile a slice written to."""
    for i in range(3):
        mean_to[i] = mean[i]
        for j in range(3):
            cov_to[i, j] = cov[i, j]


@njit(cache=True, error_model="numpy")
def _advance(mean: Array, step: Array, loss: float) -> None:
    """Carry the mean of one opinion of (level, swing, pace) to the next session, in place."""
    tau, decay, integral = step[0], step[1], step[2]
    mean[0] += integral * mean[1] + tau * mean[2] - loss
    mean[1] *= decay


@njit(cache=True, error_model="numpy")
def _spread(cov: Array, step: Array) -> None:
    """Carry its covariance to the next session, in place."""
    tau, decay, integral = step[0], step[1], step[2]
    for j in range(3):  # rows: F P
        cov[0, j] += integral * cov[1, j] + tau * cov[2, j]
        cov[1, j] *= decay
    for i in range(3):  # columns: (F P) F'
        cov[i, 0] += integral * cov[i, 1] + tau * cov[i, 2]
        cov[i, 1] *= decay
    cov[0, 0] += step[3]
    cov[0, 1] += step[4]
    cov[1, 0] += step[4]
    cov[1, 1] += step[5]


@njit(cache=True, error_model="numpy")
def carry_spells(
    between: Stretches, site_mean: Array, site_var: Array, mean: Array, cov: Array
) -> None:
    """Carry K means (S, K, 3) and one covariance (S, 3, 3) to each spell's last session, in place.

    Sessions are normal observations of the level, (N,).
    """
    start, length, motion, loss = between
    gain, level = np.empty(3), np.empty(3)
    for s in range(len(start)):
        for n in range(start[s], start[s] + length[s]):
            if n > start[s]:
                _spread(cov[s], motion[n])
                for k in range(mean.shape[1]):
                    _advance(mean[s, k], motion[n], loss[n])
            for i in range(3):
                level[i] = cov[s, 0, i]
            for i in range(3):
                gain[i] = cov[s, i, 0] / (level[0] + site_var[n])
            for k in range(mean.shape[1]):
                error = site_mean[n] - mean[s, k, 0]
                for i in range(3):
                    mean[s, k, i] += gain[i] * error
            for i in range(3):
                for j in range(3):
                    cov[s, i, j] -= gain[i] * level[j]


@njit(cache=True, error_model="numpy")
def _absorb(mean: Array, cov: Array, after: float, after_var: float) -> None:
    """Take in a session that moved the level's opinion to (after, after_var), in place."""
    before, var = mean[0], cov[0, 0]
    g0, g1, g2 = 1.0, cov[1, 0] / var, cov[2, 0] / var
    shift, drop = after - before, var - after_var
    gain = (g0, g1, g2)
    for i in range(3):
        mean[i] += gain[i] * shift
        for j in range(3):
            cov[i, j] -= gain[i] * gain[j] * drop


@njit(cache=True, error_model="numpy")
def inform_spells(
    between: Stretches,
    site_mean: Array,
    site_var: Array,
    constant: Array,
    score: Array,
    information: Array,
) -> None:
    """Reduce each spell to constant, score and information of (start level, swing, pace).

    Results are added to the zeroed arrays (S,), (S, 3) and (S, 3, 3). The augmented Kalman filter
    of de Jong (1991): the data and the level's response to a unit of each unknown run through one
    filter.
    """
    start, length, motion, loss = between
    level, swing, error = np.empty(4), np.empty(4), np.empty(4)
    for s in range(len(start)):
        level[:] = 0.0
        swing[:] = 0.0
        level[1] = 1.0
        swing[2] = 1.0
        p_level, p_cross, p_swing = 0.0, 0.0, 0.0
        for n in range(start[s], start[s] + length[s]):
            if n > start[s]:
                tau, a, c = motion[n, 0], motion[n, 1], motion[n, 2]
                p_level += c * (2.0 * p_cross + c * p_swing) + motion[n, 3]
                p_cross = a * (p_cross + c * p_swing) + motion[n, 4]
                p_swing = a * a * p_swing + motion[n, 5]
                for j in range(4):
                    level[j] += c * swing[j]
                    swing[j] *= a
                level[3] += tau
                level[0] -= loss[n]
            if site_var[n] == np.inf:
                continue
            precision = 1.0 / (p_level + site_var[n])
            for j in range(4):
                error[j] = -level[j]
            error[0] += site_mean[n]
            for i in range(3):
                score[s, i] += level[i + 1] * precision * error[0]
                for j in range(3):
                    information[s, i, j] += level[i + 1] * precision * level[j + 1]
            constant[s] += 0.5 * math.log(precision) - _LOG_ROOT_2PI
            constant[s] -= 0.5 * precision * error[0] * error[0]
            k_level, k_swing = p_level * precision, p_cross * precision
            for j in range(4):
                level[j] += k_level * error[j]
                swing[j] += k_swing * error[j]
            p_swing -= p_cross * p_cross * precision
            p_cross *= 1.0 - k_level
            p_level *= 1.0 - k_level


# --- The law of a coming session: how the level gets there, and the chance that it meets. ---


@njit(cache=True, error_model="numpy")
def dose_one(
    rest: float, done: float, day: float, sessions: float, clock: tuple[float, ...]
) -> float:
    """Return the weeks of training in a stretch; ``clock`` is ``Clock.numbers``."""
    return fading(done, clock) * unfaded_dose(rest, day, sessions, clock)


@njit(cache=True, error_model="numpy")
def fading(done: float, clock: tuple[float, ...]) -> float:
    """Return what training counts after so many sessions, to that of the first."""
    _, _, fade, fade_sessions, _, _, _, _ = clock
    return (1.0 + done / fade_sessions) ** -fade if fade > 0.0 else 1.0


@njit(cache=True, error_model="numpy")
def unfaded_dose(rest: float, day: float, sessions: float, clock: tuple[float, ...]) -> float:
    """Return the weeks of training in a stretch, were it among the first of the spell."""
    practice, session_weeks, _, _, season_cos, season_sin, turn, least = clock
    dose = (1.0 - practice) * rest + practice * session_weeks * sessions
    if season_cos != 0.0 or season_sin != 0.0:
        half = 3.5 * rest * turn
        middle = day * turn - half
        wave = season_cos * math.cos(middle) + season_sin * math.sin(middle)
        # The mean of a cosine over a stretch around its middle.
        if half > 0.0:
            wave *= math.sin(half) / half
        dose *= max(1.0 + wave, least)
    return dose


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
def advance_one(
    level: float,
    swing: float,
    pace: float,
    tau: float,
    excess: float,
    motion: Array,
    z0: float,
    z1: float,
) -> tuple[float, float]:
    """Carry level and swing over ``tau`` weeks of training and ``excess`` without, exactly.

    ``motion`` begins with alpha, swing_sd and wiggle_sd; ``z0`` and ``z1`` are standard normal;
    what the layoff takes is not in it.
    """
    alpha, swing_sd, wiggle_sd = motion[0], motion[1], motion[2]
    level_var, cross, swing_var = added_variances(alpha, swing_sd, wiggle_sd, tau)
    level_var += wiggle_sd * wiggle_sd * excess
    sd = math.sqrt(swing_var)
    slope = cross / max(sd, 1e-300)
    left = math.sqrt(max(level_var - slope * slope, 0.0))
    lost = math.expm1(-alpha * tau)
    decay, integral = 1.0 + lost, -lost / alpha
    return level + pace * tau + swing * integral + slope * z0 + left * z1, decay * swing + sd * z0


@njit(cache=True, error_model="numpy")
def chance_to_meet(room: float, set_sd: float, fatigue: float, eligible: float, sets: int) -> float:
    """Return the chance that one of the session's sets is clean, unassisted and long enough.

    ``room`` is by how far the day's ability stands above the mark; set k has done k sets before
    (``MAX_FATIGUE_STEPS`` at most), each worth ``fatigue``; ``eligible`` is the chance that a set
    can count.
    """
    missed = 1.0
    for k in range(sets):
        missed *= 1.0 - eligible * above(-(room + min(k, MAX_FATIGUE_STEPS) * fatigue) / set_sd)
    return 1.0 - missed


@njit(cache=True, error_model="numpy")
def move_on(
    standing: Standing,
    at: tuple[int, int],
    rest: float,
    excess: float,
    tau: float,
    motion: Array,
    z0: float,
    z1: float,
) -> None:
    """Carry target and path ``at`` over a gap, in place: the motion, and what a layoff takes.

    ``motion`` begins with alpha, swing_sd, wiggle_sd, detraining and regain; the rest as for
    ``advance_one``.
    """
    level, swing, pace, lost, _, _ = standing
    then = lost[at] * math.exp(-motion[4] * rest) + motion[3] * excess
    level[at], swing[at] = advance_one(level[at], swing[at], pace[at], tau, excess, motion, z0, z1)
    level[at] -= then - lost[at]
    lost[at] = then


@njit(cache=True, error_model="numpy")
def chance_of_session(
    level: float,
    room: float,
    set_sd: float,
    noise: tuple[float, float],
    habit: tuple[float, float],
    sets: int,
    odds: float,
) -> float:
    """Return the chance that a coming session meets, by ``chance_to_meet``.

    ``noise``: slip and fatigue; ``habit``: intercept and slope of the share of sets that can count
    by level; ``odds`` the factor on the odds of meeting.
    """
    if room + MAX_FATIGUE_STEPS * max(noise[1], 0.0) < -FAR * set_sd:
        return 0.0
    clean = min(max(level, LOWEST_CLEAN), HIGHEST_CLEAN)
    eligible = (1.0 - noise[0]) / (1.0 + math.exp(-habit[0] - habit[1] * clean))
    meets = chance_to_meet(room, set_sd, noise[1], eligible, sets)
    return meets * odds / (1.0 - meets + meets * odds)


@njit(cache=True, error_model="numpy")
def expected_meets(
    mean: Array,
    sd: Array,
    mark: Array,
    set_sd: Array,
    fatigue: float,
    slip: float,
    sets: Array,
    out: Array,
) -> None:
    """Chance that each past session meets, into ``out`` (N,); ``sd`` is of the day's ability."""
    for n in range(len(mean)):
        out[n] = 0.0
        for j in range(len(_NODES)):
            room = mean[n] + sd[n] * _NODES[j] - mark[n]
            chance = chance_to_meet(room, set_sd[n], fatigue, 1.0 - slip, int(sets[n]))
            out[n] += _WEIGHTS[j] * chance


@njit(cache=True, error_model="numpy")
def doses(rest: Array, done: Array, day: Array, sessions: Array, clock: tuple, out: Array) -> None:
    """``dose_one`` for n stretches, all arrays (n,), into ``out``."""
    for i in range(len(rest)):
        out[i] = dose_one(rest[i], done[i], day[i], sessions[i], clock)


@njit(cache=True, error_model="numpy")
def variances(alpha: Array, swing_sd: Array, wiggle_sd: Array, tau: Array, out: Array) -> None:
    """``added_variances`` for n stretches, all arrays (n,), into ``out`` (3, n)."""
    for i in range(len(tau)):
        out[0, i], out[1, i], out[2, i] = added_variances(
            alpha[i], swing_sd[i], wiggle_sd[i], tau[i]
        )


@njit(cache=True, error_model="numpy")
def walk_paths(
    step: int,
    untried: bool,
    standing: Standing,
    tables: Tables,
    targets: tuple[Array, Ints, Array],
    luck: Luck,
    law: tuple,
    out: tuple[Array, Array],
) -> bool:
    """Walk T targets on up to P paths, B sessions from ``step`` on; True while any go on.

    ``targets``: (T, 11) mark, day_sd, set_sd, grace, sessions done, day number of the cut, speed,
    the habit's intercept, slope and spread, and the factor on the odds of meeting; (T, 2) sessions
    in a row, and how many paths; (P,) the path's habit in its spread. ``law``: the
    clock's numbers; alpha, swing_sd, wiggle_sd, detraining, regain; slip and fatigue. Chances are
    added to ``out``: by day (T, D + 1) and of the next session (T,).
    """
    level, _, _, _, day, runs = standing
    by_target, asked, careful = targets
    clock, motion, noise = law
    by_day, next_session = out
    horizon = by_day.shape[1] - 1
    going = False
    faded = np.empty(len(luck.form))
    for t in range(len(level)):
        mark, day_sd, set_sd, grace, done, origin, speed = by_target[t, :7]
        intercept, slope, spread, odds = by_target[t, 7:]
        need, paths = asked[t]
        for b in range(len(faded)):
            faded[b] = speed * fading(done + step + b, clock)
        for p in range(paths):
            if not day[t, p] <= horizon:
                continue
            habit = (intercept + spread * careful[p], slope)
            for b in range(len(luck.form)):
                now = step + b
                table = tables.first_gaps if now == 0 else tables.gaps
                gap = table[t, luck.columns[b, 0, p]]
                day[t, p] += gap
                if now > 0 or not untried:
                    rest = min(gap / 7.0, grace)
                    excess = gap / 7.0 - rest
                    tau = faded[b] * unfaded_dose(rest, origin + day[t, p], 1.0, clock)
                    z0, z1 = luck.normal[b, 0, p], luck.normal[b, 1, p]
                    move_on(standing, (t, p), rest, excess, tau, motion, z0, z1)
                if not day[t, p] <= horizon and now > 0:
                    break
                room = level[t, p] + day_sd * luck.form[b, p] - mark
                sets = int(tables.sets[t, luck.columns[b, 1, p]])
                meets = chance_of_session(level[t, p], room, set_sd, noise, habit, sets, odds)
                if now == 0:
                    next_session[t] += meets / paths
                    if not day[t, p] <= horizon:
                        break
                alive = 0.0
                for r in range(need):
                    alive += runs[t, p, r]
                cleared = runs[t, p, need - 1] * meets
                for r in range(need - 1, 0, -1):
                    runs[t, p, r] = runs[t, p, r - 1] * meets
                runs[t, p, 0] = alive * (1.0 - meets)
                by_day[t, max(int(day[t, p]), 0)] += cleared / paths
                if alive - cleared < LEAST_LEFT:  # what is left of this path changes nothing
                    day[t, p] = np.inf
                    break
            if day[t, p] <= horizon:
                going = True
    return going


@njit(cache=True, error_model="numpy")
def climb_paths(
    step: int,
    most_days: int,
    standing: Standing,
    tables: Tables,
    targets: tuple[Array, Ints, Array],
    luck: Luck,
    laws: PathLaws,
    out: tuple[Array, Array],
) -> bool:
    """Climb T rungs on P paths, B sessions from ``step`` on; True while any path goes on.

    ``targets``: (T, 8) mark, grace, sessions done, scatter, the habit's intercept, slope and
    spread, and the factor on the odds of meeting; (T, 3) measure, sessions in a row, and whether
    the rung is not begun; (T, P) day number that days count from.
    ``out``: (T, P) the day on which a path clears, NaN while it goes on and infinite where it did
    not by ``most_days``; and (T,) the chance that the first session meets.
    """
    level, _, _, _, day, runs = standing
    by_target, asked, origin = targets
    days, first = out
    on = False
    paths = level.shape[1]
    faded = np.empty((len(laws.clocks), len(luck.form)))
    for t in range(len(level)):
        mark, grace, done, scatter, intercept, slope, spread, odds = by_target[t]
        measure, confirm, untried = asked[t]
        for d in range(len(faded)):
            for b in range(len(luck.form)):
                faded[d, b] = fading(done + step + b, laws.clocks[d])
        for p in range(paths):
            if not math.isnan(days[t, p]):
                continue
            motion = laws.by_path[p]
            noise, habit = (motion[5], motion[6]), (intercept + spread * motion[7], slope)
            day_sd = laws.day_sd[p, measure] * scatter
            set_sd = laws.set_sd[p, measure] * scatter
            for b in range(len(luck.form)):
                now = step + b
                if now > 0 or untried == 0:
                    table = tables.first_gaps if now == 0 else tables.gaps
                    gap = table[t, luck.columns[b, 0, p]]
                    day[t, p] += gap
                    rest = min(gap / 7.0, grace)
                    excess = gap / 7.0 - rest
                    at = origin[t, p] + day[t, p]
                    own = laws.owner[p]
                    tau = faded[own, b] * unfaded_dose(rest, at, 1.0, laws.clocks[own])
                    z0, z1 = luck.normal[b, 0, p], luck.normal[b, 1, p]
                    move_on(standing, (t, p), rest, excess, tau, motion, z0, z1)
                room = level[t, p] + day_sd * luck.form[b, p] - mark
                sets = int(tables.sets[t, luck.columns[b, 1, p]])
                meets = chance_of_session(level[t, p], room, set_sd, noise, habit, sets, odds)
                if now == 0:
                    first[t] += meets / paths
                runs[t, p, 0] = runs[t, p, 0] + 1.0 if luck.uniform[b, p] < meets else 0.0
                if not day[t, p] <= most_days:
                    days[t, p] = np.inf
                elif runs[t, p, 0] >= confirm:
                    days[t, p] = day[t, p]
                if not math.isnan(days[t, p]):
                    break
            if math.isnan(days[t, p]):
                on = True
    return on
