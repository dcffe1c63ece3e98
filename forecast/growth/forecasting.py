"""Forecasts of spells under way, of rungs not yet begun, and from past moments; joint draws.

Forecasts are averaged over draws of the constants, each weighted by how well it explains a spell:
importance sampling (docs/method/index.md). A draw also gives a spell a **speed**, by which its
training time runs, and takes out of the pace's spread what the speed puts in.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtri, softmax
from scipy.stats import qmc

from forecast.growth import judgement
from forecast.growth.engine import GrowthModel, Tracked
from forecast.growth.evidence import forward_pass, spell_priors, summed
from forecast.growth.fitting import (
    GrowthConstants,
    constants_draws,
    loose_information,
    priors_from_others,
    stream,
)
from forecast.growth.kernels import carry_spells
from forecast.growth.motion import PathLaws, lost_after, lost_levels, propagate, stretches
from forecast.growth.panel import (
    Panel,
    latest_spells,
    rung_marks,
    split_gap,
    take_spells,
    usual_grace,
)
from forecast.growth.passage import (
    Coming,
    Habits,
    Passage,
    Simulation,
    Targets,
    athlete_habits,
    block_of,
    meeting_shift,
    mirrored,
    path_laws,
    simulate_days,
    simulate_passage,
    untried_habits,
)
from forecast.histories import MEMORY, Histories, day_number, first_gap_table, gap_table
from forecast.ladder import Ladder
from forecast.types import WEEK, Array, Ints

SPEED_STREAM, PATH_STREAM = 2, 3
"""Names of random streams beside that of the constants (``fitting.stream``)."""
NODES = 0
"""Seed of the constants' draws in a forecast. They are nodes of a quadrature over what the fit
leaves open, the same for whatever seed: weighed by how well they explain a spell, a few of them
carry it, and another set would move a chance at half a year by 0.01 as a rule and by up to 0.09
(docs/method/what-was-tried.md)."""


def usual_gaps(model: GrowthModel, panel: Panel, last: Ints) -> Array:
    """(T, G) days between sessions to come, by each target's athlete's gaps up to a session."""
    return gap_table(recent_gaps(panel, last), model.rhythm)


def recent_gaps(panel: Panel, last: Ints) -> list[Array]:
    """Latest gaps of each target's athlete up to a session, the same spell's ones newest."""
    gap, result = panel.gap, []
    by_athlete = {int(a): np.flatnonzero(panel.athlete == a) for a in np.unique(panel.athlete)}
    for session in last:
        spell = int(panel.spell[session])
        parts = [gap[panel.start[spell] + 1 : session + 1][-MEMORY:]]
        if len(parts[0]) < MEMORY:
            # The athlete's other spells that ended before this session, oldest first.
            others = by_athlete[int(panel.athlete[spell])]
            ended = panel.day[panel.last[others]]
            others = others[(others != spell) & (ended <= panel.day[session])]
            order = np.lexsort((-panel.length[others], panel.day[panel.last[others]]))
            before = [gap[panel.start[o] + 1 : panel.last[o] + 1] for o in others[order]]
            parts = [*before, *parts]
        result.append(np.concatenate(parts)[-MEMORY:])
    return result


def targets_at(tracked: Tracked, last: Ints, wait: Array, confirm: Ints, run: Ints) -> Targets:
    """Forecasts to be made ``wait`` (T,) days after sessions ``last``, ``run`` of them met."""
    model, panel, filtered = tracked.model, tracked.panel, tracked.filtered
    constants, spell = model.fit.constants, panel.spell[last]
    gaps, origin = usual_gaps(model, panel, last), panel.day[last] + wait
    return Targets(
        mean=filtered.mean[last], cov=filtered.cov[last],
        threshold=panel.threshold[spell], measure=panel.measure[spell], grace=panel.grace[spell],
        confirm=confirm, run=run, wait=wait, gaps=gaps,
        first_gaps=first_gap_table(gaps, wait, model.rhythm.absences, origin),
        habits=athlete_habits(panel, filtered.mean[:, 0], last, model.habits),
        shift=meeting_shift(panel, constants.noise, filtered, last),
        scatter=filtered.scatter[spell], clock=constants.clock,
        done=(panel.number[last] + 1).astype(float), origin=origin,
        lost=lost_levels(panel, constants.dynamics)[last],
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class GrowthForecast:
    """T spells at the cut: ``mean`` (T, 3), ``cov`` (T, 3, 3); ``athlete_effect`` of others."""

    passage: Passage
    mean: Array
    cov: Array
    athlete_effect: Array


def average_passage(
    tracked: Tracked, base: Targets, place: Ints, how: Simulation, *, finished_only: bool
) -> Passage:
    """Simulate the coming sessions of T targets at sessions ``place`` under many constants."""
    which, owner = np.unique(tracked.panel.spell[place], return_inverse=True)
    # What the athlete's other spells say is read once, with the constants that the cohort's and
    # the rungs' effects were learnt with.
    mean, cov = tracked.priors(which, finished_only=finished_only)
    own, scatter = take_spells(tracked.panel, which), tracked.filtered.scatter[which]
    first = own.start[owner]
    at = first + tracked.panel.number[place]
    draws = constants_draws(tracked.model.fit, how.draws, NODES)
    targets, evidence = [], []
    for constants, quantile in zip(draws, speed_quantiles(how.draws, NODES), strict=True):
        speed, left = spell_speeds(mean, cov, quantile)
        between = stretches(own, constants.clock, constants.dynamics, speed)
        seen = forward_pass(own, between, constants.noise, mean, left, scatter)
        total = np.cumsum(seen.log_evidence)
        evidence.append(total[at] - total[first] + seen.log_evidence[first])
        targets.append(
            replace(
                base, mean=seen.mean[at], cov=seen.cov[at], clock=constants.clock,
                speed=speed[owner], lost=lost_levels(own, constants.dynamics)[at],
            )
        )  # fmt: skip
    return _averaged(draws, targets, draw_weights(np.array(evidence)), how)


def draw_weights(evidence: Array) -> Array:
    """(M, T) weights of the draws, summing to one over the draws; negligible ones are nothing."""
    weight = softmax(evidence, axis=0)
    weight[weight < judgement.LEAST_WEIGHT / len(weight)] = 0.0
    return np.asarray(weight / weight.sum(axis=0))


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
            take_targets(targets[number], keep), constants.dynamics, constants.noise,
            horizon_days=how.horizon_days, paths=power_of_two(share[keep] * how.paths),
            rng=stream(how.seed, PATH_STREAM, number),
        )  # fmt: skip
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
    """Give spells a speed at this quantile, and the spread (T, 3, 3) left for their own time.

    With ``m`` the mean of swing and pace, ``cov + var(speed) m m'`` scaled back by the speed is the
    spread again; speeds are log-normal with mean one.
    """
    gain = mean * np.array([0.0, 1.0, 1.0])
    along = np.einsum("ti,ti->t", gain, np.linalg.solve(cov, gain[:, :, None])[:, :, 0])
    variance = np.minimum(
        np.expm1(judgement.SPEED_SD**2), judgement.SPEED_SHARE / np.maximum(along, 1e-12)
    )
    sd = np.sqrt(np.log1p(variance))
    left = cov - variance[:, None, None] * gain[:, :, None] * gain[:, None, :]
    shrink = np.ones_like(mean)
    shrink[:, 1:] = 1.0 / np.sqrt(1.0 + variance)[:, None]
    left = left * shrink[:, :, None] * shrink[:, None, :]
    return np.exp(sd * quantile - 0.5 * sd**2), left


def take_targets(targets: Targets, keep: Ints) -> Targets:
    """Return some of the targets."""
    n = len(targets)

    def taken(of: Any) -> Any:
        values = ((column.name, getattr(of, column.name)) for column in fields(of))
        arrays = {k: v for k, v in values if isinstance(v, np.ndarray) and v.shape[:1] == (n,)}
        return replace(of, **{k: v[keep] for k, v in arrays.items()})

    return replace(taken(targets), habits=taken(targets.habits))


def forecast_open(
    tracked: Tracked, which: Ints, as_of_day: int, confirm: Ints, run: Ints, how: Simulation
) -> GrowthForecast:
    """Forecast spells under way at the cut, on day number ``as_of_day``.

    ``which`` (T,) are their places in the panel, in increasing order; ``confirm`` and ``run`` (T,)
    sessions in a row asked for, and met so far.
    """
    full, fit, constants = tracked.panel, tracked.model.fit, tracked.model.fit.constants
    panel = take_spells(full, which)
    last, full_last = panel.last, full.last[which]
    wait = (as_of_day - panel.day[last]).astype(float)
    base = targets_at(tracked, full_last, wait, confirm, run)
    passage = average_passage(tracked, base, full_last, how, finished_only=False)
    # The state now: filtered with all the athlete's other spells, then carried to the cut.
    loose = loose_information(full, constants, tracked.filtered)
    before = priors_from_others(full, constants, fit.pooled, loose, which, finished_only=False)
    clock, dynamics = constants.clock, constants.dynamics
    between, scatter = stretches(panel, clock, dynamics), tracked.filtered.scatter[which]
    now = forward_pass(panel, between, constants.noise, *before, scatter)
    rest, excess = split_gap(wait / WEEK, panel.grace)
    done = (panel.number[last] + 1).astype(float)
    tau = clock.dose(rest, done, np.full(len(which), float(as_of_day)))
    lost = lost_levels(panel, dynamics)[last]
    loss = lost_after(dynamics, lost, rest, excess) - lost
    mean, cov = propagate(dynamics, now.mean[last], now.cov[last], tau, excess, loss)
    expected, _ = tracked.priors(which, finished_only=False)
    return GrowthForecast(passage, mean, cov, expected - fit.pooled.usual(panel.rung))


def forecast_return(
    tracked: Tracked, which: Ints, as_of_day: int, confirm: Ints, run: Ints, how: Simulation
) -> Array:
    """Return (T, D + 1) chances by days after coming back tomorrow, as for ``forecast_open``."""
    last = tracked.panel.last[which]
    wait = (as_of_day - tracked.panel.day[last]).astype(float)
    base = targets_at(tracked, last, wait, confirm, run)
    back = replace(base, first_gaps=np.zeros_like(base.first_gaps) + wait[:, None] + 1.0)
    return average_passage(tracked, back, last, how, finished_only=False).by_day


def forecast_untried(
    tracked: Tracked, untried: pd.DataFrame, histories: Histories, how: Simulation
) -> GrowthForecast:
    """Forecast rungs that are open but have no session yet; all draws count alike.

    ``untried`` has one row a target: ``athlete_id``, ``rung_index`` and ``ready_on`` (the day from
    which the rung may be trained).
    """
    model, panel = tracked.model, tracked.panel
    fit = model.fit
    rung = untried["rung_index"].to_numpy(dtype=np.int64)
    owners = untried["athlete_id"].to_numpy(dtype=np.int64)
    pairs = [np.flatnonzero(panel.athlete == owner) for owner in owners]
    numbers = np.repeat(np.arange(len(owners)), [len(p) for p in pairs])
    mean, cov = spell_priors(
        tracked.loose, panel.rung, (numbers, np.concatenate(pairs)), rung, fit.pooled,
        fit.constants.pooling,
    )  # fmt: skip
    gaps = usual_gaps(model, panel, panel.last[latest_spells(panel, owners)])
    cut_day = day_number(pd.Series(np.full(len(rung), histories.as_of)))
    wait = (cut_day - day_number(untried["ready_on"])).astype(float)
    confirm = np.array([r.criterion.confirm_sessions for r in histories.ladder.rungs])
    marks, measures = rung_marks(histories.ladder, model.linear)
    base = Targets(
        mean=mean, cov=cov, threshold=marks[rung], measure=measures[rung],
        grace=np.full(len(rung), judgement.GRACE_WEEKS), confirm=confirm[rung],
        run=np.zeros(len(rung), dtype=np.int64), wait=wait, gaps=gaps,
        first_gaps=first_gap_table(
            np.tile(model.rhythm.delays, (len(rung), 1)), np.maximum(wait, 0.0),
            model.rhythm.absences, float(cut_day[0]),
        ),
        habits=untried_habits(len(rung), model.habits), untried=True,
        clock=fit.constants.clock, origin=cut_day.astype(float),
    )  # fmt: skip
    count = min(how.draws, judgement.PLAIN_DRAWS)
    draws, targets = constants_draws(fit, count, NODES), []
    for constants, quantile in zip(draws, speed_quantiles(count, NODES), strict=True):
        speed, left = spell_speeds(mean, cov, float(quantile))
        targets.append(replace(base, cov=left, speed=speed, clock=constants.clock))
    passage = _averaged(draws, targets, np.full((count, len(base)), 1.0 / count), how)
    return GrowthForecast(passage, mean, cov, mean - fit.pooled.usual(rung))


def forecast_landmarks(
    tracked: Tracked, place: Ints, wait: Array, confirm: Ints, run: Ints, how: Simulation
) -> Passage:
    """Forecast ``wait`` days after past sessions ``place`` from what was known then."""
    targets = targets_at(tracked, place, wait, confirm, run)
    return average_passage(tracked, targets, place, how, finished_only=True)


@dataclass(frozen=True, slots=True)
class SharedDraws:
    """P paths of what is shared.

    ``rung`` (P, R, 3) usual start level, swing and pace of each rung: centre plus rung effect;
    ``athlete`` (A, P, 3) effect of each athlete asked about; ``own`` (R, P, 3) a spell's own effect
    on each rung; ``open_state`` (S, P, 3) after the last session of each open spell.
    """

    laws: PathLaws
    rung: Array
    athlete: Array
    own: Array
    open_state: Array


@dataclass(frozen=True, slots=True)
class Walker:
    """What a walk up the ladder asks of the engine about A athletes.

    ``athletes`` (A,) are increasing numbers; ``gaps`` (A, G), ``habits`` and ``scatter`` (A,) as of
    what each trained last; ``marks``, ``measures`` (R,) those of rungs not begun.
    """

    tracked: Tracked
    athletes: Ints
    gaps: Array
    habits: Habits
    scatter: Array
    marks: Array
    measures: Ints

    def under_way(self, spell: Ints, day: int, confirm: Ints, run: Ints) -> Coming:
        """Return the sessions to come of spells under way on day number ``day``."""
        last = self.tracked.panel.last[spell]
        wait = (day - self.tracked.panel.day[last]).astype(float)
        return targets_at(self.tracked, last, wait, confirm, run)

    def untried(self, who: Ints, rung: int, gaps: Array, confirm: Ints, origin: Array) -> Coming:
        """Return the sessions to come of athletes ``who`` on a rung not begun."""
        mine = self.habits
        habits = Habits(
            mine.intercept[who], mine.slope, mine.sets[who], np.asarray(mine.spread)[who]
        )
        mark, measure = (np.full(len(who), of[rung]) for of in (self.marks, self.measures))
        return _first_sessions(mark, measure, gaps, confirm, origin, self.scatter[who], habits)

    def draw(self, open_spells: Ints, *, paths: int, draws: int, seed: int) -> SharedDraws:
        """Draw P paths; the same seed gives the same numbers whoever is asked about.

        ``open_spells`` are under way, increasing.
        """
        tracked, athletes, panel = self.tracked, self.athletes, self.tracked.panel
        fit, n_rungs = tracked.model.fit, tracked.model.fit.n_rungs
        sets, owner = constants_draws(fit, draws, seed), block_of(paths, draws)
        rng = np.random.default_rng([seed, 1])
        half = (paths + 1) // 2
        z_common = mirrored(rng.standard_normal((half, len(fit.pooled.common_mean))))[:paths]
        z_rest = mirrored(rng.standard_normal((half, 2 + n_rungs, 3)))[:paths]
        z_athlete, z_open, z_own = z_rest[:, 0], z_rest[:, 1], z_rest[:, 2:].transpose(1, 0, 2)
        root = np.linalg.cholesky(fit.pooled.common_cov + 1e-14 * np.eye(z_common.shape[1]))
        common = fit.pooled.common_mean + z_common @ root.T
        usual = common[:, None, :3] + common[:, 3:].reshape(paths, n_rungs, 3)
        effect, own = np.empty((len(athletes), paths, 3)), np.empty((n_rungs, paths, 3))
        states = np.empty((len(open_spells), paths, 3))
        place = np.searchsorted(athletes, panel.athlete[open_spells])
        rung = panel.rung[open_spells]
        for number, constants in enumerate(sets):
            mine = np.flatnonzero(owner == number)
            effect[:, mine] = _draw_effects(
                tracked, constants, athletes, usual[mine], z_athlete[mine]
            )
            own[:, mine] = z_own[:, mine] @ np.linalg.cholesky(constants.pooling.own).T
            prior = usual[mine][:, rung].transpose(1, 0, 2) + effect[place][:, mine]
            states[:, mine] = _open_states(tracked, constants, open_spells, prior, z_open[mine])
        laws = path_laws([c.laws for c in sets], paths, seed)
        return SharedDraws(laws, usual, effect, own, states)


def walker_of(tracked: Tracked, athletes: Ints, ladder: Ladder) -> Walker:
    """Return what a walk asks about athletes, increasing numbers, as they trained lately."""
    model, panel, filtered = tracked.model, tracked.panel, tracked.filtered
    spell = latest_spells(panel, athletes)
    last = panel.last[spell]
    habits = athlete_habits(panel, filtered.mean[:, 0], last, model.habits)
    gaps = usual_gaps(model, panel, last)
    marks = rung_marks(ladder, model.linear)
    return Walker(tracked, athletes, gaps, habits, filtered.scatter[spell], *marks)


def _first_sessions(
    threshold: Array, measure: Ints, gaps: Array, confirm: Ints, origin: Array, scatter: Array,
    habits: Habits,
) -> Coming:  # fmt: skip
    """T rungs on the day of their first session."""
    none, usual = np.zeros(len(threshold)), np.median(gaps, axis=1) / WEEK
    return Coming(
        threshold=threshold, measure=measure, grace=usual_grace(usual),
        confirm=confirm, run=none.astype(np.int64), untried=True, wait=none, origin=origin,
        scatter=scatter, gaps=gaps, first_gaps=gaps, habits=habits,
    )  # fmt: skip


def usual_days(tracked: Tracked, which: Ints, confirm: Ints, *, seed: int) -> Array:
    """Return the middle days to clearing, simulated as of the first sessions of spells, (T,).

    Of an unknown athlete who trains like this one; beyond two years an order, not a time.
    """
    model, panel = tracked.model, tracked.panel
    fit, first = model.fit, panel.start[which]
    pooling = fit.constants.pooling
    root = np.linalg.cholesky(pooling.own + np.diag(pooling.athlete))
    points = qmc.Sobol(3, rng=np.random.default_rng([seed, 2])).random(judgement.MIDDLE_PATHS)
    spread = ndtri(np.clip(points, 1e-9, 1 - 1e-9)) @ root.T
    state = (fit.pooled.usual(panel.rung[which])[:, None, :] + spread).transpose(2, 0, 1)
    coming = _first_sessions(
        panel.threshold[which], panel.measure[which], usual_gaps(model, panel, first), confirm,
        panel.day[first].astype(float), tracked.filtered.scatter[which],
        untried_habits(len(which), model.habits),
    )  # fmt: skip
    laws = path_laws([fit.constants.laws], judgement.MIDDLE_PATHS, seed)
    climb = simulate_days(coming, state, laws, most_days=7 * 104, seed=[seed, 3])
    return np.asarray(np.median(climb.days, axis=1))


def _draw_effects(
    tracked: Tracked, constants: GrowthConstants, athletes: Ints, usual: Array, z: Array
) -> Array:
    """(A, p, 3) draws of the athletes' effects given each path's rungs."""
    panel = tracked.panel
    loose = loose_information(panel, constants, tracked.filtered)
    spells = np.flatnonzero(np.isin(panel.athlete, athletes))
    who = np.searchsorted(athletes, panel.athlete[spells])
    by_rung = np.zeros((len(athletes), usual.shape[1], 3, 3))
    np.add.at(by_rung, (who, panel.rung[spells]), loose.information[spells])
    score = summed(loose.score[spells], who, len(athletes))
    cov = np.linalg.inv(by_rung.sum(axis=1) + np.diag(1.0 / constants.pooling.athlete))
    told = score[:, None, :] - np.einsum("arij,prj->api", by_rung, usual)
    mean = np.einsum("aij,apj->api", cov, told)
    return np.asarray(mean + np.einsum("aij,pj->api", np.linalg.cholesky(cov), z))


def _open_states(
    tracked: Tracked, constants: GrowthConstants, which: Ints, prior: Array, z: Array
) -> Array:
    """(S, p, 3) draws of the state after each open spell's last session, by four filters."""
    if not len(which):
        return np.empty((0, prior.shape[1], 3))
    panel, filtered = take_spells(tracked.panel, which), tracked.filtered
    site = np.flatnonzero(np.isin(tracked.panel.spell, which))
    mean = np.tile(np.concatenate([np.zeros((1, 3)), np.eye(3)]), (len(which), 1, 1))
    cov = np.tile(constants.pooling.own, (len(which), 1, 1))
    between = stretches(panel, constants.clock, constants.dynamics)
    carry_spells(between, filtered.site_mean[site], filtered.site_var[site], mean, cov)
    response = mean[:, 1:] - mean[:, :1]
    centre = mean[:, :1] + np.einsum("ski,spk->spi", response, prior)
    root = np.linalg.cholesky(cov + 1e-12 * np.eye(3))
    return np.asarray(centre + np.einsum("sij,pj->spi", root, z))
