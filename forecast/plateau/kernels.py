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
_LENGTHS, _STRETCHES = np.array(LENGTHS), np.array(STRETCHES)
MISCELLANEOUS = (
    "weeks on rung", "sessions", "sessions in 4 weeks", "sessions in 13 weeks",
    "rate, late to before", "last gap", "longest gap in 6 weeks",
    "longest gap in 13 weeks", "weeks since 3 weeks away", "longest gap",
    *(f"{kind}, {when}" for when in ("6 weeks", "all")
      for kind in ("met", "counting", "clean", "assisted", "stopped at mark",
                   "stopped by choice", "nothing done", "sets a session", "exactly the mark")),
    "best ever", "best of 6 weeks", "best before", "best, 6 weeks to before",
    "weeks since best", "sessions since best", "new bests in 6 weeks", "new bests in 13",
    "latest", "latest step", "usual step", "turning of steps",
    "turning of steps, 13 weeks", "different values in 26 weeks", "current run",
    "first value", "latest less first",
    *(f"{speed} trend: {figure}" for speed in ("quick", "middling", "slow", "slowest")
      for figure in ("gain", "its error", "rise of 6 weeks")),
    "top quarter of 6 weeks less of 6 before", "smoothed rise, 6 weeks",
    "a leap: size", "a leap: weeks since", "leap beside line", "a bend: slope since",
    "a bend: turn", "a bend: weeks since", "bend beside line",
    "load: slope, 6 weeks", "load: slope, 14 weeks", "load: below its most", "load: noted",
)  # fmt: skip
_RIDGE, _SCATTER, _PRIOR = 0.5, 0.06, 2.0
"""Lines are laid as if half a squared week, and two residuals of 0.06, had been seen besides."""
_TRENDS = np.array([[0.02, 0.020], [0.03, 0.007], [0.02, 0.0025], [0.01, 0.0008]])
"""Of local linear trends: sd of the level's and of the gain's change after a week."""
_RECENT = 26.0
"""Weeks in which a leap or a bend is looked for."""
_USUAL_STEP = 0.1
"""Sd of a day, as if four steps between days had shown it."""


@njit(cache=True, error_model="numpy")
def along(start: Ints, length: Ints, day: Ints, value: Array) -> Array:
    """Slope a week over the last 9 and 26 weeks, step, best before, leap beside a line; (5, N).

    Missing where there is none.
    """
    out = np.full((5, len(day)), np.nan)
    for s in range(len(start)):
        low = np.array([start[s], start[s]])
        last = most = np.nan
        for q in range(start[s], start[s] + length[s]):
            y = value[q]
            if not np.isfinite(y):
                continue
            out[2, q], out[3, q] = min(abs(y - last), 1.0), most
            last, most = y, y if np.isnan(most) else max(most, y)
            for k in range(2):
                while day[q] - day[low[k]] > (63, 182)[k]:
                    low[k] += 1
                n = st = sy = stt = sty = 0.0
                for p in range(low[k], q + 1):
                    if np.isfinite(value[p]):
                        t = (day[p] - day[q]) / 7.0
                        n += 1.0
                        st += t
                        sy += value[p]
                        stt += t * t
                        sty += t * value[p]
                if n >= 3.0:
                    fit = (sty - st * sy / n) / (stt - st * st / n + _RIDGE)
                    out[k, q] = min(max(fit, -0.3), 0.3)
            there = np.isfinite(value[low[1] : q + 1])
            y, t = value[low[1] : q + 1][there], (day[low[1] : q + 1][there] - day[q]) / 7.0
            out[4, q] = _broken(y, t)[2]
    return out


@njit(cache=True, error_model="numpy")
def own_figures(
    first: Ints, at: Ints, day: Ints, values: Array, counts: Array, met: Array
) -> Array:
    """Figures of one spell each, (n, F), from its sessions ``first`` to ``at``, both included."""
    n_windows, n_stretches = len(_LENGTHS), len(_STRETCHES) - 1
    width = 10 * n_windows + 3 * n_stretches + len(MISCELLANEOUS)
    out = np.zeros((len(at), width))
    best = np.where(np.isfinite(values[0]), values[0], values[1])
    for i in range(len(at)):
        _lines(out[i], 0, first[i], at[i], day, best)
        _lines(out[i], 5 * n_windows, first[i], at[i], day, values[2])
        place = 10 * n_windows
        _stretches(out[i], place, first[i], at[i], day, values[0], True)
        _stretches(out[i], place + 2 * n_stretches, first[i], at[i], day, values[1], False)
        place = _attended(out[i], place + 3 * n_stretches, first[i], at[i], day)
        place = _shares(out[i], place, first[i], at[i], day, values[0], counts, met)
        _loads(out[i], width - 4, first[i], at[i], day, values[3])
        _bests(out[i], place, first[i], at[i], day, best, met)
    return out


@njit(cache=True, error_model="numpy")
def _lines(out: Array, place: int, first: int, at: int, day: Ints, value: Array) -> None:
    """Least squares over each stretch: slope, its error, their ratio, mean, number."""
    sums = np.zeros((len(_LENGTHS), 6))
    for q in range(at, first - 1, -1):
        y = value[q]
        if not np.isfinite(y):
            continue
        t = (day[q] - day[at]) / 7.0
        w = 0
        while -t > _LENGTHS[w]:
            w += 1
        sums[w, 0] += 1.0
        sums[w, 1] += t
        sums[w, 2] += y
        sums[w, 3] += t * t
        sums[w, 4] += t * y
        sums[w, 5] += y * y
    total = np.zeros(6)
    for w in range(len(_LENGTHS)):
        total += sums[w]
        n = total[0]
        j = place + 5 * w
        if n == 0.0:
            out[j + 1], out[j + 3] = 1.0, -9.0
            continue
        xx = max(total[3] - total[1] * total[1] / n, 0.0)
        xy = total[4] - total[1] * total[2] / n
        yy = max(total[5] - total[2] * total[2] / n, 0.0)
        slope = xy / (xx + _RIDGE)
        left = max(yy - 2.0 * slope * xy + slope * slope * xx, 0.0)
        var = (left + _PRIOR * _SCATTER**2) / (max(n - 2.0, 0.0) + _PRIOR)
        error = np.sqrt(var / (xx + _RIDGE))
        out[j], out[j + 1], out[j + 2] = slope, error, slope / error
        out[j + 3], out[j + 4] = total[2] / n, n


@njit(cache=True, error_model="numpy")
def _stretches(
    out: Array, place: int, first: int, at: int, day: Ints, value: Array, medians: bool
) -> None:
    """Most of each stretch beside that of the latest, and median; an empty one as the one after."""
    n_stretches = len(_STRETCHES) - 1
    held = np.empty(at - first + 1)
    q = at
    now, then = np.full(2, np.nan), np.full(2, np.nan)
    for w in range(n_stretches):
        n = 0
        while q >= first and (day[at] - day[q]) / 7.0 <= _STRETCHES[w + 1]:
            if np.isfinite(value[q]):
                held[n] = value[q]
                n += 1
            q -= 1
        if n:
            then[0], then[1] = np.max(held[:n]), np.median(held[:n])
            if not np.isfinite(now[0]):
                now[:] = then
        for k in range(1 + medians):
            out[place + k * n_stretches + w] = now[k] - then[k] if np.isfinite(then[k]) else 0.0
    for k in range(1 + medians):
        out[place + k * n_stretches] = now[k] if np.isfinite(now[k]) else -9.0


@njit(cache=True, error_model="numpy")
def _attended(out: Array, place: int, first: int, at: int, day: Ints) -> int:
    """Time on the rung and gaps; returns the place after them."""
    weeks = (day[at] - day[first]) / 7.0
    late4 = late13 = 0.0
    gap6 = gap13 = longest = 0.0
    since = weeks
    away = False
    for q in range(at, first - 1, -1):
        ago = (day[at] - day[q]) / 7.0
        late4 += ago < 4.0
        late13 += ago < 13.0
        if q > first:
            gap = (day[q] - day[q - 1]) / 7.0
            longest = max(longest, gap)
            if ago < 6.0:
                gap6 = max(gap6, gap)
            if ago < 13.0:
                gap13 = max(gap13, gap)
            if gap > 3.0 and not away:
                since, away = ago, True
    number = at - first + 1
    early = (number - late4) / max(weeks - 4.0, 1.0)
    last = (day[at] - day[at - 1]) / 7.0 if at > first else 0.0
    figures = np.array([
        weeks, float(number), late4, late13, late4 / 4.0 - early, last, gap6, gap13, since, longest,
    ])  # fmt: skip
    out[place : place + len(figures)] = figures
    return place + len(figures)


@njit(cache=True, error_model="numpy")
def _loads(out: Array, place: int, first: int, at: int, day: Ints, load: Array) -> None:
    """How the load grows, in logs a week, and how far it is below its most."""
    most = now = np.nan
    noted = 0.0
    for k in range(2):
        reach = (42, 98)[k]
        n = st = sy = stt = sty = 0.0
        q = at
        while q >= first and day[at] - day[q] <= reach:
            if np.isfinite(load[q]):
                t = (day[q] - day[at]) / 7.0
                n += 1.0
                st += t
                sy += load[q]
                stt += t * t
                sty += t * load[q]
            q -= 1
        if n >= 2.0:
            out[place + k] = (sty - st * sy / n) / (stt - st * st / n + _RIDGE)
    for q in range(first, at + 1):
        if np.isfinite(load[q]):
            noted += 1.0
            now = load[q]
            most = max(most, now) if np.isfinite(most) else now
    if noted:
        out[place + 2], out[place + 3] = most - now, noted / (at - first + 1)


@njit(cache=True, error_model="numpy")
def _shares(
    out: Array, place: int, first: int, at: int, day: Ints, best: Array, counts: Array, met: Array
) -> int:
    """Shares of sessions and of sets, over six weeks and over all; returns the place after them."""
    for reach in (42, 10**9):
        sessions = sets = hits = exact = 0.0
        kinds = np.zeros(len(counts))
        q = at
        while q >= first and day[at] - day[q] <= reach:
            sessions += 1.0
            hits += met[q]
            exact += abs(best[q]) < 0.02
            for k in range(len(counts)):
                kinds[k] += counts[k, q]
            q -= 1
        sets = max(kinds[0], 1.0)
        out[place] = hits / sessions
        for k in range(1, len(counts)):
            out[place + k] = kinds[k] / sets
        out[place + len(counts)] = sets / sessions
        out[place + len(counts) + 1] = exact / sessions
        place += len(counts) + 2
    return place


@njit(cache=True, error_model="numpy")
def _bests(out: Array, place: int, first: int, at: int, day: Ints, best: Array, met: Array) -> None:
    """Bests, steps, and local linear trends."""
    n = 0
    y, t = np.empty(at - first + 1), np.empty(at - first + 1)
    for q in range(first, at + 1):
        if np.isfinite(best[q]):
            y[n], t[n] = best[q], (day[q] - day[at]) / 7.0
            n += 1
    run = 0.0
    while at - run >= first and met[int(at - run)] > 0:
        run += 1.0
    if n == 0:
        for j in range(4):
            out[place + j] = -9.0 if j < 3 else 0.0
        out[place + 14] = run
        return
    ever = late = before = -9.0
    since_best = 0
    new6 = new13 = 0.0
    for j in range(n):
        if y[j] > ever + 1e-9:
            if j:
                new6 += t[j] > -6.0
                new13 += t[j] > -13.0
            ever, since_best = y[j], j
        if t[j] > -6.0:
            late = max(late, y[j])
        else:
            before = max(before, y[j])
    late = late if late > -9.0 else y[n - 1]
    before = before if before > -9.0 else y[0]
    steps = turns = square = turns13 = square13 = 0.0
    for j in range(1, n):
        d = y[j] - y[j - 1]
        steps += min(abs(d), 1.0)
        if j > 1:
            e = y[j - 1] - y[j - 2]
            turns += d * e
            square += 0.5 * (d * d + e * e)
            if t[j] > -13.0:
                turns13 += d * e
                square13 += 0.5 * (d * d + e * e)
    seen = np.sort(y[:n][t[:n] > -26.0])
    different = 1.0
    for j in range(1, len(seen)):
        different += seen[j] > seen[j - 1] + 1e-9
    figures = np.array([
        ever, late, before, late - before, -t[since_best], n - 1.0 - since_best, new6, new13,
        y[n - 1], y[n - 1] - y[max(n - 2, 0)], steps / max(n - 1, 1),
        turns / (square + 1e-4), turns13 / (square13 + 1e-4), different / max(len(seen), 1), run,
        y[0], y[n - 1] - y[0],
    ])  # fmt: skip
    out[place : place + len(figures)] = figures
    place += len(figures)
    day_var = 4.0 * _USUAL_STEP**2
    for j in range(1, n):
        day_var += min(0.5 * (y[j] - y[j - 1]) ** 2, 0.09)
    for k in range(len(_TRENDS)):
        out[place : place + 3] = _trend(y[:n], t[:n], day_var / (n + 3), _TRENDS[k])
        place += 3
    out[place] = _upper(y[:n], t[:n], 0.0, 6.0) - _upper(y[:n], t[:n], 6.0, 12.0)
    if not np.isfinite(out[place]):
        out[place] = 0.0
    out[place + 1] = _smooth(y[:n], t[:n], 0.0) - _smooth(y[:n], t[:n], -6.0)
    late_t = t[:n] > -_RECENT
    out[place + 2 : place + 9] = _broken(y[:n][late_t], t[:n][late_t])


@njit(cache=True, error_model="numpy")
def _broken(y: Array, t: Array) -> Array:
    """One leap between two levels, and one bend in a line, each where it fits best.

    Size, weeks since and log scatter beside a line's; slope since, turn, weeks since, log scatter.
    """
    out = np.zeros(7)
    n, least = len(y), _PRIOR * _SCATTER**2
    if n < 4:
        return out
    base = t[0]
    st = sy = stt = sty = syy = 0.0
    for j in range(n):
        x = t[j] - base
        st, sy, syy = st + x, sy + y[j], syy + y[j] * y[j]
        stt, sty = stt + x * x, sty + x * y[j]
    xx, xy = stt - st * st / n + _RIDGE, sty - st * sy / n
    line = max(syy - sy * sy / n - xy * xy / xx, 0.0) + least
    leap = bend = line * 1e9
    after = ut = uy = utt = uty = 0.0
    for j in range(n - 1, 0, -1):  # the part from session j on
        x = t[j] - base
        after += 1.0
        ut, uy, utt, uty = ut + x, uy + y[j], utt + x * x, uty + x * y[j]
        before = n - after
        left = syy - uy * uy / after - (sy - uy) ** 2 / before + least
        if left < leap:
            leap = left
            out[0], out[1] = uy / after - (sy - uy) / before, -t[j]
            out[2] = np.log(left / line)
        if after < 3.0 or before < 2.0:
            continue
        # a line and what is added from session j on, both beside their means
        sh, shh, shy = ut - after * x, utt - 2.0 * x * ut + after * x * x, uty - x * uy
        sth = utt - x * ut
        hh, xh, hy = shh - sh * sh / n + _RIDGE, sth - st * sh / n, shy - sh * sy / n
        det = xx * hh - xh * xh
        slope, turn = (xy * hh - hy * xh) / det, (hy * xx - xy * xh) / det
        left = max(syy - sy * sy / n - slope * xy - turn * hy, 0.0) + least
        if left < bend:
            bend = left
            out[3], out[4], out[5] = slope + turn, turn, -t[j]
            out[6] = np.log(left / line)
    return out


@njit(cache=True, error_model="numpy")
def _upper(y: Array, t: Array, low: float, high: float) -> float:
    """Mean of the upper quarter (one at least) of the values in a stretch."""
    own = np.sort(y[(t <= -low) & (t > -high)])
    if len(own) == 0:
        return np.nan
    return float(np.mean(own[min(int(0.75 * len(own)), len(own) - 1) :]))


@njit(cache=True, error_model="numpy")
def _smooth(y: Array, t: Array, when: float) -> float:
    """Values around a time, weighed down with distance."""
    weight = np.exp(-((t - when) ** 2) / 8.0) + 1e-6 * np.exp(-np.abs(t - when)) + 1e-12
    return np.sum(weight * y) / np.sum(weight)


@njit(cache=True, error_model="numpy")
def _trend(y: Array, t: Array, day_var: float, sd: Array) -> Array:
    """Local linear trend: gain a week, its error, and smoothed rise a week over the last six.

    Wild days count less.
    """
    n = len(y)
    mean, cov = np.zeros((n, 2)), np.zeros((n, 3))  # after each session: level, gain; a, b, c
    mean[0, 0], mean[0, 1], cov[0, 0], cov[0, 2] = y[0], 0.015, day_var, 0.04**2
    for j in range(1, n):
        w = t[j] - t[j - 1]
        level, gain = mean[j - 1, 0] + w * mean[j - 1, 1], mean[j - 1, 1]
        a, b, c = cov[j - 1]
        a += 2.0 * w * b + w * w * c + sd[0] ** 2 * w + sd[1] ** 2 * w**3 / 3.0
        b += w * c + sd[1] ** 2 * w * w / 2.0
        c += sd[1] ** 2 * w
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
        ahead_a = a + 2.0 * w * b + w * w * c + sd[0] ** 2 * w + sd[1] ** 2 * w**3 / 3.0
        ahead_b = b + w * c + sd[1] ** 2 * w * w / 2.0
        ahead_c = c + sd[1] ** 2 * w
        det = ahead_a * ahead_c - ahead_b * ahead_b
        off_level = level - mean[j, 0] - w * mean[j, 1]
        off_gain = gain - mean[j, 1]
        x = (ahead_c * off_level - ahead_b * off_gain) / det
        z = (ahead_a * off_gain - ahead_b * off_level) / det
        newer, newer_at = level, t[j + 1]
        level = mean[j, 0] + (a + w * b) * x + b * z
        gain = mean[j, 1] + (b + w * c) * x + c * z
        before, when = level, t[j]
        if t[j] <= t[n - 1] - 6.0:
            share = (t[n - 1] - 6.0 - t[j]) / (newer_at - t[j])
            before, when = level + share * (newer - level), t[n - 1] - 6.0
            break
    rise = (mean[n - 1, 0] - before) / max(t[n - 1] - when, 1.0)
    return np.array([mean[n - 1, 1], np.sqrt(max(cov[n - 1, 2], 1e-12)), rise])
