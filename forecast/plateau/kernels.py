"""Compiled inner loop of the moving-or-stalled model: both states along every spell and copy."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from forecast.types import Array, Ints

_TINY = 1e-300


@njit(cache=True, error_model="numpy")
def switch_along(
    spells: tuple[Ints, Ints, Array],
    sessions: tuple[Array, Array, Array],
    seen: Array,
    constants: tuple[float, float, float, float, float, float, float],
    values: Array,
    chances: Array,
) -> float:
    """Filter both states along every spell and copy; return the log density of what was seen.

    ``spells``: start (S,), length (S,) and first opinion (S, 5); ``sessions``: weeks of training
    since the one before, weeks of break, and variance, (N,); ``seen`` (N, R). ``constants``:
    shift, wiggle, stop, resume, detraining, sd of a week of break, and the squared surprise that
    counts at most. Opinions go to ``values`` (2, 5, N, R) and ``chances`` (2, N, R), unless these
    have no rows.
    """
    start, length, first = spells
    rest, excess, var = sessions
    shift, wiggle, stop, resume, detraining, break_sd, cut = constants
    keep = values.shape[2] > 0
    at_rest = 0.5 * stop / (stop + resume)
    opinion, mixed = np.empty((2, 5)), np.empty((2, 5))
    chance, odds, density, weight = np.empty(2), np.empty(2), np.empty(2), np.empty(2)
    total = 0.0
    for s in range(len(start)):
        for r in range(seen.shape[1]):
            for k in range(5):
                opinion[0, k] = opinion[1, k] = first[s, k]
            chance[0], chance[1] = 1.0 - at_rest, at_rest
            for n in range(start[s], start[s] + length[s]):
                if n > start[s]:
                    t = rest[n]
                    noise = wiggle * wiggle * t + (break_sd * excess[n]) ** 2
                    stops, starts = -math.expm1(-stop * t), -math.expm1(-resume * t)
                    d_level = opinion[0, 0] - opinion[1, 0]
                    d_gain = opinion[0, 1] - opinion[1, 1]
                    for state in range(2):
                        weight[0] = chance[0] * (stops if state else 1.0 - stops)
                        weight[1] = chance[1] * (1.0 - starts if state else starts)
                        odds[state] = max(weight[0] + weight[1], _TINY)
                        w, v = weight[0] / odds[state], weight[1] / odds[state]
                        level = w * opinion[0, 0] + v * opinion[1, 0]
                        gain = w * opinion[0, 1] + v * opinion[1, 1]
                        a = w * opinion[0, 2] + v * opinion[1, 2]
                        b = w * opinion[0, 3] + v * opinion[1, 3]
                        c = w * opinion[0, 4] + v * opinion[1, 4]
                        a += w * v * d_level * d_level
                        b += w * v * d_level * d_gain
                        c += w * v * d_gain * d_gain
                        if state == 0:  # progress runs for t
                            level += t * gain
                            a += 2.0 * t * b + t * t * c + shift * shift * t**3 / 3.0
                            b += t * c + shift * shift * t * t / 2.0
                        level -= detraining * excess[n]
                        a += noise
                        c += shift * shift * t
                        density[state] = 0.0
                        spread = a + var[n]
                        if spread < np.inf:
                            miss = seen[n, r] - level
                            far = max(miss * miss / (cut * spread), 1.0)
                            density[state] = -0.5 * (
                                math.log(2.0 * math.pi * spread) + miss * miss / (spread * far)
                            )
                            k, j = a / (spread * far), b / (spread * far)
                            level, gain, c = level + k * miss, gain + j * miss, c - j * b
                            a, b = a * (1.0 - k), b * (1.0 - k)
                        mixed[state, 0], mixed[state, 1], mixed[state, 2] = level, gain, a
                        mixed[state, 3], mixed[state, 4] = b, c
                    for k in range(5):
                        opinion[0, k], opinion[1, k] = mixed[0, k], mixed[1, k]
                    top = max(density[0], density[1])
                    chance[0] = odds[0] * math.exp(density[0] - top)
                    chance[1] = odds[1] * math.exp(density[1] - top)
                    both = chance[0] + chance[1]
                    total += math.log(both) + top
                    chance[0] /= both
                    chance[1] /= both
                if keep:
                    for state in range(2):
                        chances[state, n, r] = chance[state]
                        for k in range(5):
                            values[state, k, n, r] = opinion[state, k]
    return total
