"""What athletes share over their spells: effects, own paces, regressions, and joint draws.

Given the constants and the rungs' effects spells are independent but for their athlete's effect,
and a spell under way stands where its sessions and this athlete say.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from forecast.growth.engine import GrowthModel, Tracked
from forecast.growth.filtering import Filtered, forward_pass, spell_information
from forecast.growth.fitting import GrowthConstants, loose_information, priors_from_others
from forecast.growth.forecasting import constants_draws
from forecast.growth.kernels import carry_spells
from forecast.growth.motion import PathLaws, stretches
from forecast.growth.panel import Panel, build_panel, take_spells
from forecast.growth.passage import block_of, mirrored, path_laws
from forecast.growth.pooling import centred
from forecast.histories import Histories
from forecast.types import Array, Ints


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


def draw_shared(
    model: GrowthModel,
    tracked: Tracked,
    athletes: Ints,
    open_spells: Ints,
    *,
    paths: int,
    draws: int,
    seed: int,
) -> SharedDraws:
    """Draw P paths; the same seed gives the same numbers whoever is asked about.

    On each path the constants come from their approximate posterior, the centre and the rungs'
    effects from theirs, and the effects of ``athletes`` (A,), increasing numbers, given those from
    all of their spells. ``open_spells`` (S,) are the spells under way, in increasing order.
    """
    fit, n_rungs = model.fit, model.fit.n_rungs
    sets = constants_draws(fit, draws, seed)
    owner = block_of(paths, draws)
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


def athlete_effects(model: GrowthModel, tracked: Tracked) -> tuple[Ints, Array, Array]:
    """Return the athletes' numbers (A,), and the mean and covariance of each one's effect."""
    fit, panel = model.fit, tracked.panel
    loose = loose_information(panel, fit.constants, tracked.filtered)
    _, score, information = centred(loose, panel.rung, fit.pooled.common_mean)
    people, who = np.unique(panel.athlete, return_inverse=True)
    precision, total = np.zeros((len(people), 3, 3)), np.zeros((len(people), 3))
    np.add.at(precision, who, information)
    np.add.at(total, who, score)
    cov = np.linalg.inv(precision + np.diag(1.0 / fit.constants.pooling.athlete))
    return people, np.asarray(np.einsum("aij,aj->ai", cov, total)), np.asarray(cov)


def own_paces(model: GrowthModel, tracked: Tracked) -> Array:
    """(S,) posterior mean of each spell's own pace, beyond its rung and its athlete."""
    panel, filtered, constants = tracked.panel, tracked.filtered, model.fit.constants
    everyone = np.arange(panel.n_spells)
    mean, cov = priors_from_others(
        panel, constants, model.fit.pooled, tracked.loose, everyone, finished_only=True
    )
    between = stretches(panel, constants.clock, constants.dynamics)
    info = spell_information(between, filtered.site_mean, filtered.site_var)
    surprise = info.score - np.einsum("sij,sj->si", info.information, mean)
    pulled = np.linalg.solve(np.eye(3) + info.information @ cov, surprise[:, :, None])[:, :, 0]
    return np.asarray((pulled @ constants.pooling.own)[:, 2])


def filter_on(
    model: GrowthModel, tracked: Tracked, longer: Histories, charge: Callable[[Panel], Array]
) -> tuple[Panel, Filtered]:
    """Filter on over the sessions that ``longer`` has beyond those tracked, in the same spells.

    What was known of each spell before its first session, and how widely the athlete scatters, is
    as it was; ``charge`` gives the weeks beyond the grace before each session, (N,).
    """
    constants, every = model.fit.constants, np.arange(tracked.panel.n_spells)
    panel = build_panel(longer, linear=model.linear, units=model.units)
    panel = replace(panel, excess=charge(panel))
    before = priors_from_others(
        tracked.panel, constants, model.fit.pooled, tracked.loose, every, finished_only=True
    )
    between = stretches(panel, constants.clock, constants.dynamics)
    scatter = tracked.filtered.scatter
    return panel, forward_pass(panel, between, constants.noise, *before, scatter)


def regress_tracked(
    model: GrowthModel, tracked: Tracked, design: Array, prior_sd: Array
) -> tuple[Array, Array]:
    """Posterior of the coefficients of a design over all spells; see ``regress_spells``."""
    panel, fit = tracked.panel, model.fit
    _, score, information = centred(tracked.loose, panel.rung, fit.pooled.common_mean)
    athlete_var = fit.constants.pooling.athlete
    return regress_spells(score, information, panel.athlete, athlete_var, design, prior_sd)


def regress_spells(
    score: Array,
    information: Array,
    athlete: Ints,
    athlete_var: Array,
    design: Array,
    prior_sd: Array,
) -> tuple[Array, Array]:
    """Return posterior mean (K,) and covariance (K, K) of the coefficients of ``design`` (S, 3, K).

    Spells are normal in (start, swing, pace) with rungs, athletes and own effects as pooled by the
    growth engine; a shift ``design @ b`` then has a normal posterior in closed form (Lindley &
    Smith 1972, J. R. Stat. Soc. B 34:1).

    ``score`` (S, 3) and ``information`` (S, 3, 3) are what each spell says about its athlete's
    effect, own effect integrated out, centre and rung taken away (``pooling.centred``);
    ``athlete`` (S,) is whose spell it is, ``athlete_var`` (3,) the variance of athletes' effects,
    ``prior_sd`` (K,) the spread of each coefficient around 0.
    """
    _, who = np.unique(athlete, return_inverse=True)
    n = int(who.max(initial=-1)) + 1
    precision = np.tile(np.diag(1.0 / athlete_var), (n, 1, 1))
    total = np.zeros((n, 3))
    cross = np.zeros((n, 3, design.shape[2]))
    weighted = information @ design
    np.add.at(precision, who, information)
    np.add.at(total, who, score)
    np.add.at(cross, who, weighted)
    solved = np.linalg.solve(precision, np.concatenate([total[:, :, None], cross], axis=2))
    told = np.einsum("sik,si->k", design, score) - np.einsum("aik,ai->k", cross, solved[..., 0])
    sharp = np.einsum("sik,sil->kl", design, weighted)
    sharp -= np.einsum("aik,ail->kl", cross, solved[..., 1:])
    cov = np.linalg.inv(0.5 * (sharp + sharp.T) + np.diag(prior_sd**-2.0))
    return cov @ told, cov
