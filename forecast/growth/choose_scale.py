"""How much of the plain ratio is in the latent scale: chosen by evidence, the log unless beaten.

On a log scale the same percentage counts the same everywhere; a cohort that progresses by so many
seconds a week, and scatters by seconds, is plainer nearer to the ratio itself. Recorded intervals
have the same probability on every scale, so the scales' evidences compare without a Jacobian.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice

import numpy as np

from forecast.growth.fitting import climb, filter_population
from forecast.growth.observation import evidence_slopes
from forecast.growth.panel import Panel, rescaled, take_spells
from forecast.growth.scale import QUICKENING

SHARES = (0.5, 0.85, QUICKENING)
"""Shares of the plain ratio that are tried (judgement): half way, nearly all of it, and the scale
that is bent the other way."""
TRIAL_SPELLS = 30
"""Spells used to compare scales: the longest ones say most about curvature."""
LEAST_SPELLS = 8
"""Fewer spells are no evidence of a law that all share (judgement)."""
MARGIN = 5.0
MARGIN_PER_SET = 0.04
"""Log evidence by which another scale must beat the log: outright, and for each set, so that a
scale which only flatters the noise of many sets does not pass for another law of growth."""
TRIAL_ROUNDS = 3
"""Rounds of each trial fit: after one the noise is still on its way from its prior, and a scale
that only shrinks the record looks better than it is. One that is behind the log even so goes no
further: with all three rounds for all, each of 68 cohorts and growth tables kept its scale."""


def choose_scale(plain: Panel, n_rungs: int) -> float:
    """Return the share of the plain ratio that explains the longest spells best.

    ``plain`` are all spells before the cut, on the log scale.
    """
    trial = take_spells(plain, np.arange(min(TRIAL_SPELLS, plain.n_spells)))
    if trial.n_spells < LEAST_SPELLS:
        return 0.0
    margin = max(MARGIN, MARGIN_PER_SET * float(trial.n_sets.sum()))
    turns = {share: _evidence(rescaled(trial, share), n_rungs) for share in (0.0, *SHARES)}
    found = {share: next(evidence) for share, evidence in turns.items()}
    left = [share for share in SHARES if found[share] > found[0.0]]
    if not left:
        return 0.0
    for share in (0.0, *left):
        *_, found[share] = islice(turns[share], TRIAL_ROUNDS - 1)
    best = max(left, key=found.__getitem__)
    return best if found[best] > found[0.0] + margin else 0.0


def _evidence(panel: Panel, n_rungs: int) -> Iterator[float]:
    """Log probability of all recorded intervals after each round of a fit, slips taken as slips.

    The filter's own evidence would not do: its bounded pull makes a slip dear by its distance, and
    a scale that draws low values together would win by that alone.
    """
    plain = np.ones(panel.n_spells)
    for constants, _, pooled in climb(panel, n_rungs):
        filtered = filter_population(panel, constants, pooled, n_rungs, plain)
        mean, var = filtered.before_mean.copy(), filtered.before_var.copy()
        yield evidence_slopes(panel, constants.noise, mean, var, plain)[0]
