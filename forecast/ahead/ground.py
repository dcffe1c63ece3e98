"""What is known before the first step of a walk up the ladder."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecast.ahead.climbing import Climbing, carry_regressors
from forecast.ahead.standing import Plan, Standing, ladder_plan
from forecast.growth import GrowthModel, Tracked
from forecast.growth.engine import recent_gaps
from forecast.growth.habits import Habits, athlete_habits
from forecast.growth.intervals import pass_ratio
from forecast.growth.panel import MEASURES, day_number
from forecast.growth.scale import to_latent
from forecast.histories import Histories
from forecast.histories.attendance import gap_table

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Ground:
    """Everything a walk starts from.

    Attributes
    ----------
    model, tracked, histories, climbing
        The growth engine, the log seen through it, the log, what it taught about climbing.
    standing, plan, cut
        Where the athletes stand, the ladder as arrays, the day number of the cut.
    place
        (rows of ``histories.spells``,) place of each spell in the panel, -1 for none.
    margin, own_pace
        By row of ``histories.spells``: margin at clearing less the usual one, and own pace.
    threshold, measure
        (R,) latent pass mark and measure number of each rung not begun.
    gaps, habits, scatter
        (A, G), A rows and (A,): how each athlete trains lately, and how widely sets scatter.
    """

    model: GrowthModel
    tracked: Tracked
    histories: Histories
    climbing: Climbing
    standing: Standing
    plan: Plan
    cut: int
    place: Ints
    margin: Array
    own_pace: Array
    threshold: Array
    measure: Ints
    gaps: Array
    habits: Habits
    scatter: Array


def survey(
    model: GrowthModel,
    tracked: Tracked,
    histories: Histories,
    climbing: Climbing,
    standing: Standing,
) -> Ground:
    """Gather what is known of the athletes in ``standing``."""
    panel = tracked.panel
    place = np.full(len(histories.spells), -1, dtype=np.int64)
    place[panel.spell_row] = np.arange(panel.n_spells)
    margin, own_pace = carry_regressors(model, tracked, histories)
    mine = [np.flatnonzero(panel.athlete == number) for number in standing.athletes]
    latest = [spells[np.argmax(panel.day[panel.last[spells]])] for spells in mine]
    spell = np.array(latest, dtype=np.int64)
    last = panel.last[spell]
    level = tracked.filtered.mean[:, 0]
    criteria = [rung.criterion for rung in histories.ladder.rungs]
    ratios = [pass_ratio(c.target, 1.0, c.measure) for c in criteria]
    return Ground(
        model=model,
        tracked=tracked,
        histories=histories,
        climbing=climbing,
        standing=standing,
        plan=ladder_plan(histories.ladder),
        cut=int(day_number(pd.Series([histories.as_of]))[0]),
        place=place,
        margin=np.nan_to_num(margin - climbing.margin),
        own_pace=own_pace,
        threshold=to_latent(np.asarray(ratios), model.power),
        measure=np.array([MEASURES.index(c.measure) for c in criteria]),
        gaps=gap_table(recent_gaps(panel, last), model.rhythm),
        habits=athlete_habits(panel, panel.eligible, level, last, model.habits),
        scatter=panel.scatter[spell],
    )
