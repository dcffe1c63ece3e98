"""Compiled loops: figures of a spell read backwards from a session."""

from __future__ import annotations

import numpy as np
from numba import njit

from forecast.types import Array, Ints

SERIES = ("best", "mean")
"""A session without a set that counts lends its best of any kind to ``best``."""
LENGTHS = (4.0, 6.0, 9.0, 14.0, 26.0, 1e6)
"""Weeks of the stretches that lines are laid through."""
WINDOW_FIGURES = ("slope", "error", "ratio", "mean", "sessions")
STRETCHES = (0.0, 3.0, 6.0, 9.0, 13.0, 20.0, 30.0)
_LENGTHS, _STRETCHES = np.array(LENGTHS), np.array((-1.0, *STRETCHES[1:]))
MISCELLANEOUS = (
    "weeks on rung", "sessions", "sessions in 4 weeks", "sessions in 13 weeks",
    "rate, late to before", "last gap", "longest gap in 6 weeks",
    "longest gap in 13 weeks", "weeks since 3 weeks away", "longest gap",
    *(f"{kind}, {when}" for when in ("6 weeks", "all")
      for kind in ("met", "counting", "clean", "assisted", "stopped at mark",
                   "stopped by choice", "nothing done", "sets a session", "exactly the mark")),
    "best ever", "best of 6 weeks", "best before", "best, 6 weeks to before",
    "weeks since best", "sessions since best", "new bests in 6 weeks", "new bests in 13",
    "latest", "latest step", "usual step", "different values in 26 weeks", "first value",
    "latest less first", "trend: gain", "trend: its error", "trend: rise of 6 weeks",
    "current run",
    "load: slope, 6 weeks", "load: slope, 14 weeks", "load: below its most", "load: noted",
)  # fmt: skip
_RIDGE, _SCATTER, _PRIOR = 0.5, 0.06, 2.0
"""Lines are laid as if half a squared week, and two residuals of 0.06, had been seen besides."""
_LEVEL_SD, _GAIN_SD = 0.03, 0.007
"""Of the local linear trend: sd of the level's and of the gain's change after a week."""
_RECENT = 26.0
"""Weeks in which different values are counted."""
_USUAL_STEP = 0.1
"""Sd of a day, as if four steps between days had shown it."""
NOTHING = -9.0
"""Log of a best where there is none."""


@njit(cache=True, error_model="numpy")
def along(start: Ints, length: Ints, day: Ints, value: Array) -> Array:
    """Slope a week over the last 9 and 26 weeks, step, best before, leap beside a line; (5, N).

    Missing where there is none.
    """
    out = np.full((5, len(day)), np.nan)
    for s in range(len(start)):
        own = np.arange(start[s], start[s] + length[s])
        own = own[np.isfinite(value[own])]
        most = np.nan
        for k in range(len(own)):
            q = own[k]
            weeks = (day[own[: k + 1]] - day[q]) / 7.0
            if k:
                out[2, q], out[3, q] = min(abs(value[q] - value[own[k - 1]]), 1.0), most
            most = value[q] if k == 0 else max(most, value[q])
            for row, reach in ((0, 9.0), (1, 26.0)):
                late = weeks >= -reach
                t, y = weeks[late], value[own[: k + 1]][late]
                if len(y) >= 3:
                    out[row, q] = min(max(_line(t, y)[0], -0.3), 0.3)
            out[4, q] = _leap(t, y)
    return out


@njit(cache=True, error_model="numpy")
def own_figures(
    first: Ints, at: Ints, day: Ints, values: Array, counts: Array, met: Array
) -> Array:
    """Figures of one spell each, (n, F), from its sessions ``first`` to ``at``, both included."""
    width = 10 * len(_LENGTHS) + 2 * (len(_STRETCHES) - 1) + len(MISCELLANEOUS)
    out = np.zeros((len(at), width))
    for i in range(len(at)):
        own = slice(first[i], at[i] + 1)
        t = (day[own] - day[at[i]]) / 7.0
        valid, every, mean, load = values[0, own], values[1, own], values[2, own], values[3, own]
        best = np.where(np.isfinite(valid), valid, every)
        run = 0.0
        while at[i] - run >= first[i] and met[int(at[i] - run)] > 0:
            run += 1.0
        out[i] = np.concatenate((
            _lines(*_there(t, best)), _lines(*_there(t, mean)), _stretches(*_there(t, valid)),
            _stretches(*_there(t, every)), _attended(t),
            _shares(t, valid, counts[:, own], met[own], 6.0),
            _shares(t, valid, counts[:, own], met[own], 1e9),
            _bests(*_there(t, best)), np.array([run]), _loads(t, load),
        ))  # fmt: skip
    return out


@njit(cache=True, error_model="numpy")
def _there(t: Array, value: Array) -> tuple[Array, Array]:
    """Weeks (n,), 0 at the last session, and values of the sessions that have one."""
    seen = np.isfinite(value)
    return t[seen], value[seen]


@njit(cache=True, error_model="numpy")
def _line(t: Array, y: Array) -> tuple[float, float]:
    """Slope by least squares, and its error."""
    x, off = t - np.mean(t), y - np.mean(y)
    xx = np.sum(x * x) + _RIDGE
    slope = np.sum(x * off) / xx
    left = np.sum(off * off) - 2.0 * slope * np.sum(x * off) + slope * slope * (xx - _RIDGE)
    var = (max(left, 0.0) + _PRIOR * _SCATTER**2) / (max(len(y) - 2.0, 0.0) + _PRIOR)
    return slope, np.sqrt(var / xx)


@njit(cache=True, error_model="numpy")
def _lines(t: Array, y: Array) -> Array:
    """Lines through each stretch: slope, its error, their ratio, mean, number."""
    out = np.zeros((len(_LENGTHS), 5))
    out[:, 1], out[:, 3] = 1.0, NOTHING
    for w in range(len(_LENGTHS)):
        own = t >= -_LENGTHS[w]
        if own.any():
            slope, error = _line(t[own], y[own])
            out[w] = np.array([slope, error, slope / error, np.mean(y[own]), np.sum(own)])
    return out.ravel()


@njit(cache=True, error_model="numpy")
def _stretches(t: Array, y: Array) -> Array:
    """Most of each stretch beside that of the latest; an empty one as the one after."""
    out = np.zeros(len(_STRETCHES) - 1)
    now = then = np.nan
    for w in range(len(out)):
        own = y[(-t > _STRETCHES[w]) & (-t <= _STRETCHES[w + 1])]
        if len(own):
            then = np.max(own)
            now = then if np.isnan(now) else now
        out[w] = now - then if np.isfinite(then) else 0.0
    out[0] = now if np.isfinite(now) else NOTHING
    return out


@njit(cache=True, error_model="numpy")
def _attended(t: Array) -> Array:
    """Time on the rung and gaps."""
    late, weeks = np.sum(t > -4.0), -t[0]
    early = (len(t) - late) / max(weeks - 4.0, 1.0)
    gap = np.append(0.0, np.diff(t))
    away = -t[gap > 3.0 + 1e-9]
    return np.array([
        weeks, len(t), late, np.sum(t > -13.0), late / 4.0 - early, gap[-1],
        np.max(np.where(t > -6.0, gap, 0.0)), np.max(np.where(t > -13.0, gap, 0.0)),
        away[-1] if len(away) else weeks, np.max(gap),
    ])  # fmt: skip


@njit(cache=True, error_model="numpy")
def _loads(t: Array, load: Array) -> Array:
    """How the load grows, in logs a week, how far it is below its most, and how often noted."""
    out = np.zeros(4)
    when, seen = _there(t, load)
    for k, reach in ((0, 6.0), (1, 14.0)):
        late = when >= -reach
        if np.sum(late) >= 2:
            out[k] = _line(when[late], seen[late])[0]
    if len(seen):
        out[2], out[3] = np.max(seen) - seen[-1], len(seen) / len(t)
    return out


@njit(cache=True, error_model="numpy")
def _shares(t: Array, best: Array, counts: Array, met: Array, reach: float) -> Array:
    """Shares of sessions and of sets over some weeks."""
    own = t >= -reach
    sessions, kinds = np.sum(own), np.sum(counts[:, own], axis=1)
    out = np.empty(len(kinds) + 2)
    out[1:-2] = kinds[1:] / max(kinds[0], 1.0)
    out[0], out[-2] = np.sum(met[own]) / sessions, kinds[0] / sessions
    out[-1] = np.sum(np.abs(best[own]) < 0.02) / sessions
    return out


@njit(cache=True, error_model="numpy")
def _bests(t: Array, y: Array) -> Array:
    """Bests, steps, local linear trend."""
    n, out = len(y), np.zeros(17)
    if n == 0:
        out[:3] = NOTHING
        return out
    ever, top = np.empty(n), 0
    for j in range(n):  # best before
        ever[j] = y[top] if j else y[0]
        top = j if y[j] > y[top] + 1e-9 else top
    new, late = y > ever + 1e-9, t > -6.0
    most = np.max(y[late]) if late.any() else y[-1]
    before = np.max(y[~late]) if not late.all() else y[0]
    step, seen = np.diff(y), np.sort(y[t > -_RECENT])
    out[:14] = np.array([
        y[top], most, before, most - before, -t[top], n - 1.0 - top,
        np.sum(new & late), np.sum(new & (t > -13.0)), y[-1], y[-1] - y[max(n - 2, 0)],
        np.sum(np.minimum(np.abs(step), 1.0)) / max(n - 1, 1),
        (1.0 + np.sum(np.diff(seen) > 1e-9)) / max(len(seen), 1), y[0], y[-1] - y[0],
    ])  # fmt: skip
    day_var = 4.0 * _USUAL_STEP**2 + np.sum(np.minimum(0.5 * step**2, 0.09))
    out[14:] = _trend(t, y, day_var / (n + 3))
    return out


@njit(cache=True, error_model="numpy")
def _leap(t: Array, y: Array) -> float:
    """Log scatter around two levels with a leap between, where it fits best, beside a line's."""
    n, least = len(y), _PRIOR * _SCATTER**2
    if n < 4:
        return 0.0
    x, off = t - np.mean(t), y - np.mean(y)
    whole = np.sum(off * off)
    line = max(whole - np.sum(x * off) ** 2 / (np.sum(x * x) + _RIDGE), 0.0) + least
    before = most = 0.0
    for j in range(1, n):  # the leap comes before session j
        before += off[j - 1]
        most = max(most, before * before * n / (j * (n - j)))
    return np.log((max(whole - most, 0.0) + least) / line)


@njit(cache=True, error_model="numpy")
def _trend(t: Array, y: Array, day_var: float) -> Array:
    """Local linear trend: gain a week, its error, and smoothed rise a week over the last six.

    Wild days count less.
    """
    n = len(y)
    mean, cov = np.zeros((n, 2)), np.zeros((n, 3))  # after each session: level, gain; a, b, c
    mean[0, 0], mean[0, 1], cov[0, 0], cov[0, 2] = y[0], 0.015, day_var, 0.04**2
    for j in range(1, n):
        w = t[j] - t[j - 1]
        level, gain = mean[j - 1, 0] + w * mean[j - 1, 1], mean[j - 1, 1]
        a, b, c = _ahead(cov[j - 1], w)
        miss = y[j] - level
        var = day_var * max(1.0, miss * miss / (6.0 * (a + day_var)))
        k, g = a / (a + var), b / (a + var)
        mean[j, 0], mean[j, 1] = level + k * miss, gain + g * miss
        cov[j, 0], cov[j, 1], cov[j, 2] = a * (1.0 - k), b * (1.0 - k), c - g * b
    level, gain = mean[n - 1]
    before, when = level, t[n - 1]
    for j in range(n - 2, -1, -1):  # smoothed backwards, as far as six weeks ago
        w = t[j + 1] - t[j]
        a, b, c = cov[j]
        ahead_a, ahead_b, ahead_c = _ahead(cov[j], w)
        det = ahead_a * ahead_c - ahead_b * ahead_b
        off_level, off_gain = level - mean[j, 0] - w * mean[j, 1], gain - mean[j, 1]
        x = (ahead_c * off_level - ahead_b * off_gain) / det
        z = (ahead_a * off_gain - ahead_b * off_level) / det
        newer = level
        level, gain = mean[j, 0] + (a + w * b) * x + b * z, mean[j, 1] + (b + w * c) * x + c * z
        before, when = level, t[j]
        if t[j] <= t[n - 1] - 6.0:
            share = (t[n - 1] - 6.0 - t[j]) / w
            before, when = level + share * (newer - level), t[n - 1] - 6.0
            break
    rise = (mean[n - 1, 0] - before) / max(t[n - 1] - when, 1.0)
    return np.array([mean[n - 1, 1], np.sqrt(max(cov[n - 1, 2], 1e-12)), rise])


@njit(cache=True, error_model="numpy")
def _ahead(cov: Array, w: float) -> tuple[float, float, float]:
    """Covariance of level and gain some weeks on."""
    (a, b, c), turn = cov, _GAIN_SD**2
    ahead = a + 2.0 * w * b + w * w * c + _LEVEL_SD**2 * w + turn * w**3 / 3.0
    return ahead, b + w * c + turn * w * w / 2.0, c + turn * w
