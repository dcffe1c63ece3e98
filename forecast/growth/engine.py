"""The growth engine: fit the constants to a log, and see a log through them.

Given the constants and the rungs' effects spells are independent but for their athlete's effect,
and a spell under way stands where its sessions and this athlete say.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import islice

import numpy as np
import pandas as pd

from forecast.growth import judgement
from forecast.growth.advice import Advice
from forecast.growth.evidence import (
    Filtered,
    SpellInformation,
    centred,
    evidence_slopes,
    forward_pass,
    spell_information,
    summed,
)
from forecast.growth.fitting import (
    GrowthFit,
    filter_population,
    fit_growth,
    fit_rounds,
    loose_information,
    priors_from_others,
)
from forecast.growth.motion import lost_after, lost_levels, propagate, stretches
from forecast.growth.panel import (
    Panel,
    build_panel,
    log_slope,
    rescaled,
    split_gap,
    take_spells,
    to_log,
    usual_reserve,
    usual_units,
)
from forecast.growth.passage import CohortHabits, cohort_habits, expected_to_meet
from forecast.histories import CohortRhythm, Histories, absence_law, cohort_rhythm
from forecast.types import WEEK, Array, Ints


def choose_scale(plain: Panel, n_rungs: int) -> float:
    """Return the share of the plain ratio that explains the longest spells best (longest first)."""
    trial = take_spells(plain, np.arange(min(judgement.TRIAL_SPELLS, plain.n_spells)))
    if trial.n_spells < judgement.LEAST_SPELLS:
        return 0.0
    margin = max(judgement.MARGIN, judgement.MARGIN_PER_SET * float(trial.n_sets.sum()))
    turns = {
        share: _evidence(rescaled(trial, share), n_rungs) for share in (0.0, *judgement.SHARES)
    }
    found = {share: next(evidence) for share, evidence in turns.items()}
    left = [share for share in judgement.SHARES if found[share] > found[0.0]]
    if not left:
        return 0.0
    for share in (0.0, *left):
        *_, found[share] = islice(turns[share], judgement.TRIAL_ROUNDS - 1)
    best = max(left, key=found.__getitem__)
    return best if found[best] > found[0.0] + margin else 0.0


def _evidence(panel: Panel, n_rungs: int) -> Iterator[float]:
    """Log probability of all recorded intervals after each round of a fit, slips taken as slips."""
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
    reserve: float

    def panel_of(self, histories: Histories) -> Panel:
        """Lay histories out as the log learnt from was read."""
        return build_panel(histories, linear=self.linear, units=self.units, reserve=self.reserve)

    def level_and_gain(self, mean: Array, cov: Array) -> tuple[Array, Array, Array]:
        """Return level as log(capacity / target), its gain a week and the gain's spread, (T,)."""
        slope = log_slope(mean[:, 0], self.linear)
        spread = np.sqrt(cov[:, 1, 1] + cov[:, 2, 2] + 2.0 * cov[:, 1, 2])
        return to_log(mean[:, 0], self.linear), slope * (mean[:, 1] + mean[:, 2]), slope * spread

    def gain_ahead(
        self, mean: Array, done: Array, day: Array, rate: Array, weeks: float = 6.0
    ) -> Array:
        """Return the gain a calendar week that is expected over the coming ``weeks``, (T,)."""
        constants = self.fit.constants
        dose = constants.clock.ahead(np.full(len(mean), weeks), done, day, rate)
        alpha = constants.dynamics.alpha
        later = mean[:, 0] + mean[:, 2] * dose + mean[:, 1] * -np.expm1(-alpha * dose) / alpha
        return np.asarray((to_log(later, self.linear) - to_log(mean[:, 0], self.linear)) / weeks)


def fit_growth_model(
    histories: Histories, *, linear: float | None = None, start: GrowthModel | None = None,
    like: tuple[GrowthModel, Ints] | None = None, progress: Callable[[str], None] | None = None,
) -> GrowthModel:  # fmt: skip
    """Fit the engine to all spells of the histories.

    ``linear``, the share of the plain ratio in the latent scale (``to_latent``), is chosen by
    evidence where left out. From a model of the same club not long ago as ``start`` the scale is
    kept and one round will do. ``like`` is another club's model as prior, and the place of each
    rung in its ladder (-1: none); where the log asks for another scale, nothing is taken from it.

    Raises
    ------
    FitError
        The evidence is not a number.
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
        panel, len(histories.ladder.rungs), start=None if start is None else start.fit.constants,
        rounds=judgement.ROUNDS if start is None else 1, progress=progress,
    )  # fmt: skip
    weeks = np.array([rung.usual_weeks or (np.nan, np.nan) for rung in histories.ladder.rungs])
    other = like[0].fit if like and like[0].linear == linear else None
    if other is not None or np.isfinite(weeks).any():
        fit = Advice(other, like[1] if like else np.full(len(weeks), -1), weeks).lean(fit)
    filtered = filter_population(panel, fit.constants, fit.pooled, fit.n_rungs)
    return GrowthModel(
        fit=fit, rhythm=rhythm_of(panel, histories),
        habits=cohort_habits(panel.eligible, panel.n_sets.astype(float), filtered.mean[:, 0]),
        linear=linear, units=usual_units(histories.sets, histories.ladder),
        reserve=usual_reserve(histories.sets),
    )  # fmt: skip


def rhythm_of(panel: Panel, histories: Histories) -> CohortRhythm:
    """Learn the cohort's rhythm: gaps within spells, delays before the next rung, absences."""
    spells = histories.spells
    cleared = spells.set_index(["athlete", "rung"])["cleared_on"].dropna()
    needs = {rung.key: rung.needs for rung in histories.ladder.rungs}
    delays = []
    for athlete, rung, start in zip(
        spells["athlete"], spells["rung"], spells["start"], strict=True
    ):
        days = [cleared.get((athlete, need)) for need in needs[rung]]
        if days and None not in days and start > max(days):
            delays.append(float((start - max(days)).days))
    inner = panel.number > 0
    return cohort_rhythm(
        panel.gap[inner], panel.athlete[panel.spell][inner], np.asarray(delays, dtype=float),
        absence_law(histories),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Tracked:
    """A log seen through a fitted model: arrays, opinions, and what each spell says on its own."""

    model: GrowthModel
    panel: Panel
    filtered: Filtered
    loose: SpellInformation

    def states(self) -> pd.DataFrame:
        """Return the filtered states as a plain table, one row a session of the histories.

        Columns: ``level, swing, pace`` (latent units, per week), their variances ``var_level`` and
        ``var_gain`` (gain = swing + pace), and ``place`` (the session's place in the panel).
        """
        panel, mean, cov = self.panel, self.filtered.mean, self.filtered.cov
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

    def chance_met(self, at: Ints) -> Array:
        """Return the chance that sessions ``at`` (n,) meet, as seen before each, (n,)."""
        return expected_to_meet(self.panel, self.model.fit.constants.noise, self.filtered)[at]

    def outlook(self, place: Ints, wait_weeks: Array, rate: Array, weeks: Array) -> Array:
        """Return how many standard deviations the level should stand above the target, (T, W).

        At ``weeks`` (W,) after the landmarks, which lie ``wait_weeks`` (T,) after sessions
        ``place``; the spread holds the state's uncertainty, the motion and a day's form. No
        forecast by itself: the hazard model learns what to make of it.
        """
        panel, constants = self.panel, self.model.fit.constants
        spell, dynamics = panel.spell[place], constants.dynamics
        result = np.empty((len(place), len(weeks)))
        rest, excess = split_gap(wait_weeks, panel.grace[spell])
        done, day = (panel.number[place] + 1).astype(float), panel.day[place] + WEEK * wait_weeks
        waited = constants.clock.dose(rest, done, day)
        day_sd = constants.noise.day_sd[panel.measure[spell]] * self.filtered.scatter[spell]
        lost = lost_levels(panel, dynamics)[place]
        for column, week in enumerate(weeks):
            ahead = np.full(len(place), week)
            then = lost_after(dynamics, lost, rest, excess)
            then = lost_after(dynamics, then, ahead, 0.0 * excess)
            mean, cov = propagate(
                dynamics, self.filtered.mean[place], self.filtered.cov[place],
                waited + constants.clock.ahead(ahead, done, day, rate), excess, then - lost,
            )  # fmt: skip
            gap = mean[:, 0] - panel.threshold[spell]
            result[:, column] = gap / np.sqrt(cov[:, 0, 0] + day_sd**2)
        return result

    def priors(self, which: Ints, *, finished_only: bool = True) -> tuple[Array, Array]:
        """Opinion at the start of spells from rung, cohort and the athlete's other spells."""
        fit = self.model.fit
        return priors_from_others(
            self.panel, fit.constants, fit.pooled, self.loose, which, finished_only=finished_only
        )

    def athlete_effects(self) -> tuple[Ints, Array, Array]:
        """Return the athletes' numbers (A,), and the mean and covariance of each one's effect."""
        fit, panel = self.model.fit, self.panel
        loose = loose_information(panel, fit.constants, self.filtered)
        _, score, information = centred(loose, panel.rung, fit.pooled)
        people, who = np.unique(panel.athlete, return_inverse=True)
        precision = summed(information, who, len(people))
        cov = np.linalg.inv(precision + np.diag(1.0 / fit.constants.pooling.athlete))
        total = summed(score, who, len(people))
        return people, np.asarray(np.einsum("aij,aj->ai", cov, total)), np.asarray(cov)

    def own_paces(self) -> Array:
        """(S,) posterior mean of each spell's own pace, beyond its rung and its athlete."""
        panel, filtered, constants = self.panel, self.filtered, self.model.fit.constants
        mean, cov = self.priors(np.arange(panel.n_spells))
        between = stretches(panel, constants.clock, constants.dynamics)
        info = spell_information(between, filtered.site_mean, filtered.site_var)
        surprise = info.score - np.einsum("sij,sj->si", info.information, mean)
        pulled = np.linalg.solve(np.eye(3) + info.information @ cov, surprise[:, :, None])
        return np.asarray((pulled[:, :, 0] @ constants.pooling.own)[:, 2])

    def filter_on(
        self, longer: Histories, charge: Callable[[Panel], Array]
    ) -> tuple[Panel, Filtered]:
        """Filter on over ``longer``'s sessions of the spells; ``charge`` gives the excess."""
        constants = self.model.fit.constants
        panel = self.model.panel_of(longer)
        panel = replace(panel, excess=charge(panel))
        before = self.priors(np.arange(self.panel.n_spells))
        between = stretches(panel, constants.clock, constants.dynamics)
        scatter = self.filtered.scatter
        return panel, forward_pass(panel, between, constants.noise, *before, scatter)

    def regress(self, design: Array, prior_sd: Array) -> tuple[Array, Array]:
        """Posterior mean (K,), cov (K, K) of a ``design`` (S, 3, K): Lindley & Smith 1972."""
        fit = self.model.fit
        _, score, information = centred(self.loose, self.panel.rung, fit.pooled)
        _, who = np.unique(self.panel.athlete, return_inverse=True)
        n = int(who.max(initial=-1)) + 1
        precision = np.tile(np.diag(1.0 / fit.constants.pooling.athlete), (n, 1, 1))
        np.add.at(precision, who, information)
        weighted = information @ design
        total, cross = summed(score, who, n), summed(weighted, who, n)
        solved = np.linalg.solve(precision, np.concatenate([total[:, :, None], cross], axis=2))
        right = np.einsum("sik,si->k", design, score)
        right -= np.einsum("aik,ai->k", cross, solved[..., 0])
        sharp = np.einsum("sik,sil->kl", design, weighted)
        sharp -= np.einsum("aik,ail->kl", cross, solved[..., 1:])
        cov = np.linalg.inv(0.5 * (sharp + sharp.T) + np.diag(prior_sd**-2.0))
        return cov @ right, cov


def track(model: GrowthModel, histories: Histories) -> Tracked:
    """Filter every spell with the prior that its athlete's finished spells gave it."""
    constants, pooled = model.fit.constants, model.fit.pooled
    panel = model.panel_of(histories)
    alone = filter_population(panel, constants, pooled, model.fit.n_rungs)
    loose = loose_information(panel, constants, alone)
    mean, cov = priors_from_others(
        panel, constants, pooled, loose, np.arange(panel.n_spells), finished_only=True
    )
    between = stretches(panel, constants.clock, constants.dynamics)
    filtered = forward_pass(panel, between, constants.noise, mean, cov, alone.scatter)
    return Tracked(model, panel, filtered, loose)
