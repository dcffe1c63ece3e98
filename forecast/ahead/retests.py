"""Cleared rungs that may have been lost again: due for a re-test."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtr

from forecast.ahead.result import check_drop
from forecast.ahead.standing import MOST_WEEKS, continued, filter_on, last_trained, weeks_off
from forecast.growth import GrowthModel, Tracked
from forecast.growth.filtering import propagate
from forecast.growth.scale import to_log
from forecast.histories import CLEARED
from forecast.log.training_log import TrainingLog
from forecast.readiness import Fitted, LogView, as_view
from forecast.readiness.result import DIGITS
from forecast.types import Array

LEAST_DROP = 0.05
"""Drop of the level since clearing, in log units, below which nobody is asked back (judgement)."""

RETEST_COLUMNS = (
    "athlete", "rung", "rung_name", "cleared_on", "last_trained", "weeks_untrained", "weeks_off",
    "level_then", "level", "level_value", "target", "p_below", "due", "text",
)  # fmt: skip


def retests(
    model: Fitted | LogView,
    log: TrainingLog | None = None,
    as_of: pd.Timestamp | str | None = None,
    *,
    least_drop: float = LEAST_DROP,
) -> pd.DataFrame:
    """Return one row a cleared rung, with whether it is due for a re-test.

    The growth engine's filter goes on over the sets logged after clearing; from the last of them
    the level is held, less what layoffs take: weeks in which the athlete logged nothing, on any
    rung, beyond ordinary rest, and not yet trained back. A rung that was only left alone while
    others were trained is taken as kept (common practice, no source); ``weeks_untrained`` shows
    for how long. A rung is due when the level is now below the target and at least ``least_drop``
    below where it stood at clearing.

    Parameters
    ----------
    model
        A fitted forecaster, or its view of a log, which has a log and a cut date already.
    log
        The log, of the same ladder as the one fitted on.
    as_of
        Cut date; the day after the last set where left out.
    least_drop
        In log units, so 0.05 is about 5 %.

    Returns
    -------
    DataFrame
        Columns ``RETEST_COLUMNS``, by athlete and in ladder order. ``weeks_off`` are weeks beyond
        ordinary rest; levels are log(capacity / target) of a usual day; ``p_below`` the chance
        that the level is below the target.

    Raises
    ------
    NotFittedError
        ``fit`` was not called.
    ForecastError
        The ladder is not the one fitted on, or ``least_drop`` is out of range.
    HistoryError
        No set is dated before ``as_of``.
    """
    check_drop("least_drop", least_drop)
    view = as_view(model, log, as_of)
    growth = view.growth
    then = _cleared_levels(growth, view.tracked)
    longer = continued(view.histories)
    panel, filtered = filter_on(growth, longer)
    mine = np.flatnonzero(longer.spells["outcome"].to_numpy()[panel.spell_row] == CLEARED)
    rows = panel.spell_row[mine]
    spells = longer.spells.iloc[rows]
    off = weeks_off(longer, rows, panel.grace[mine])
    last = panel.last[mine]
    mean, cov = propagate(
        growth.fit.constants.dynamics, filtered.mean[last],
        filtered.cov[last], np.zeros(len(mine)), np.minimum(off, MOST_WEEKS),
    )  # fmt: skip
    seen = last_trained(longer, rows)
    level = to_log(mean[:, 0], growth.linear)
    below = ndtr(-mean[:, 0] / np.sqrt(cov[:, 0, 0]))
    criteria = {rung.key: rung for rung in longer.ladder.rungs}
    target = np.array([criteria[key].criterion.target for key in spells["rung"]], dtype=float)
    table = pd.DataFrame(
        {
            "athlete": spells["athlete"].to_numpy(),
            "rung": spells["rung"].to_numpy(),
            "rung_name": [criteria[key].name for key in spells["rung"]],
            "cleared_on": spells["cleared_on"].to_numpy(),
            "last_trained": seen,
            "weeks_untrained": np.round((longer.as_of - seen).dt.days / 7.0, 2),
            "weeks_off": np.round(off, 2),
            "level_then": np.round(then[rows], DIGITS),
            "level": np.round(level, DIGITS),
            "level_value": np.round(target * np.exp(level), DIGITS),
            "target": target,
            "p_below": np.round(below, DIGITS),
            "due": (level < 0.0) & (then[rows] - level >= least_drop),
        }
    )
    table["text"] = [_sentence(row) for row in table.itertuples()]
    table["place"] = spells["rung_index"].to_numpy()
    table = table.sort_values(["athlete", "place"], ignore_index=True)
    return table[list(RETEST_COLUMNS)]


def _cleared_levels(model: GrowthModel, tracked: Tracked) -> Array:
    """By row of ``histories.spells``: level at the last session up to clearing."""
    panel = tracked.panel
    latent = np.zeros(int(panel.spell_row.max()) + 1)
    latent[panel.spell_row] = tracked.filtered.mean[panel.last, 0]
    return to_log(latent, model.linear)


def _sentence(row: Any) -> str:
    if not row.due:
        return ""
    why = (
        f"after about {row.weeks_off:.0f} week{'s' * (row.weeks_off >= 1.5)} off"
        if row.weeks_off >= 1
        else "as sets logged since clearing show"
    )
    return (
        f"Due for a re-test: stands at about {row.level_value:.1f} where the pass mark is "
        f"{row.target:g}, {why}. Come back gradually; pain ends the session."
    )
