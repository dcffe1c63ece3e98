"""What is known before the first step of a walk, and P draws of all that an athlete's rungs share.

On each path the constants come from their approximate posterior, the centre and the rungs' effects
from theirs, and the athlete's effect given those from all of the athlete's spells. Given them,
spells are independent, and a spell under way stands where its sessions and this path's athlete say.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from forecast.ahead.learning import Climbing, Times, begun_in_log, carry_regressors, start_times
from forecast.ahead.standing import Plan, Standing, ladder_plan
from forecast.growth import (
    GrowthConstants,
    GrowthModel,
    Habits,
    PathLaws,
    Tracked,
    athlete_habits,
    block_of,
    carry_spells,
    constants_draws,
    latest_spells,
    loose_information,
    mirrored,
    path_laws,
    recent_gaps,
    rung_marks,
    stretches,
    take_spells,
)
from forecast.histories import Histories, day_number, gap_table
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
    margin, own_pace = carry_regressors(model, tracked, histories)
    spell = latest_spells(panel, standing.athletes)
    last = panel.last[spell]
    own = begun_in_log(tracked, histories)
    own = own[np.isin(panel.athlete[own], standing.athletes)]
    still = histories.spells["open"].to_numpy()[own]
    level = tracked.filtered.mean[:, 0]
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
        gaps=gap_table(recent_gaps(panel, last), model.rhythm),
        habits=athlete_habits(panel, level, last, model.habits),
        scatter=tracked.filtered.scatter[spell],
        times=start_times(model, tracked, histories, own[~still], seed),
        open_times=start_times(model, tracked, histories, own[still], seed),
    )


@dataclass(frozen=True, slots=True)
class SharedDraws:
    """P paths of what is shared.

    Attributes
    ----------
    rung
        (P, R, 3) usual start level, swing and pace of each rung: centre plus rung effect.
    athlete
        (A, P, 3) effect of each athlete asked about.
    own
        (R, P, 3) a spell's own effect on each rung.
    open_state
        (S, P, 3) level, swing and pace after the last session of each open spell.
    """

    laws: PathLaws
    rung: Array
    athlete: Array
    own: Array
    open_state: Array


def draw_shared(ground: Ground, settings: Settings, open_spells: Ints) -> SharedDraws:
    """Draw P paths; the same seed gives the same numbers whoever is asked about.

    ``open_spells`` (S,) are the places in the panel of the spells under way, in increasing order.
    """
    fit, tracked, athletes = ground.model.fit, ground.tracked, ground.standing.athletes
    n_rungs, paths, seed = fit.n_rungs, settings.paths, settings.seed
    sets = constants_draws(fit, settings.draws, seed)
    owner = block_of(paths, settings.draws)
    rng = np.random.default_rng([seed, 1])
    half = (paths + 1) // 2
    z_common = mirrored(rng.standard_normal((half, len(fit.pooled.common_mean))))[:paths]
    z_rest = mirrored(rng.standard_normal((half, 2 + n_rungs, 3)))[:paths]
    z_athlete, z_open = z_rest[:, 0], z_rest[:, 1]
    z_own = z_rest[:, 2:].transpose(1, 0, 2)
    root = np.linalg.cholesky(fit.pooled.common_cov + 1e-14 * np.eye(z_common.shape[1]))
    common = fit.pooled.common_mean + z_common @ root.T
    usual = common[:, None, :3] + common[:, 3:].reshape(paths, n_rungs, 3)
    athlete = np.empty((len(athletes), paths, 3))
    own = np.empty((n_rungs, paths, 3))
    states = np.empty((len(open_spells), paths, 3))
    panel = tracked.panel
    place = np.searchsorted(athletes, panel.athlete[open_spells])
    for number, constants in enumerate(sets):
        mine = np.flatnonzero(owner == number)
        athlete[:, mine] = _athlete_effects(
            tracked, constants, athletes, usual[mine], z_athlete[mine]
        )
        own[:, mine] = z_own[:, mine] @ np.linalg.cholesky(constants.pooling.own).T
        prior = usual[mine][:, panel.rung[open_spells]].transpose(1, 0, 2) + athlete[place][:, mine]
        states[:, mine] = _open_states(tracked, constants, open_spells, prior, z_open[mine])
    return SharedDraws(path_laws([c.laws for c in sets], paths, seed), usual, athlete, own, states)


def _athlete_effects(
    tracked: Tracked, constants: GrowthConstants, athletes: Ints, usual: Array, z: Array
) -> Array:
    """(A, p, 3) draws of the athletes' effects given each path's rungs."""
    panel = tracked.panel
    loose = loose_information(panel, constants, tracked.filtered)
    spells = np.flatnonzero(np.isin(panel.athlete, athletes))
    who = np.searchsorted(athletes, panel.athlete[spells])
    by_rung = np.zeros((len(athletes), usual.shape[1], 3, 3))
    score = np.zeros((len(athletes), 3))
    np.add.at(by_rung, (who, panel.rung[spells]), loose.information[spells])
    np.add.at(score, who, loose.score[spells])
    precision = by_rung.sum(axis=1) + np.diag(1.0 / constants.pooling.athlete)
    cov = np.linalg.inv(precision)
    told = score[:, None, :] - np.einsum("arij,prj->api", by_rung, usual)
    mean = np.einsum("aij,apj->api", cov, told)
    return np.asarray(mean + np.einsum("aij,pj->api", np.linalg.cholesky(cov), z))


def _open_states(
    tracked: Tracked, constants: GrowthConstants, which: Ints, prior: Array, z: Array
) -> Array:
    """(S, p, 3) draws of the state after each open spell's last session.

    Given the sessions as normal observations, the state's mean is linear in what is expected of
    the spell's start, so four filters (at nothing, and at a unit of each part) serve all paths.
    """
    if not len(which):
        return np.empty((0, prior.shape[1], 3))
    panel = take_spells(tracked.panel, which)
    site = np.flatnonzero(np.isin(tracked.panel.spell, which))
    mean = np.tile(np.concatenate([np.zeros((1, 3)), np.eye(3)]), (len(which), 1, 1))
    cov = np.tile(constants.pooling.own, (len(which), 1, 1))
    filtered = tracked.filtered
    between = stretches(panel, constants.clock, constants.dynamics)
    carry_spells(between, filtered.site_mean[site], filtered.site_var[site], mean, cov)
    response = mean[:, 1:] - mean[:, :1]
    centre = mean[:, :1] + np.einsum("ski,spk->spi", response, prior)
    root = np.linalg.cholesky(cov + 1e-12 * np.eye(3))
    return np.asarray(centre + np.einsum("sij,pj->spi", root, z))
