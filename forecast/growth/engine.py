"""The growth engine: fit the constants, filter the spells, simulate first passages."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecast.growth.athletes import loose_information, priors_from_others
from forecast.growth.clock import wind
from forecast.growth.constants import GrowthConstants
from forecast.growth.dynamics import lost_after, split_gap
from forecast.growth.filtering import Filtered, forward_pass, lost_levels, propagate
from forecast.growth.fitting import GrowthFit, fit_growth, population_prior, scattered
from forecast.growth.habits import (
    CohortHabits,
    athlete_habits,
    cohort_habits,
    untried_habits,
)
from forecast.growth.information import SpellInformation
from forecast.growth.intervals import pass_ratio
from forecast.growth.panel import GRACE_WEEKS, MEASURES, Panel, build_panel, day_number, take_spells
from forecast.growth.passage import Passage, Targets, simulate_passage
from forecast.growth.pooling import spell_priors
from forecast.growth.power import choose_power
from forecast.growth.scale import to_latent, to_ratio
from forecast.histories import Histories
from forecast.histories.attendance import (
    MEMORY,
    CohortRhythm,
    cohort_rhythm,
    first_gap_table,
    gap_table,
)

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


SPELL_SPREAD = {"log_alpha": 0.5, "log_swing_sd": 0.7, "log_wiggle_sd": 0.5}
"""How far single spells stray from the cohort's constants, as log standard deviations."""


@dataclass(frozen=True, slots=True)
class GrowthModel:
    """Everything the engine learnt from a log: constants and effects, rhythm, habits."""

    fit: GrowthFit
    rhythm: CohortRhythm
    habits: CohortHabits
    power: float


@dataclass(frozen=True, slots=True)
class Tracked:
    """A log seen through a fitted model: arrays, opinions, and what each spell says on its own."""

    panel: Panel
    filtered: Filtered
    loose: SpellInformation


def fit_growth_model(
    histories: Histories,
    *,
    seed: int,
    power: float | None = None,
    progress: Callable[[str], None] | None = None,
) -> GrowthModel:
    """Fit the engine to all spells of the histories.

    ``power`` of the latent scale (``scale.to_latent``) is chosen by evidence where left out.

    Raises
    ------
    FitError
        See ``fitting.fit_growth``.
    """
    if power is None:
        if progress:
            progress("growth engine, scale")
        power = choose_power(histories, len(histories.ladder.rungs), seed=seed)
    panel = build_panel(histories, power=power)
    fit = fit_growth(panel, len(histories.ladder.rungs), seed=seed, progress=progress)
    panel = wind(scattered(panel, fit.constants, fit.pooled, fit.n_rungs), fit.constants.clock)
    mean, cov = population_prior(fit.constants, fit.pooled, panel, fit.n_rungs)
    filtered = forward_pass(panel, fit.constants.dynamics, fit.constants.noise, mean, cov)
    gaps, owner = session_gaps(panel)
    return GrowthModel(
        fit=fit,
        rhythm=cohort_rhythm(gaps, owner, start_delays(histories)),
        habits=cohort_habits(panel.eligible, panel.n_sets.astype(float), filtered.mean[:, 0]),
        power=power,
    )


def session_gaps(panel: Panel) -> tuple[Array, Ints]:
    """All days between consecutive sessions of a spell, and whose they are."""
    gap = np.diff(panel.day, prepend=panel.day[:1]).astype(float)
    inner = np.ones(panel.n_sessions, dtype=bool)
    inner[panel.start] = False
    return gap[inner], panel.athlete[panel.spell][inner]


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
    panel = build_panel(histories, power=model.power)
    panel = wind(scattered(panel, constants, pooled, model.fit.n_rungs), constants.clock)
    mean, cov = population_prior(constants, pooled, panel, model.fit.n_rungs)
    filtered = forward_pass(panel, constants.dynamics, constants.noise, mean, cov)
    loose = loose_information(panel, constants, filtered)
    everyone = np.arange(panel.n_spells)
    mean, cov = priors_from_others(panel, constants, pooled, loose, everyone, finished_only=True)
    filtered = forward_pass(panel, constants.dynamics, constants.noise, mean, cov)
    return Tracked(panel, filtered, loose)


def recent_gaps(panel: Panel, last: Ints) -> list[Array]:
    """Latest gaps of each target's athlete up to a session, the same spell's ones newest."""
    gap = np.diff(panel.day, prepend=panel.day[:1]).astype(float)
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
    others = others[np.argsort(panel.day[panel.last[others]], kind="stable")]
    parts = [gap[panel.start[o] + 1 : panel.last[o] + 1] for o in others]
    return np.concatenate(parts) if parts else np.empty(0)


def targets_at(
    model: GrowthModel,
    panel: Panel,
    filtered_level: Array,
    last: Ints,
    wait: Array,
    mean: Array,
    cov: Array,
    confirm: Ints,
    run: Ints,
) -> Targets:
    """Assemble forecasts to be made at given sessions.

    Parameters
    ----------
    model, panel
        The engine and the records.
    filtered_level
        (N,) level after each session, for the habits.
    last
        (T,) session at which each target stands.
    wait
        (T,) days from that session to the cut date.
    mean, cov
        (T, 3), (T, 3, 3) opinion after that session.
    confirm, run
        (T,) sessions in a row asked for, and met so far.
    """
    spell = panel.spell[last]
    gaps = gap_table(recent_gaps(panel, last), model.rhythm)
    return Targets(
        mean=mean,
        cov=cov,
        threshold=panel.threshold[spell],
        measure=panel.measure[spell],
        grace=panel.grace[spell],
        confirm=confirm,
        run=run,
        wait=wait,
        gaps=gaps,
        first_gaps=first_gap_table(gaps, wait),
        habits=athlete_habits(panel, panel.eligible, filtered_level, last, model.habits),
        scatter=panel.scatter[spell],
        clock=model.fit.constants.clock,
        done=panel.number[last] + 1.0,
        last_day=panel.day[last].astype(float),
        lost=lost_levels(panel, model.fit.constants.dynamics)[last],
    )


def constants_draws(fit: GrowthFit, count: int, seed: int) -> list[GrowthConstants]:
    """Draw sets of constants in mirrored pairs: what the fit leaves open, and how spells differ.

    ``count`` is even; draws are cut at two standard deviations: the approximation is not to be
    trusted further out. Spells also differ among themselves in how they move (``SPELL_SPREAD``),
    which one set of constants for a cohort can't say.
    """
    rng = np.random.default_rng(seed)
    z = np.clip(rng.standard_normal((count // 2, len(fit.names))), -2.0, 2.0)
    own = np.clip(rng.standard_normal((count // 2, len(SPELL_SPREAD))), -2.0, 2.0)
    own = own * np.array(list(SPELL_SPREAD.values()))
    middle = fit.constants.vector(fit.names)
    place = [fit.names.index(name) for name in SPELL_SPREAD]
    draws = []
    for row, spread in zip(z, own, strict=True):
        step = fit.chol @ row
        step[place] += spread
        draws += [fit.constants.replaced(fit.names, middle + sign * step) for sign in (1.0, -1.0)]
    return draws


def _open_states(
    model: GrowthModel, constants: GrowthConstants, tracked: Tracked, which: Ints
) -> Filtered:
    """Filter the asked-for spells under these constants with all the athlete's other spells."""
    panel = wind(tracked.panel, constants.clock)
    loose = loose_information(panel, constants, tracked.filtered)
    mean, cov = priors_from_others(
        panel, constants, model.fit.pooled, loose, which, finished_only=False
    )
    return forward_pass(take_spells(panel, which), constants.dynamics, constants.noise, mean, cov)


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
    *,
    horizon_days: int,
    paths: int,
    draws: int,
    seed: int,
) -> GrowthForecast:
    """Forecast spells under way at the cut.

    Parameters
    ----------
    model, tracked
        The engine, and the log seen through it.
    which
        (T,) places of the spells in the panel, in increasing order.
    as_of_day
        Day number of the cut.
    confirm, run
        (T,) as in ``Targets``.
    horizon_days, paths, seed
        As in ``simulate_passage``; paths are shared out over the draws of the constants.
    draws
        Number of draws of the constants (even).
    """
    panel = take_spells(tracked.panel, which)
    last = panel.last
    wait = (as_of_day - panel.day[last]).astype(float)
    full_last = tracked.panel.last[which]
    base = targets_at(
        model, tracked.panel, tracked.filtered.mean[:, 0], full_last, wait,
        np.zeros((len(which), 3)), np.tile(np.eye(3), (len(which), 1, 1)), confirm, run,
    )  # fmt: skip
    passages, evidence = [], []
    for number, constants in enumerate(constants_draws(model.fit, draws, seed)):
        states = _open_states(model, constants, tracked, which)
        evidence.append(np.add.reduceat(states.log_evidence, panel.start))
        passages.append(
            simulate_passage(
                replace(
                    base,
                    mean=states.mean[last],
                    cov=states.cov[last],
                    clock=constants.clock,
                    lost=lost_levels(panel, constants.dynamics)[last],
                ),
                constants.dynamics,
                constants.noise,
                horizon_days=horizon_days,
                paths=max(paths // draws, 2),
                seed=seed + 1 + number,
            )
        )
    centre = _open_states(model, model.fit.constants, tracked, which)
    rest, excess = split_gap(wait / 7.0, panel.grace)
    clock, dynamics = model.fit.constants.clock, model.fit.constants.dynamics
    tau = clock.dose(rest, panel.number[last] + 1.0, np.full(len(which), float(as_of_day)))
    lost = lost_levels(panel, dynamics)[last]
    loss = lost_after(dynamics, lost, rest, excess) - lost
    mean, cov = propagate(dynamics, centre.mean[last], centre.cov[last], tau, excess, loss)
    return GrowthForecast(
        _average(passages, np.stack(evidence)), mean, cov, _athlete_effect(model, tracked, which)
    )


def _athlete_effect(model: GrowthModel, tracked: Tracked, which: Ints) -> Array:
    """(T, 3) shift of the prior that the athlete's other spells bring."""
    fit, panel = model.fit, tracked.panel
    mean, _ = priors_from_others(
        panel, fit.constants, fit.pooled, tracked.loose, which, finished_only=False
    )
    effects = fit.pooled.common_mean[3:].reshape(-1, 3)[panel.rung[which]]
    return np.asarray(mean - fit.pooled.common_mean[:3] - effects)


def _average(passages: list[Passage], evidence: Array) -> Passage:
    """Average over draws of the constants, each weighted by how well it explains the spell.

    ``evidence`` is (M, T). The draws differ from spell to spell as the spells themselves do.
    """
    weight = np.exp(evidence - evidence.max(axis=0))
    weight /= weight.sum(axis=0)
    return Passage(
        np.einsum("mt,mtd->td", weight, np.stack([p.by_day for p in passages])),
        np.einsum("mt,mt->t", weight, np.stack([p.next_session for p in passages])),
    )


def forecast_untried(
    model: GrowthModel,
    tracked: Tracked,
    untried: pd.DataFrame,
    histories: Histories,
    *,
    horizon_days: int,
    paths: int,
    seed: int,
) -> GrowthForecast:
    """Forecast rungs that are open but have no session yet.

    Parameters
    ----------
    untried
        One row a target: ``athlete_id``, ``rung_index`` and ``ready_on`` (the day from which
        the rung may be trained).
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
    wait = day_number(pd.Series(np.full(len(rung), histories.as_of)))
    wait = (wait - day_number(untried["ready_on"])).astype(float)
    delays = np.tile(model.rhythm.delays, (len(rung), 1))
    criteria = [histories.ladder.rungs[r].criterion for r in rung]
    ratios = [pass_ratio(c.target, 1.0, c.measure) for c in criteria]
    targets = Targets(
        mean=mean,
        cov=cov,
        threshold=to_latent(np.asarray(ratios), model.power),
        measure=np.array([MEASURES.index(c.measure) for c in criteria]),
        grace=np.full(len(rung), GRACE_WEEKS),
        confirm=np.array([c.confirm_sessions for c in criteria]),
        run=np.zeros(len(rung), dtype=np.int64),
        wait=wait,
        gaps=gaps,
        first_gaps=first_gap_table(delays, np.maximum(wait, 0.0)),
        habits=untried_habits(len(rung), model.habits),
        untried=True,
        clock=model.fit.constants.clock,
        last_day=day_number(untried["ready_on"]).astype(float),
    )
    passage = simulate_passage(
        targets, fit.constants.dynamics, fit.constants.noise,
        horizon_days=horizon_days, paths=paths, seed=seed,
    )  # fmt: skip
    effects = fit.pooled.common_mean[3:].reshape(-1, 3)[rung]
    return GrowthForecast(passage, mean, cov, mean - fit.pooled.common_mean[:3] - effects)


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

    Parameters
    ----------
    model, tracked
        The engine, and the log seen through it.
    place
        (T,) place of each landmark's last session in the panel.
    wait_weeks
        (T,) weeks from that session to the landmark.
    rate
        (T,) sessions a week lately.
    weeks
        (W,) weeks after the landmark at which to look.

    Notes
    -----
    The spread holds the uncertainty of the state, the motion, and a day's form. It is the smooth
    mean's crossing and no forecast by itself: the hazard model learns what to make of it.
    """
    panel, constants = tracked.panel, model.fit.constants
    spell = panel.spell[place]
    result = np.empty((len(place), len(weeks)))
    rest, excess = split_gap(wait_weeks, panel.grace[spell])
    done, day = panel.number[place] + 1.0, panel.day[place] + 7.0 * wait_weeks
    waited = constants.clock.dose(rest, done, day)
    day_var = (constants.noise.day_sd[panel.measure[spell]] * panel.scatter[spell]) ** 2
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


def forecast_landmarks(
    model: GrowthModel,
    tracked: Tracked,
    place: Ints,
    wait: Array,
    confirm: Ints,
    run: Ints,
    *,
    horizon_days: int,
    paths: int,
    seed: int,
) -> Passage:
    """Forecast from past moments, with what was known of the spell then.

    Parameters
    ----------
    place
        (T,) place of the last session known, in the panel.
    wait
        (T,) days from that session to the landmark.
    confirm, run
        (T,) as in ``Targets``, at that session.
    """
    filtered = tracked.filtered
    targets = targets_at(
        model, tracked.panel, filtered.mean[:, 0], place, wait,
        filtered.mean[place], filtered.cov[place], confirm, run,
    )  # fmt: skip
    constants = model.fit.constants
    return simulate_passage(
        targets, constants.dynamics, constants.noise,
        horizon_days=horizon_days, paths=paths, seed=seed,
    )  # fmt: skip


def level_and_gain(model: GrowthModel, forecast: GrowthForecast) -> tuple[Array, Array, Array]:
    """Return level as log(capacity / target), gain a week on that scale, and the gain's spread.

    All (T,), at the cut date.
    """
    latent, cov = forecast.mean[:, 0], forecast.cov
    ratio = np.maximum(to_ratio(latent, model.power), 1e-3)
    # d log(ratio) / d latent = ratio ** -power
    slope = ratio**-model.power
    gain = forecast.mean[:, 1] + forecast.mean[:, 2]
    spread = np.sqrt(cov[:, 1, 1] + cov[:, 2, 2] + 2.0 * cov[:, 1, 2])
    return np.log(ratio), slope * gain, slope * spread


def pace_effects(model: GrowthModel, forecast: GrowthForecast) -> tuple[Array, Array]:
    """Return how much quicker each target's athlete (T,) and each rung (R,) go than the cohort.

    Gain a week, swing and pace together, shrunk; the athlete's from their other spells alone.
    """
    effects = model.fit.pooled.common_mean[3:].reshape(-1, 3)
    return forecast.athlete_effect[:, 1:].sum(axis=1), effects[:, 1:].sum(axis=1)
