"""The engine's opinions as plain tables and numbers for other rooms."""

from __future__ import annotations

import numpy as np
import pandas as pd

from forecast.growth.dynamics import lost_after, split_gap
from forecast.growth.engine import GrowthModel, Tracked
from forecast.growth.filtering import lost_levels, propagate
from forecast.growth.forecasting import GrowthForecast
from forecast.growth.scale import log_slope, to_log
from forecast.histories import Histories
from forecast.types import Array, Ints


def states_table(tracked: Tracked, histories: Histories) -> pd.DataFrame:
    """Return the filtered states as a plain table, one row a session of ``histories.sessions``.

    Columns: ``level, swing, pace`` (latent units, per week), their variances ``var_level`` and
    ``var_gain`` (gain = swing + pace), and ``place`` (the session's place in the panel).
    """
    panel, filtered = tracked.panel, tracked.filtered
    cov = filtered.cov
    table = pd.DataFrame(
        {
            "level": filtered.mean[:, 0] - panel.threshold[panel.spell],
            "swing": filtered.mean[:, 1],
            "pace": filtered.mean[:, 2],
            "var_level": cov[:, 0, 0],
            "var_gain": cov[:, 1, 1] + cov[:, 2, 2] + 2.0 * cov[:, 1, 2],
            "place": np.arange(panel.n_sessions),
        },
        index=panel.session_row,
    )
    return table.sort_index()


def outlook(
    model: GrowthModel,
    tracked: Tracked,
    place: Ints,
    wait_weeks: Array,
    rate: Array,
    weeks: Array,
) -> Array:
    """Return how many standard deviations the level should stand above the target, (T, W).

    ``place`` (T,) is each landmark's last session in the panel, ``wait_weeks`` (T,) the weeks from
    it to the landmark, ``rate`` (T,) sessions a week lately, ``weeks`` (W,) those after the
    landmark at which to look. The spread holds the uncertainty of the state, the motion, and a
    day's form. It is the smooth mean's crossing and no forecast by itself: the hazard model learns
    what to make of it.
    """
    panel, constants = tracked.panel, model.fit.constants
    spell = panel.spell[place]
    result = np.empty((len(place), len(weeks)))
    rest, excess = split_gap(wait_weeks, panel.grace[spell])
    done, day = (panel.number[place] + 1).astype(float), panel.day[place] + 7.0 * wait_weeks
    waited = constants.clock.dose(rest, done, day)
    day_var = (constants.noise.day_sd[panel.measure[spell]] * tracked.filtered.scatter[spell]) ** 2
    lost = lost_levels(panel, constants.dynamics)[place]
    for column, ahead in enumerate(weeks):
        then = lost_after(constants.dynamics, lost, rest, excess)
        then = lost_after(constants.dynamics, then, np.full(len(place), ahead), 0.0 * excess)
        coming = constants.clock.ahead(np.full(len(place), ahead), done, day, rate)
        mean, cov = propagate(
            constants.dynamics,
            tracked.filtered.mean[place],
            tracked.filtered.cov[place],
            waited + coming,
            excess,
            then - lost,
        )
        gap = mean[:, 0] - panel.threshold[spell]
        result[:, column] = gap / np.sqrt(cov[:, 0, 0] + day_var)
    return result


def level_and_gain(model: GrowthModel, forecast: GrowthForecast) -> tuple[Array, Array, Array]:
    """Return level as log(capacity / target), gain a week on that scale, and the gain's spread.

    All (T,), at the cut date.
    """
    latent, cov = forecast.mean[:, 0], forecast.cov
    slope = log_slope(latent, model.linear)
    gain = forecast.mean[:, 1] + forecast.mean[:, 2]
    spread = np.sqrt(cov[:, 1, 1] + cov[:, 2, 2] + 2.0 * cov[:, 1, 2])
    return to_log(latent, model.linear), slope * gain, slope * spread


def pace_effects(model: GrowthModel, forecast: GrowthForecast) -> tuple[Array, Array]:
    """Return how much quicker each target's athlete (T,) and each rung (R,) go than the cohort.

    Gain a week, swing and pace together, shrunk; the athlete's from their other spells alone.
    """
    effects = model.fit.pooled.rung_effects
    return forecast.athlete_effect[:, 1:].sum(axis=1), effects[:, 1:].sum(axis=1)
