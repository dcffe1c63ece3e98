"""Forecasts of spells under way, of rungs not yet begun, and from past moments."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from forecast.growth.athletes import loose_information, priors_from_others
from forecast.growth.constants import GrowthConstants
from forecast.growth.dynamics import lost_after, split_gap
from forecast.growth.engine import GrowthModel, Tracked
from forecast.growth.ensemble import average_passage, plain_average_passage
from forecast.growth.filtering import Filtered, forward_pass, lost_levels, propagate, stretches
from forecast.growth.habits import untried_habits
from forecast.growth.intervals import pass_ratio
from forecast.growth.panel import GRACE_WEEKS, MEASURES, take_spells
from forecast.growth.passage import Passage, Simulation, Targets
from forecast.growth.pooling import spell_priors
from forecast.growth.scale import to_latent
from forecast.growth.targets import recent_gaps, targets_at
from forecast.histories import (
    Histories,
    day_number,
    first_gap_table,
    gap_table,
)
from forecast.types import Array, Ints


@dataclass(frozen=True, slots=True)
class GrowthForecast:
    """Forecasts of T spells.

    ``passage``; ``mean`` (T, 3) and ``cov`` (T, 3, 3) of (level, swing, pace) at the cut;
    ``athlete_effect`` (T, 3) what the athlete's other spells add to the rung's usual start.
    """

    passage: Passage
    mean: Array
    cov: Array
    athlete_effect: Array


def forecast_open(
    model: GrowthModel,
    tracked: Tracked,
    which: Ints,
    as_of_day: int,
    confirm: Ints,
    run: Ints,
    how: Simulation,
) -> GrowthForecast:
    """Forecast spells under way at the cut, whose day number is ``as_of_day``.

    ``which`` (T,) are their places in the panel, in increasing order; ``confirm`` and ``run`` (T,)
    as in ``Targets``.
    """
    panel = take_spells(tracked.panel, which)
    last, full_last = panel.last, tracked.panel.last[which]
    wait = (as_of_day - panel.day[last]).astype(float)
    base = targets_at(model, tracked.panel, tracked.filtered, full_last, wait, confirm, run)
    passage = average_passage(model, tracked, base, full_last, how, finished_only=False)
    centre = _open_states(model, model.fit.constants, tracked, which)
    rest, excess = split_gap(wait / 7.0, panel.grace)
    clock, dynamics = model.fit.constants.clock, model.fit.constants.dynamics
    tau = clock.dose(
        rest, (panel.number[last] + 1).astype(float), np.full(len(which), float(as_of_day))
    )
    lost = lost_levels(panel, dynamics)[last]
    loss = lost_after(dynamics, lost, rest, excess) - lost
    mean, cov = propagate(dynamics, centre.mean[last], centre.cov[last], tau, excess, loss)
    return GrowthForecast(passage, mean, cov, _athlete_effect(model, tracked, which))


def _open_states(
    model: GrowthModel, constants: GrowthConstants, tracked: Tracked, which: Ints
) -> Filtered:
    """Filter the asked-for spells under these constants with all the athlete's other spells."""
    panel = tracked.panel
    loose = loose_information(panel, constants, tracked.filtered)
    mean, cov = priors_from_others(
        panel, constants, model.fit.pooled, loose, which, finished_only=False
    )
    mine, scatter = take_spells(panel, which), tracked.filtered.scatter[which]
    between = stretches(mine, constants.clock, constants.dynamics)
    return forward_pass(mine, between, constants.noise, mean, cov, scatter)


def _athlete_effect(model: GrowthModel, tracked: Tracked, which: Ints) -> Array:
    """(T, 3) shift of the prior that the athlete's other spells bring."""
    fit, panel = model.fit, tracked.panel
    mean, _ = priors_from_others(
        panel, fit.constants, fit.pooled, tracked.loose, which, finished_only=False
    )
    pooled = fit.pooled
    return np.asarray(mean - pooled.centre - pooled.rung_effects[panel.rung[which]])


def forecast_untried(
    model: GrowthModel,
    tracked: Tracked,
    untried: pd.DataFrame,
    histories: Histories,
    how: Simulation,
) -> GrowthForecast:
    """Forecast rungs that are open but have no session yet; all draws count alike.

    ``untried`` has one row a target: ``athlete_id``, ``rung_index`` and ``ready_on`` (the day from
    which the rung may be trained).
    """
    fit, panel = model.fit, tracked.panel
    rung = untried["rung_index"].to_numpy(dtype=np.int64)
    owners = untried["athlete_id"].to_numpy(dtype=np.int64)
    pairs = [np.flatnonzero(panel.athlete == owner) for owner in owners]
    numbers = np.repeat(np.arange(len(owners)), [len(p) for p in pairs])
    mean, cov = spell_priors(
        tracked.loose, panel.rung, (numbers, np.concatenate(pairs)), rung,
        fit.pooled.common_mean, fit.pooled.common_cov, fit.constants.pooling,
    )  # fmt: skip
    latest = np.array([p[np.argmax(panel.day[panel.last[p]])] for p in pairs])
    gaps = gap_table(recent_gaps(panel, panel.last[latest]), model.rhythm)
    cut_day = day_number(pd.Series(np.full(len(rung), histories.as_of)))
    wait = (cut_day - day_number(untried["ready_on"])).astype(float)
    delays = np.tile(model.rhythm.delays, (len(rung), 1))
    criteria = [histories.ladder.rungs[r].criterion for r in rung]
    ratios = [pass_ratio(c.target, 1.0, c.measure) for c in criteria]
    targets = Targets(
        mean=mean,
        cov=cov,
        threshold=to_latent(np.asarray(ratios), model.linear),
        measure=np.array([MEASURES.index(c.measure) for c in criteria]),
        grace=np.full(len(rung), GRACE_WEEKS),
        confirm=np.array([c.confirm_sessions for c in criteria]),
        run=np.zeros(len(rung), dtype=np.int64),
        wait=wait,
        gaps=gaps,
        first_gaps=first_gap_table(
            delays, np.maximum(wait, 0.0), model.rhythm.absences, float(cut_day[0])
        ),
        habits=untried_habits(len(rung), model.habits),
        untried=True,
        clock=model.fit.constants.clock,
        last_day=day_number(untried["ready_on"]).astype(float),
    )
    passage = plain_average_passage(model, targets, how)
    effects = fit.pooled.rung_effects[rung]
    return GrowthForecast(passage, mean, cov, mean - fit.pooled.centre - effects)


def forecast_landmarks(
    model: GrowthModel,
    tracked: Tracked,
    place: Ints,
    wait: Array,
    confirm: Ints,
    run: Ints,
    how: Simulation,
) -> Passage:
    """Forecast from past moments, with what was known of the spell then.

    ``place`` (T,) is the last session known, in the panel, ``wait`` (T,) the days from it to the
    landmark, ``confirm`` and ``run`` (T,) are as in ``Targets``, at that session.
    """
    filtered = tracked.filtered
    targets = targets_at(model, tracked.panel, filtered, place, wait, confirm, run)
    return average_passage(model, tracked, targets, place, how, finished_only=True)
