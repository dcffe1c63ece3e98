"""What was seen beside what was expected: how many sessions met, and what the units show."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from forecast.growth.engine import GrowthModel, Tracked
from forecast.growth.lately import log_level
from forecast.growth.observation import TAIL_SCALE, TAIL_WEIGHT

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(15)
_WEIGHTS = _WEIGHTS / np.sqrt(2.0 * np.pi)
MOST_FATIGUE = 4


def chance_met(model: GrowthModel, tracked: Tracked, at: Ints) -> Array:
    """Return the chance that past sessions meet the criterion, from what was known before each.

    The level is that expected from the sessions before; the day's form and the sets' noise are
    the engine's; the sets are as many as could have counted on that day.

    Parameters
    ----------
    model, tracked
        The engine, and the log seen through it.
    at
        (n,) places of sessions in the panel.

    Returns
    -------
    (n,) chances; 0 where no set could have counted.
    """
    panel, noise = tracked.panel, model.fit.constants.noise
    spell = panel.spell[at]
    measure, scatter = panel.measure[spell], panel.scatter[spell]
    day_sd, set_sd = noise.day_sd[measure] * scatter, noise.set_sd[measure] * scatter
    room = tracked.filtered.before_mean[at] - panel.threshold[spell]
    sets = panel.eligible[at]
    chance = np.zeros(len(at))
    for weight, scale in ((1.0 - TAIL_WEIGHT, 1.0), (TAIL_WEIGHT, TAIL_SCALE)):
        spread = np.sqrt(tracked.filtered.before_var[at] + scale * day_sd**2)
        ability = room[:, None] + spread[:, None] * _NODES
        missed = np.ones_like(ability)
        for k in range(int(sets.max(initial=0))):
            tired = min(k, MOST_FATIGUE) * noise.fatigue
            one = (1.0 - noise.slip) * ndtr((ability + tired) / set_sd[:, None])
            missed *= np.where((k < sets)[:, None], 1.0 - one, 1.0)
        chance += weight * ((1.0 - missed) @ _WEIGHTS)
    return np.asarray(np.clip(chance, 0.0, 1.0))


def gain_ahead(
    model: GrowthModel, mean: Array, done: Array, day: Array, rate: Array, weeks: float = 6.0
) -> Array:
    """Return the gain a calendar week that is expected over the coming weeks, (T,).

    Parameters
    ----------
    model
        The engine.
    mean
        (T, 3) level, swing and pace at the cut.
    done, day
        (T,) sessions so far, and day number of the cut.
    rate
        (T,) sessions a week lately.
    weeks
        Weeks looked ahead.
    """
    constants = model.fit.constants
    dose = constants.clock.ahead(np.full(len(mean), weeks), done, day, rate)
    alpha = constants.dynamics.alpha
    later = mean[:, 0] + mean[:, 2] * dose + mean[:, 1] * -np.expm1(-alpha * dose) / alpha
    now, then = (log_level(model, latent)[0] for latent in (mean[:, 0], later))
    return np.asarray((then - now) / weeks)
