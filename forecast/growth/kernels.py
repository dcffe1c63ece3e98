"""Compiled loops: tails of the normal, one session's likelihood and slopes, one spell's filter.

numba compiles each function on first use and keeps the result beside this file. It looks at the
date of this file alone, so the loops here call nothing outside it.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from scipy.special import erfcx

from forecast.types import Array, Ints

ROOT_2PI = math.sqrt(2.0 * math.pi)
NODES, _weights = np.polynomial.hermite_e.hermegauss(11)
WEIGHTS = _weights / ROOT_2PI
"""Gauss-Hermite quadrature of a standard normal."""
TABLE_END, TABLE_STEPS = 40.0, 32
"""The table of Mills' ratio goes from 0 to here, in so many cells a unit: where it ends, a normal's
tail is nothing."""


def _ratio_table() -> Array:
    """Quintic pieces (cells, 6) through Mills' ratio and two derivatives, good to 1e-12."""
    knots = np.arange(int(TABLE_END) * TABLE_STEPS + 1) / TABLE_STEPS
    ratio = erfcx(knots / math.sqrt(2.0)) * ROOT_2PI / 2.0
    slope = knots * ratio - 1.0
    bend = ratio + knots * slope
    slope, bend = slope / TABLE_STEPS, bend / (2.0 * TABLE_STEPS**2)
    rise = np.diff(ratio)
    s0, s1, b0, b1 = slope[:-1], slope[1:], bend[:-1], bend[1:]
    third = 10.0 * rise - 6.0 * s0 - 4.0 * s1 - 3.0 * b0 + b1
    fourth = -15.0 * rise + 8.0 * s0 + 7.0 * s1 + 3.0 * b0 - 2.0 * b1
    fifth = 6.0 * rise - 3.0 * (s0 + s1) - b0 + b1
    return np.ascontiguousarray(np.column_stack([ratio[:-1], s0, b0, third, fourth, fifth]))


_RATIO = _ratio_table()


@njit(cache=True, error_model="numpy")
def _far_past(w: float) -> float:
    """Return how far the mean of a normal above ``w`` lies past it, by Laplace's fraction."""
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
    return ratio if w >= 0.0 else ROOT_2PI * math.exp(0.5 * w * w) - ratio


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
    tail = _upper_ratio(abs(z)) * bell / ROOT_2PI
    return (1.0 - tail if z < 0.0 else tail), bell


@njit(cache=True, error_model="numpy")
def above(z: float) -> float:
    """Return P(Z > z) of a standard normal."""
    return above_and_bell(z)[0]


_LOG_ROOT_2PI = math.log(ROOT_2PI)
_TINY = 1e-250
_LOG_WEIGHTS = np.log(WEIGHTS) + 0.5 * NODES**2

MOST_LOOKS = 12
"""Quadrature is centred anew at most this often; two looks suffice as a rule."""
OUTLIER = 3.0
"""A session counts as an observation at most this many of its own standard deviations away."""
LEAST_TOLD = 1e-3
"""Share of the opinion's precision that a session must add to count as an observation."""
LEAST_VAR = 1e-12


class Stretches(NamedTuple):
    """What lies between each of N sessions and the one before it in its spell.

    ``start``, ``length`` (S,) of the spells; the others (N,): weeks of training ``tau``, the
    swing's ``decay`` and its ``integral``, what they add to the variances of level and swing and to
    their covariance ``cross``, and ``loss``, the level lost to layoffs net of what came back.
    """

    start: Ints
    length: Ints
    tau: Array
    decay: Array
    integral: Array
    level_var: Array
    cross: Array
    swing_var: Array
    loss: Array


class Sets(NamedTuple):
    """Sets of N sessions, (N, K), between ``lower`` and ``ceiling`` less ``offset``."""

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
    """(N, K) ``upper``, ``slip_mass``; (3, N, K) fatigue, unclean, assisted; (N,) ``measure``."""

    upper: Array
    slip_mass: Array
    flags: Array
    measure: Ints


@njit(cache=True, error_model="numpy")
def knee_share(knee: float) -> float:
    """Return the factor that makes a set's noise with this knee a density."""
    return 1.0 / (math.exp(-0.5 * knee * knee) / knee + ROOT_2PI * above(-knee))


@njit(cache=True, error_model="numpy")
def robust_below(z: float, knee: float, share: float) -> float:
    """Return P(E <= z) of a set's noise: standard normal, exponential from ``-knee`` down."""
    if z <= -knee:
        return share * math.exp(knee * z + 0.5 * knee * knee) / knee
    return 1.0 - share * ROOT_2PI * above(z)


@njit(cache=True, error_model="numpy")
def log_between(low: float, high: float, knee: float, share: float) -> float:
    """Return log P(low < E <= high) of a set's noise, finite however far off the interval lies."""
    if low > 0.0:
        chance = share * ROOT_2PI * (above(low) - above(high))
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
    """Match session ``n``: log evidence, level's mean and variance, ability's variance, quadrature.

    The day's ability is ``b + U - D``, centred: ``b`` normal around the level, ``U`` and ``D``
    exponential with means ``up`` and ``down`` times ``day_sd`` (Reed & Jorgensen 2004, Commun.
    Stat. Theory Methods 33:1733). Given the ability, ``b`` has two truncated normal parts, so the
    level is integrated exactly and only the ability by quadrature (its centre and scale come back).
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
    terms = np.empty(len(NODES))
    firsts = np.empty(len(NODES))
    seconds = np.empty(len(NODES))
    for look in range(MOST_LOOKS):
        top = -np.inf
        for j in range(len(NODES)):
            ability = centre + scale * NODES[j]
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
        for j in range(len(NODES)):
            part = math.exp(terms[j] - top)
            mass += part
            first += part * firsts[j]
            second += part * seconds[j]
            ability_mean += part * NODES[j]
            ability_square += part * NODES[j] * NODES[j]
        first, second = first / mass, second / mass
        ability_mean /= mass
        around = ability_square / mass - ability_mean * ability_mean
        log_z = top + math.log(mass) + math.log(scale * ROOT_2PI)
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
    """Log of tilted(t, w_up) + tilted(t, w_down), tilted = density(t) mills(w); shares, means."""
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
    """Return the normal observation that turns the opinion before into that after, bounded."""
    force = (mean - before) / after_var
    told = max(1.0 / after_var - 1.0 / var, (force / OUTLIER) ** 2)
    if told < LEAST_TOLD / var:
        return before, np.inf
    return before + force / told, 1.0 / told


@njit(cache=True, error_model="numpy")
def day_slopes(away: float, rise: float, fall: float, root: float) -> tuple[float, float, float]:
    """Return the log density of a day's ability, and its slopes in the logs of fall and rise."""
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
    """Return one record's log chance, its slopes in ``low`` and ``high``, and in log slip."""
    if low > 0.0:
        more, bell_low = above_and_bell(low)
        other, bell_high = above_and_bell(high)
        whole = more - other
    else:
        below, bell_low = above_and_bell(-low)
        other, bell_high = above_and_bell(-high)
        more, whole = 1.0 - below, other - below
    chance = max((1.0 - slip) * whole + slip * slip_mass * more, _TINY)
    by_low = -bell_low / ROOT_2PI * (1.0 - slip + slip * slip_mass)
    by_high = bell_high / ROOT_2PI * (1.0 - slip)
    by_slip = slip * (slip_mass * more - whole)
    return math.log(chance), by_low / chance, by_high / chance, by_slip / chance


@njit(cache=True, error_model="numpy")
def record_slopes(
    mean: Array, var: Array, sets: Sets, records: Records, errors: Errors, slip: float,
    place: Array, out: Array,
) -> float:  # fmt: skip
    """Add the slopes of the sets' log evidence to ``out`` (10,), by Fisher's identity."""
    lower, offset, n_sets = sets.lower, sets.offset, sets.n_sets
    upper, slip_mass, flags, measure = records
    day_sd, set_sd, down, up, _ = errors
    total, nodes = 0.0, len(NODES)
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
                ability = centre + scale * NODES[j]
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
                centred += terms[j] * NODES[j]
                around += terms[j] * NODES[j] * NODES[j]
            centred /= mass
            around = around / mass - centred * centred
            if (abs(centred) < 0.2 and 0.6 < around < 1.3) or look == MOST_LOOKS - 1:
                break
            place[n, 0] += scale * centred
            place[n, 1] *= math.sqrt(min(max(around, 0.05), 2.5))
        total += top + math.log(mass) + math.log(scale * ROOT_2PI)
        for j in range(nodes):
            share = terms[j] / mass
            out[measure[n]] += share * slopes[j, 0]
            for i in range(6):
                out[4 + i] += share * slopes[j, 1 + i]
    return total


class Filtered(NamedTuple):
    """Opinion of (level, swing, pace) before and after each of N sessions, and what each added.

    ``mean`` (N, 3), ``cov`` (N, 3, 3) after it; ``before_mean``, ``before_var`` of the level just
    before; ``log_evidence`` given the sessions before; ``site_mean``, ``site_var`` the session as
    one normal observation of the level (infinite: it said nothing); ``tail`` the day's part of
    that over ``day_sd**2``; ``scatter`` (S,) of the athletes.
    """

    mean: Array
    cov: Array
    scatter: Array
    before_mean: Array
    before_var: Array
    log_evidence: Array
    site_mean: Array
    site_var: Array
    tail: Array


@njit(cache=True, error_model="numpy")
def filter_spells(
    between: Stretches, prior_mean: Array, prior_cov: Array, sets: Sets, errors: Errors,
    seen: Filtered,
) -> None:  # fmt: skip
    """Filter every spell, session by session, into ``seen``; ``errors`` are by spell."""
    day_sd, down, up = errors.day_sd, errors.down, errors.up
    mean, cov = np.empty(3), np.empty((3, 3))
    for s in range(len(between.start)):
        _copy(prior_mean[s], prior_cov[s], mean, cov)
        first = between.start[s]
        for n in range(first, first + between.length[s]):
            if n > first:
                _advance(mean, between, n)
                _spread(cov, between, n)
            before, var = mean[0], cov[0, 0]
            log_z, after, after_var, ability_var, _, _ = match_one(
                before, var, n, sets, day_sd[s], errors.set_sd[s], errors
            )
            # Take in a session that moved the level's opinion to (after, after_var).
            gain = (1.0, cov[1, 0] / var, cov[2, 0] / var)
            for i in range(3):
                mean[i] += gain[i] * (after - before)
                for j in range(3):
                    cov[i, j] -= gain[i] * gain[j] * (var - after_var)
            _copy(mean, cov, seen.mean[n], seen.cov[n])
            site, site_var = as_site(before, var, after, after_var)
            seen.before_mean[n], seen.before_var[n], seen.log_evidence[n] = before, var, log_z
            seen.site_mean[n], seen.site_var[n], seen.tail[n] = site, site_var, 1.0
            if site_var < np.inf:
                day_var = day_sd[s] * day_sd[s]
                ability_prior = var + day_var * (1.0 + down * down + up * up)
                gained = max(1.0 / ability_var - 1.0 / ability_prior, 1e-9)
                seen.tail[n] = min(max((site_var - 1.0 / gained) / day_var, 0.5), 50.0)


@njit(cache=True, error_model="numpy")
def _copy(mean: Array, cov: Array, mean_to: Array, cov_to: Array) -> None:
    """Copy an opinion, number by number: numba takes long to compile a slice written to."""
    for i in range(3):
        mean_to[i] = mean[i]
        for j in range(3):
            cov_to[i, j] = cov[i, j]


@njit(cache=True, error_model="numpy")
def _advance(mean: Array, between: Stretches, n: int) -> None:
    """Carry the mean of an opinion of (level, swing, pace) to session ``n``, in place."""
    mean[0] += between.integral[n] * mean[1] + between.tau[n] * mean[2] - between.loss[n]
    mean[1] *= between.decay[n]


@njit(cache=True, error_model="numpy")
def _spread(cov: Array, between: Stretches, n: int) -> None:
    """Carry its covariance to session ``n``, in place."""
    tau, decay, integral = between.tau[n], between.decay[n], between.integral[n]
    for j in range(3):  # rows: F P
        cov[0, j] += integral * cov[1, j] + tau * cov[2, j]
        cov[1, j] *= decay
    for i in range(3):  # columns: (F P) F'
        cov[i, 0] += integral * cov[i, 1] + tau * cov[i, 2]
        cov[i, 1] *= decay
    cov[0, 0] += between.level_var[n]
    cov[0, 1] += between.cross[n]
    cov[1, 0] += between.cross[n]
    cov[1, 1] += between.swing_var[n]


@njit(cache=True, error_model="numpy")
def carry_spells(
    between: Stretches, site_mean: Array, site_var: Array, mean: Array, cov: Array
) -> None:
    """Carry K means (S, K, 3), one covariance (S, 3, 3) to each spell's last session, in place."""
    gain, level = np.empty(3), np.empty(3)
    for s in range(len(between.start)):
        first = between.start[s]
        for n in range(first, first + between.length[s]):
            if n > first:
                _spread(cov[s], between, n)
                for k in range(mean.shape[1]):
                    _advance(mean[s, k], between, n)
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
def inform_spells(
    between: Stretches, site_mean: Array, site_var: Array, constant: Array, score: Array,
    information: Array,
) -> None:  # fmt: skip
    """Add each spell's constant (S,), score (S, 3) and information (S, 3, 3) of its start."""
    level, swing, error = np.empty(4), np.empty(4), np.empty(4)
    for s in range(len(between.start)):
        level[:] = 0.0
        swing[:] = 0.0
        level[1] = 1.0
        swing[2] = 1.0
        p_level, p_cross, p_swing = 0.0, 0.0, 0.0
        first = between.start[s]
        for n in range(first, first + between.length[s]):
            if n > first:
                a, c = between.decay[n], between.integral[n]
                p_level += c * (2.0 * p_cross + c * p_swing) + between.level_var[n]
                p_cross = a * (p_cross + c * p_swing) + between.cross[n]
                p_swing = a * a * p_swing + between.swing_var[n]
                for j in range(4):
                    level[j] += c * swing[j]
                    swing[j] *= a
                level[3] += between.tau[n]
                level[0] -= between.loss[n]
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
