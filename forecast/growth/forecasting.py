"""Forecasts of spells under way, of rungs not yet begun, and from past moments.

They are averaged over draws of the constants, each weighted by how well it explains a spell. A
cohort's constants say how spells move on average; a single spell may be quicker or slower in
every respect: its pace, its swings, its wiggle. Each draw therefore also gives a spell a
**speed**, by which its training time runs, and takes out of the pace's spread what the speed puts
in, so that the opinion at the spell's first session keeps its mean and, nearly, its spread. What
the sessions then say weighs the draws: importance sampling, the draws as proposals (Robert &
Casella 2004, Monte Carlo Statistical Methods, sec. 3.3).
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtri
from scipy.stats import qmc

from forecast.growth.engine import GrowthModel, Tracked
from forecast.growth.filtering import Filtered, forward_pass
from forecast.growth.fitting import (
    GrowthConstants,
    GrowthFit,
    loose_information,
    priors_from_others,
)
from forecast.growth.motion import lost_after, lost_levels, propagate, stretches
from forecast.growth.panel import (
    GRACE_WEEKS,
    Panel,
    latest_spells,
    log_slope,
    rung_marks,
    split_gap,
    take_spells,
    to_log,
)
from forecast.growth.passage import (
    Habits,
    Passage,
    Simulation,
    Targets,
    athlete_habits,
    expected_to_meet,
    meeting_shift,
    simulate_passage,
    untried_habits,
)
from forecast.growth.pooling import spell_priors
from forecast.histories import MEMORY, Histories, day_number, first_gap_table, gap_table
from forecast.types import Array, Ints

CONSTANTS_STREAM, SPEED_STREAM, PATH_STREAM = 1, 2, 3
"""Names of the random streams that one seed is spawned into (``numpy.random.SeedSequence``)."""

NODES = 0
"""Seed of the constants' draws in a forecast. They are nodes of a quadrature over what the fit
leaves open, the same for whatever seed: weighed by how well they explain a spell, a few of them
carry it, and another set would move a chance at half a year by 0.01 as a rule and by up to 0.09
(docs/method/what-was-tried.md)."""

SPELL_SPREAD = {"log_alpha": 0.5, "log_swing_sd": 0.7, "log_wiggle_sd": 0.5}
"""How far single spells stray from the cohort's constants, as log standard deviations."""


def constants_draws(fit: GrowthFit, count: int, seed: int) -> list[GrowthConstants]:
    """Draw sets of constants in mirrored pairs: what the fit leaves open, and how spells differ.

    Scrambled Sobol points (Owen 1998), evener than independent ones in every constant. ``count``
    is even; draws are cut at two standard deviations: the approximation is not to be
    trusted further out. Spells also differ among themselves in how they move (``SPELL_SPREAD``),
    which one set of constants for a cohort can't say.
    """
    size = len(fit.names) + len(SPELL_SPREAD)
    uniform = qmc.Sobol(size, rng=stream(seed, CONSTANTS_STREAM)).random(count // 2)
    both = np.clip(ndtri(np.clip(uniform, 1e-9, 1 - 1e-9)), -2.0, 2.0)
    z, own = both[:, : len(fit.names)], both[:, len(fit.names) :]
    own = own * np.array(list(SPELL_SPREAD.values()))
    middle = fit.constants.vector(fit.names)
    place = [fit.names.index(name) for name in SPELL_SPREAD]
    draws = []
    for row, spread in zip(z, own, strict=True):
        step = fit.chol @ row
        step[place] += spread
        draws += [fit.constants.replaced(fit.names, middle + sign * step) for sign in (1.0, -1.0)]
    return draws


def stream(seed: int, *name: int) -> np.random.Generator:
    """Return the generator of one named stream of a seed; no two names or seeds share numbers."""
    return np.random.default_rng(np.random.SeedSequence(seed, spawn_key=name))


def usual_gaps(model: GrowthModel, panel: Panel, last: Ints) -> Array:
    """(T, G) days between sessions to come, by each target's athlete's gaps up to a session."""
    return gap_table(recent_gaps(panel, last), model.rhythm)


def recent_gaps(panel: Panel, last: Ints) -> list[Array]:
    """Latest gaps of each target's athlete up to a session, the same spell's ones newest."""
    gap = panel.gap
    result = []
    by_athlete = {int(a): np.flatnonzero(panel.athlete == a) for a in np.unique(panel.athlete)}
    for session in last:
        spell = int(panel.spell[session])
        own = gap[panel.start[spell] + 1 : session + 1][-MEMORY:]
        if len(own) < MEMORY:
            own = np.concatenate([_earlier_gaps(panel, gap, by_athlete, session), own])
        result.append(own[-MEMORY:])
    return result


def _earlier_gaps(panel: Panel, gap: Array, by_athlete: dict[int, Ints], session: int) -> Array:
    """Gaps of the athlete's other spells that ended before this session, oldest first."""
    spell = int(panel.spell[session])
    others = by_athlete[int(panel.athlete[spell])]
    others = others[(others != spell) & (panel.day[panel.last[others]] <= panel.day[session])]
    others = others[np.lexsort((-panel.length[others], panel.day[panel.last[others]]))]
    parts = [gap[panel.start[o] + 1 : panel.last[o] + 1] for o in others]
    return np.concatenate(parts) if parts else np.empty(0)


def trained_lately(
    model: GrowthModel, tracked: Tracked, athletes: Ints
) -> tuple[Array, Habits, Array]:
    """Return gaps (A, G), habits and scatter (A,) of athletes as of what they trained last."""
    panel, filtered = tracked.panel, tracked.filtered
    spell = latest_spells(panel, athletes)
    last = panel.last[spell]
    habits = athlete_habits(panel, filtered.mean[:, 0], last, model.habits)
    return usual_gaps(model, panel, last), habits, filtered.scatter[spell]


def targets_at(
    model: GrowthModel,
    panel: Panel,
    filtered: Filtered,
    last: Ints,
    wait: Array,
    confirm: Ints,
    run: Ints,
) -> Targets:
    """Assemble forecasts to be made at sessions ``last`` (T,) of the panel.

    ``wait`` (T,) are days from that session to the cut date; ``confirm`` and ``run`` (T,) sessions
    in a row asked for, and met so far. ``filtered`` tells habits and what was expected.
    """
    spell = panel.spell[last]
    gaps = usual_gaps(model, panel, last)
    return Targets(
        mean=filtered.mean[last],
        cov=filtered.cov[last],
        threshold=panel.threshold[spell],
        measure=panel.measure[spell],
        grace=panel.grace[spell],
        confirm=confirm,
        run=run,
        wait=wait,
        gaps=gaps,
        first_gaps=first_gap_table(gaps, wait, model.rhythm.absences, panel.day[last] + wait),
        habits=athlete_habits(panel, filtered.mean[:, 0], last, model.habits),
        shift=meeting_shift(panel, model.fit.constants.noise, filtered, last),
        scatter=filtered.scatter[spell],
        clock=model.fit.constants.clock,
        done=(panel.number[last] + 1).astype(float),
        origin=panel.day[last] + wait,
        lost=lost_levels(panel, model.fit.constants.dynamics)[last],
    )


SPEED_SD = 0.4
"""Log standard deviation of a spell's speed where the pace's own spread leaves room for it."""
SPEED_SHARE = 0.65
"""Largest share of the opinion's spread along its mean gain that the speed may stand for."""
LEAST_WEIGHT = 2e-3
"""Draws that explain a spell worse than this beside all others are left out of its forecast."""

PLAIN_DRAWS = 16
"""Draws where no session tells them apart: more would change nothing."""


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


def average_passage(
    model: GrowthModel,
    tracked: Tracked,
    base: Targets,
    place: Ints,
    how: Simulation,
    *,
    finished_only: bool,
) -> Passage:
    """Simulate the coming sessions of T targets under many draws of the constants.

    States, clock, speed and losses of ``base`` are replaced draw by draw; ``place`` (T,) is the
    session (in the panel) at which each target stands. With ``finished_only``, only what was known
    when the target's spell began is used of the athlete's other spells.
    """
    which, owner = np.unique(tracked.panel.spell[place], return_inverse=True)
    # What the athlete's other spells say is read once, with the constants that the cohort's and
    # the rungs' effects were learnt with.
    mean, cov = priors_from_others(
        tracked.panel, model.fit.constants, model.fit.pooled, tracked.loose, which,
        finished_only=finished_only,
    )  # fmt: skip
    own, scatter = take_spells(tracked.panel, which), tracked.filtered.scatter[which]
    first = own.start[owner]
    at = first + tracked.panel.number[place]
    draws = constants_draws(model.fit, how.draws, NODES)
    targets, evidence = [], []
    for constants, quantile in zip(draws, speed_quantiles(how.draws, NODES), strict=True):
        speed, left = spell_speeds(mean, cov, quantile)
        between = stretches(own, constants.clock, constants.dynamics, speed)
        seen = forward_pass(own, between, constants.noise, mean, left, scatter)
        total = np.cumsum(seen.log_evidence)
        evidence.append(total[at] - total[first] + seen.log_evidence[first])
        lost = lost_levels(own, constants.dynamics)[at]
        clock = constants.clock
        targets.append(
            replace(
                base, mean=seen.mean[at], cov=seen.cov[at], clock=clock, speed=speed[owner],
                lost=lost,
            )
        )  # fmt: skip
    return _averaged(draws, targets, draw_weights(np.array(evidence)), how)


def draw_weights(evidence: Array) -> Array:
    """(M, T) weights of the draws, summing to one over the draws; negligible ones are nothing."""
    weight = np.exp(evidence - evidence.max(axis=0))
    weight /= weight.sum(axis=0)
    weight[weight < LEAST_WEIGHT / len(weight)] = 0.0
    return np.asarray(weight / weight.sum(axis=0))


def plain_average_passage(model: GrowthModel, base: Targets, how: Simulation) -> Passage:
    """Simulate targets without a session under a few of the draws, all of one weight."""
    count = min(how.draws, PLAIN_DRAWS)
    draws, targets = constants_draws(model.fit, count, NODES), []
    for constants, quantile in zip(draws, speed_quantiles(count, NODES), strict=True):
        speed, cov = spell_speeds(base.mean, base.cov, float(quantile))
        targets.append(replace(base, cov=cov, speed=speed, clock=constants.clock))
    return _averaged(draws, targets, np.full((count, len(base)), 1.0 / count), how)


def _averaged(
    draws: list[GrowthConstants], targets: list[Targets], weight: Array, how: Simulation
) -> Passage:
    """Simulate the targets as each draw sees them, and average by ``weight`` (M, T)."""
    by_day = np.zeros((len(targets[0]), how.horizon_days + 1))
    next_session = np.zeros(len(by_day))
    for number, (constants, share) in enumerate(zip(draws, weight, strict=True)):
        keep = np.flatnonzero(share > 0)
        if not len(keep):
            continue
        passage = simulate_passage(
            take_targets(targets[number], keep),
            constants.dynamics,
            constants.noise,
            horizon_days=how.horizon_days,
            paths=power_of_two(share[keep] * how.paths),
            rng=stream(how.seed, PATH_STREAM, number),
        )
        by_day[keep] += share[keep, None] * passage.by_day
        next_session[keep] += share[keep] * passage.next_session
    return Passage(np.minimum(by_day, 1.0), next_session)


def power_of_two(paths: Array | float) -> Ints:
    """Return the nearest power of two from 2 on: balanced starting points come in powers of two."""
    return np.asarray(2 ** np.round(np.log2(np.maximum(paths, 2.0))), dtype=np.int64)


def speed_quantiles(count: int, seed: int) -> Array:
    """(count,) standard normal quantiles, evenly spread, in an order drawn by the seed."""
    even = ndtri((np.arange(count) + 0.5) / count)
    return np.asarray(stream(seed, SPEED_STREAM).permutation(even))


def spell_speeds(mean: Array, cov: Array, quantile: float) -> tuple[Array, Array]:
    """Give spells a speed at this (standard normal) quantile of its spread.

    ``mean`` (T, 3) and ``cov`` (T, 3, 3) are the opinion of (level, swing, pace) at the spells'
    first sessions. Returns the speeds (T,), log-normal with mean one, and the spread (T, 3, 3) left
    for an opinion whose swing and pace are per week of the spell's own time. With ``m`` the mean of
    swing and pace, ``cov + var(speed) m m'`` scaled back by the speed is the opinion's spread
    again.
    """
    gain = mean * np.array([0.0, 1.0, 1.0])
    along = np.einsum("ti,ti->t", gain, np.linalg.solve(cov, gain[:, :, None])[:, :, 0])
    variance = np.minimum(np.expm1(SPEED_SD**2), SPEED_SHARE / np.maximum(along, 1e-12))
    sd = np.sqrt(np.log1p(variance))
    rest = cov - variance[:, None, None] * gain[:, :, None] * gain[:, None, :]
    shrink = np.ones_like(mean)
    shrink[:, 1:] = 1.0 / np.sqrt(1.0 + variance)[:, None]
    rest = rest * shrink[:, :, None] * shrink[:, None, :]
    return np.exp(sd * quantile - 0.5 * sd**2), rest


def take_targets(targets: Targets, keep: Ints) -> Targets:
    """Return some of the targets."""
    n = len(targets)

    def taken(of: Targets | Habits) -> dict[str, Any]:
        values = {part.name: getattr(of, part.name) for part in fields(of)}
        return {k: v[keep] for k, v in values.items() if np.shape(v)[:1] == (n,)}

    return replace(
        targets, **taken(targets), habits=replace(targets.habits, **taken(targets.habits))
    )


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
    full, fit, constants = tracked.panel, model.fit, model.fit.constants
    panel = take_spells(full, which)
    last, full_last = panel.last, full.last[which]
    wait = (as_of_day - panel.day[last]).astype(float)
    base = targets_at(model, full, tracked.filtered, full_last, wait, confirm, run)
    passage = average_passage(model, tracked, base, full_last, how, finished_only=False)
    # The state now: filtered with all the athlete's other spells, then carried to the cut.
    loose = loose_information(full, constants, tracked.filtered)
    before = priors_from_others(full, constants, fit.pooled, loose, which, finished_only=False)
    clock, dynamics = constants.clock, constants.dynamics
    between = stretches(panel, clock, dynamics)
    scatter = tracked.filtered.scatter[which]
    now = forward_pass(panel, between, constants.noise, *before, scatter)
    rest, excess = split_gap(wait / 7.0, panel.grace)
    done = (panel.number[last] + 1).astype(float)
    tau = clock.dose(rest, done, np.full(len(which), float(as_of_day)))
    lost = lost_levels(panel, dynamics)[last]
    loss = lost_after(dynamics, lost, rest, excess) - lost
    mean, cov = propagate(dynamics, now.mean[last], now.cov[last], tau, excess, loss)
    expected, _ = priors_from_others(
        full, constants, fit.pooled, tracked.loose, which, finished_only=False
    )
    return GrowthForecast(passage, mean, cov, expected - fit.pooled.usual(panel.rung))


def forecast_return(
    model: GrowthModel,
    tracked: Tracked,
    which: Ints,
    as_of_day: int,
    confirm: Ints,
    run: Ints,
    how: Simulation,
) -> Array:
    """Return chances of having cleared by days after coming back, (T, D + 1), of those away.

    As ``forecast_open``, were the athletes to train again on the day after the cut.
    """
    last = tracked.panel.last[which]
    wait = (as_of_day - tracked.panel.day[last]).astype(float)
    base = targets_at(model, tracked.panel, tracked.filtered, last, wait, confirm, run)
    back = replace(base, first_gaps=np.zeros_like(base.first_gaps) + wait[:, None] + 1.0)
    return average_passage(model, tracked, back, last, how, finished_only=False).by_day


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
    latest = panel.last[latest_spells(panel, owners)]
    gaps = usual_gaps(model, panel, latest)
    cut_day = day_number(pd.Series(np.full(len(rung), histories.as_of)))
    wait = (cut_day - day_number(untried["ready_on"])).astype(float)
    delays = np.tile(model.rhythm.delays, (len(rung), 1))
    confirm = [r.criterion.confirm_sessions for r in histories.ladder.rungs]
    marks, measures = rung_marks(histories.ladder, model.linear)
    targets = Targets(
        mean=mean,
        cov=cov,
        threshold=marks[rung],
        measure=measures[rung],
        grace=np.full(len(rung), GRACE_WEEKS),
        confirm=np.array(confirm, dtype=np.int64)[rung],
        run=np.zeros(len(rung), dtype=np.int64),
        wait=wait,
        gaps=gaps,
        first_gaps=first_gap_table(
            delays, np.maximum(wait, 0.0), model.rhythm.absences, float(cut_day[0])
        ),
        habits=untried_habits(len(rung), model.habits),
        untried=True,
        clock=model.fit.constants.clock,
        origin=cut_day.astype(float),
    )
    passage = plain_average_passage(model, targets, how)
    return GrowthForecast(passage, mean, cov, mean - fit.pooled.usual(rung))


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


def log_level(model: GrowthModel, latent: Array) -> tuple[Array, Array]:
    """Return log(value / target) at latent positions, and its change for a step of one there."""
    return to_log(latent, model.linear), log_slope(latent, model.linear)
