"""The growth engine: fit the constants to a log, and see a log through them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import islice

import numpy as np
import pandas as pd

from forecast.growth.filtering import Filtered, SpellInformation, evidence_slopes, forward_pass
from forecast.growth.fitting import (
    ROUNDS,
    GrowthFit,
    filter_population,
    fit_growth,
    fit_rounds,
    loose_information,
    priors_from_others,
)
from forecast.growth.motion import lost_after, lost_levels, propagate, stretches
from forecast.growth.panel import (
    QUICKENING,
    Panel,
    build_panel,
    rescaled,
    split_gap,
    take_spells,
    usual_units,
)
from forecast.growth.passage import CohortHabits, cohort_habits
from forecast.histories import CohortRhythm, Histories, absence_law, cohort_rhythm
from forecast.types import Array, Ints

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

    ``plain`` are all spells before the cut, longest first, on the log scale. There the same
    percentage counts the same everywhere; a cohort that progresses by so many seconds a week, and
    scatters by seconds, is plainer nearer to the ratio itself. Recorded intervals have the same
    probability on every scale, so the scales' evidences compare without a Jacobian.
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
    for constants, _, pooled in fit_rounds(panel, n_rungs):
        filtered = filter_population(panel, constants, pooled, n_rungs, plain)
        mean, var = filtered.before_mean.copy(), filtered.before_var.copy()
        yield evidence_slopes(panel, constants.noise, mean, var, plain)[0]


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
    panel = take_spells(panel, panel.longest_first)
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


def states_table(tracked: Tracked) -> pd.DataFrame:
    """Return the filtered states as a plain table, one row a session of ``histories.sessions``.

    Columns: ``level, swing, pace`` (latent units, per week), their variances ``var_level`` and
    ``var_gain`` (gain = swing + pace), and ``place`` (the session's place in the panel).
    """
    panel, mean, cov = tracked.panel, tracked.filtered.mean, tracked.filtered.cov
    return pd.DataFrame(
        {
            "level": mean[:, 0] - panel.threshold[panel.spell],
            "swing": mean[:, 1],
            "pace": mean[:, 2],
            "var_level": cov[:, 0, 0],
            "var_gain": cov[:, 1, 1] + cov[:, 2, 2] + 2.0 * cov[:, 1, 2],
            "place": np.arange(panel.n_sessions),
        }
    )


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
