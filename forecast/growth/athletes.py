"""What an athlete's other spells say about the one in hand."""

from __future__ import annotations

import numpy as np

from forecast.growth.constants import GrowthConstants
from forecast.growth.filtering import Filtered, stretches
from forecast.growth.information import SpellInformation, spell_information
from forecast.growth.panel import Panel
from forecast.growth.pooling import Pooled, marginalise_own, spell_priors
from forecast.types import Array, Ints


def loose_information(
    panel: Panel, constants: GrowthConstants, filtered: Filtered
) -> SpellInformation:
    """Each spell's information with its own effect integrated out."""
    between = stretches(panel, constants.clock, constants.dynamics)
    info = spell_information(between, filtered.site_mean, filtered.site_var)
    return marginalise_own(info, constants.pooling.own)


def spell_pairs(panel: Panel, targets: Ints, *, finished_only: bool) -> tuple[Ints, Ints]:
    """Return (target number, source spell) for all other spells of each target's athlete.

    ``targets`` (T,) are places in the panel. With ``finished_only``: only spells whose last session
    came no later than the target's first, which could have been known when the target began.
    """
    by_athlete: dict[int, Ints] = {
        int(a): np.flatnonzero(panel.athlete == a) for a in np.unique(panel.athlete[targets])
    }
    numbers: list[Ints] = []
    sources: list[Ints] = []
    first, last = panel.day[panel.start], panel.day[panel.last]
    for number, spell in enumerate(targets):
        others = by_athlete[int(panel.athlete[spell])]
        others = others[others != spell]
        if finished_only:
            others = others[last[others] <= first[spell]]
        numbers.append(np.full(len(others), number, dtype=np.int64))
        sources.append(others)
    if not numbers:
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
    return np.concatenate(numbers), np.concatenate(sources)


def priors_from_others(
    panel: Panel,
    constants: GrowthConstants,
    pooled: Pooled,
    loose: SpellInformation,
    targets: Ints,
    *,
    finished_only: bool,
) -> tuple[Array, Array]:
    """Opinion at the start of the target spells from rung, cohort and the athlete's others."""
    pairs = spell_pairs(panel, targets, finished_only=finished_only)
    return spell_priors(
        loose,
        panel.rung,
        pairs,
        panel.rung[targets],
        pooled.common_mean,
        pooled.common_cov,
        constants.pooling,
    )
