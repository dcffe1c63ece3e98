"""The growth engine: fit the constants to a log, and see a log through them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from forecast.growth.athletes import loose_information, priors_from_others
from forecast.growth.choose_scale import choose_scale
from forecast.growth.filtering import Filtered, forward_pass, stretches
from forecast.growth.fitting import ROUNDS, GrowthFit, filter_population, fit_growth
from forecast.growth.habits import CohortHabits, cohort_habits
from forecast.growth.information import SpellInformation
from forecast.growth.intervals import usual_units
from forecast.growth.panel import Panel, build_panel, rescaled
from forecast.histories import (
    CohortRhythm,
    Histories,
    absence_law,
    cohort_rhythm,
)
from forecast.types import Array, Ints


@dataclass(frozen=True, slots=True)
class GrowthModel:
    """Everything the engine learnt from a log: constants and effects, rhythm, habits, units."""

    fit: GrowthFit
    rhythm: CohortRhythm
    habits: CohortHabits
    linear: float
    units: dict[str, float]


@dataclass(frozen=True, slots=True)
class Tracked:
    """A log seen through a fitted model: arrays, opinions, and what each spell says on its own."""

    panel: Panel
    filtered: Filtered
    loose: SpellInformation


def fit_growth_model(
    histories: Histories,
    *,
    linear: float | None = None,
    start: GrowthModel | None = None,
    progress: Callable[[str], None] | None = None,
) -> GrowthModel:
    """Fit the engine to all spells of the histories.

    ``linear``, the share of the plain ratio in the latent scale (``scale.to_latent``), is chosen
    by evidence where left out. From a model of the same club not long ago as ``start`` the scale
    is kept and one round will do.

    Raises
    ------
    FitError
        See ``fitting.fit_growth``.
    """
    panel = build_panel(histories)
    if start is not None:
        linear = start.linear
    if linear is None:
        if progress:
            progress("growth engine, scale")
        linear = choose_scale(panel, len(histories.ladder.rungs))
    panel = rescaled(panel, linear)
    fit = fit_growth(
        panel,
        len(histories.ladder.rungs),
        start=None if start is None else start.fit.constants,
        rounds=ROUNDS if start is None else 1,
        progress=progress,
    )
    filtered = filter_population(panel, fit.constants, fit.pooled, fit.n_rungs)
    gaps, owner = session_gaps(panel)
    return GrowthModel(
        fit=fit,
        rhythm=cohort_rhythm(gaps, owner, start_delays(histories), absence_law(histories)),
        habits=cohort_habits(panel.eligible, panel.n_sets.astype(float), filtered.mean[:, 0]),
        linear=linear,
        units=usual_units(histories.sets, histories.ladder),
    )


def session_gaps(panel: Panel) -> tuple[Array, Ints]:
    """All days between consecutive sessions of a spell, and whose they are."""
    inner = panel.number > 0
    return panel.gap[inner], panel.athlete[panel.spell][inner]


def start_delays(histories: Histories) -> Array:
    """Days from clearing the last needed rung to the first session on the next."""
    spells = histories.spells
    cleared = spells.set_index(["athlete", "rung"])["cleared_on"].dropna()
    needs = {rung.key: rung.needs for rung in histories.ladder.rungs}
    delays = []
    for athlete, rung, start in zip(
        spells["athlete"], spells["rung"], spells["start"], strict=True
    ):
        done = [cleared.get((athlete, need)) for need in needs[rung]]
        known = [day for day in done if day is not None]
        if known and len(known) == len(done):
            days = (start - max(known)).days
            if days > 0:
                delays.append(float(days))
    return np.asarray(delays, dtype=float)


def track(model: GrowthModel, histories: Histories) -> Tracked:
    """Filter every spell with the prior that its athlete's finished spells gave it."""
    constants, pooled = model.fit.constants, model.fit.pooled
    panel = build_panel(histories, linear=model.linear, units=model.units)
    alone = filter_population(panel, constants, pooled, model.fit.n_rungs)
    loose = loose_information(panel, constants, alone)
    everyone = np.arange(panel.n_spells)
    mean, cov = priors_from_others(panel, constants, pooled, loose, everyone, finished_only=True)
    between = stretches(panel, constants.clock, constants.dynamics)
    filtered = forward_pass(panel, between, constants.noise, mean, cov, alone.scatter)
    return Tracked(panel, filtered, loose)
