"""What is known before the first step of a walk up the ladder."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from forecast.ahead.learning import Climbing, Times, begun_in_log, carry_regressors, start_times
from forecast.ahead.standing import Plan, Standing, ladder_plan
from forecast.growth import (
    GrowthModel,
    Habits,
    Tracked,
    rung_marks,
    trained_lately,
)
from forecast.histories import Histories, day_number
from forecast.types import Array, Ints


@dataclass(frozen=True, slots=True)
class Settings:
    """How to walk: paths shared over draws of the constants, and the days to look ahead.

    Attributes
    ----------
    independent
        Take each rung's climbing time from another path, so that rungs share nothing: for
        comparison only.
    recalibrate
        Time rungs not begun as the log's times say, and not by the simulated days alone.
    """

    paths: int
    draws: int
    seed: int
    most_days: int
    independent: bool = False
    recalibrate: bool = True


@dataclass(frozen=True, slots=True)
class Ground:
    """Everything a walk starts from; ``cut`` is the day number of the cut.

    Attributes
    ----------
    margin, own_pace
        By row of ``histories.spells``: margin at clearing less the usual one, and own pace.
    threshold, measure
        (R,) latent pass mark and measure number of each rung not begun.
    gaps, habits, scatter
        (A, G), A rows and (A,): how each athlete trains lately, and how widely sets scatter.
    times, open_times
        These athletes' times on rungs begun in the log that have ended, and on those under way.
    """

    model: GrowthModel
    tracked: Tracked
    histories: Histories
    climbing: Climbing
    standing: Standing
    plan: Plan
    cut: int
    margin: Array
    own_pace: Array
    threshold: Array
    measure: Ints
    gaps: Array
    habits: Habits
    scatter: Array
    times: Times
    open_times: Times


def survey(
    model: GrowthModel,
    tracked: Tracked,
    histories: Histories,
    climbing: Climbing,
    standing: Standing,
    seed: int,
) -> Ground:
    """Gather what is known of the athletes in ``standing``."""
    panel = tracked.panel
    margin, own_pace = carry_regressors(tracked, histories)
    gaps, habits, scatter = trained_lately(tracked, standing.athletes)
    own = begun_in_log(tracked, histories)
    own = own[np.isin(panel.athlete[own], standing.athletes)]
    still = histories.spells["open"].to_numpy()[own]
    threshold, measure = rung_marks(histories.ladder, model.linear)
    return Ground(
        model=model,
        tracked=tracked,
        histories=histories,
        climbing=climbing,
        standing=standing,
        plan=ladder_plan(histories.ladder),
        cut=int(day_number(pd.Series([histories.as_of]))[0]),
        margin=np.nan_to_num(margin - climbing.margin),
        own_pace=own_pace,
        threshold=threshold,
        measure=measure,
        gaps=gaps,
        habits=habits,
        scatter=scatter,
        times=start_times(tracked, histories, own[~still], seed),
        open_times=start_times(tracked, histories, own[still], seed),
    )
