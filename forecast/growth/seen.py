"""What was seen beside what was expected: how many sessions met, and what the units show."""

from __future__ import annotations

import numpy as np

from forecast.growth.engine import GrowthModel, Tracked
from forecast.growth.lately import log_level
from forecast.growth.session import expected_to_meet
from forecast.types import Array, Ints


def chance_met(model: GrowthModel, tracked: Tracked, at: Ints) -> Array:
    """Return the chance that sessions ``at`` (n,) meet the criterion, as seen before each, (n,)."""
    return expected_to_meet(tracked.panel, model.fit.constants.noise, tracked.filtered)[at]


def gain_ahead(
    model: GrowthModel, mean: Array, done: Array, day: Array, rate: Array, weeks: float = 6.0
) -> Array:
    """Return the gain a calendar week that is expected over the coming weeks, (T,).

    ``mean`` (T, 3) is level, swing and pace at the cut, on day number ``day``, after ``done``
    sessions, at ``rate`` sessions a week lately.
    """
    constants = model.fit.constants
    dose = constants.clock.ahead(np.full(len(mean), weeks), done, day, rate)
    alpha = constants.dynamics.alpha
    later = mean[:, 0] + mean[:, 2] * dose + mean[:, 1] * -np.expm1(-alpha * dose) / alpha
    now, then = (log_level(model, latent)[0] for latent in (mean[:, 0], later))
    return np.asarray((then - now) / weeks)
