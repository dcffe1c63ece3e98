"""Constants of the growth engine by marginal likelihood, pooled over all spells.

Two steps in turn until the evidence settles. With the sessions as normal observations (sites),
the motion and pooling constants climb the exact pooled evidence; with the opinions before each
session (cavities), the record constants climb the evidence of the sets themselves. At a fixed
point both are gradients of one objective (Minka 2001; Seeger 2005, EP for exponential families).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import count

import numpy as np
from scipy.optimize import minimize

from forecast.errors import FitError
from forecast.growth.constants import (
    MOST_SLIPS,
    PRIORS,
    RECORD,
    STRUCTURE,
    GrowthConstants,
    prior_constants,
)
from forecast.growth.filtering import Filtered, forward_pass, stretches
from forecast.growth.information import SpellInformation, spell_information
from forecast.growth.observation import evidence_slopes
from forecast.growth.panel import MEASURES, Panel
from forecast.growth.pooling import Moments, Pooled, PoolingPrior, pool, pooled_moments
from forecast.growth.scatter import athlete_scatter
from forecast.types import Array

ROUNDS = 3
MAX_STEPS = (8, 8, 14)
START = {"log_own_swing": 0.08, "log_own_pace": 0.05, "log_wiggle_sd": 0.015}
"""Where the climb to the best constants begins, where not in the middle of their priors: with
spells free to differ in pace, so that a steady climb is not first taken for a wiggle."""
RECORD_STEPS = 6
"""Few steps, on purpose: climbed to the very top the evidence fits the law of the engine to records
that follow another, and forecasts of alien cohorts are no better for it (docs, what was tried)."""
MOST = {"log_slip": float(np.log(MOST_SLIPS))}
FARTHEST = 5.0
"""No constant ends farther than so many standard deviations of its prior from its middle."""
STEP = 1e-3
SEASON_WEEKS = 40
"""Calendar weeks with sessions from which a season can be told from a trend."""


@dataclass(frozen=True, slots=True)
class GrowthFit:
    """What was learnt: the constants, the pooled effects, and how uncertain the constants are.

    ``names`` and ``chol`` (P, P): a draw of those constants is their value + chol @ N(0, 1).
    """

    constants: GrowthConstants
    pooled: Pooled
    n_rungs: int
    names: list[str]
    chol: Array
    log_evidence: float
    rounds: int


def population_prior(
    constants: GrowthConstants, pooled: Pooled | None, panel: Panel, n_rungs: int
) -> tuple[Array, Array]:
    """Opinion at each spell's start from its rung alone, (S, 3) and (S, 3, 3)."""
    prior = constants.pooling
    base = prior.own + np.diag(prior.athlete)
    if pooled is None:
        mean = np.tile(prior.centre_mean, (panel.n_spells, 1))
        cov = base + np.diag(prior.rung + prior.centre_var)
        return mean, np.tile(cov, (panel.n_spells, 1, 1))
    return pooled.usual(panel.rung), np.tile(base, (panel.n_spells, 1, 1))


def day_variance(constants: GrowthConstants, panel: Panel, scatter: Array) -> Array:
    """(N,) variance of an ordinary day's form at each session."""
    by_spell = constants.noise.day_sd[panel.measure] * scatter
    return np.asarray(by_spell[panel.spell] ** 2)


def fit_growth(
    panel: Panel,
    n_rungs: int,
    *,
    start: GrowthConstants | None = None,
    rounds: int = ROUNDS,
    progress: Callable[[str], None] | None = None,
) -> GrowthFit:
    """Fit the constants and the pooled effects to all spells, with at least one session each.

    ``n_rungs`` of the ladder, tried or not; ``start`` from these constants, the priors' middle if
    left out; ``rounds``: how often the two steps take turns. Raises ``FitError`` if the evidence is
    not a number, so that no constants can be trusted.
    """
    turns = climb(panel, n_rungs, start)
    for turn in range(rounds):
        if progress:
            progress(f"growth engine, round {turn + 1} of {rounds}")
        constants, filtered, pooled = next(turns)
    names, chol = _uncertainty(panel, constants, filtered, n_rungs)
    return GrowthFit(constants, pooled, n_rungs, names, chol, pooled.log_evidence, rounds)


def climb(
    panel: Panel, n_rungs: int, start: GrowthConstants | None = None
) -> Iterator[tuple[GrowthConstants, Filtered, Pooled]]:
    """Yield, round by round and without end, the best constants so far.

    With them the sessions filtered just before, and the pooled effects.
    """
    constants = start or _first_constants(panel)
    pooled: Pooled | None = None
    scatter = np.ones(panel.n_spells)
    for turn in count():
        filtered = filter_population(panel, constants, pooled, n_rungs, scatter)
        constants = _fit_record(panel, constants, filtered)
        filtered = filter_population(panel, constants, pooled, n_rungs)
        scatter = filtered.scatter
        steps = MAX_STEPS[min(turn, len(MAX_STEPS) - 1)]
        constants, pooled = _fit_structure(panel, constants, filtered, n_rungs, steps)
        yield constants, filtered, pooled


def filter_population(
    panel: Panel,
    constants: GrowthConstants,
    pooled: Pooled | None,
    n_rungs: int,
    scatter: Array | None = None,
) -> Filtered:
    """Filter every spell alone, with each athlete's ``scatter``: as the sets say, if left out."""
    mean, cov = population_prior(constants, pooled, panel, n_rungs)
    between = stretches(panel, constants.clock, constants.dynamics)
    if scatter is None:
        scatter = athlete_scatter(panel, between, constants.noise, mean, cov)
    return forward_pass(panel, between, constants.noise, mean, cov, scatter)


def _first_constants(panel: Panel) -> GrowthConstants:
    """The priors' middle, with the log's own rhythm and whether it spans enough of the year."""
    gaps = panel.rest[panel.number > 0]
    usual = float(np.clip(gaps.mean(), 0.05, 8.0)) if len(gaps) else 0.4
    weeks = len(np.unique(panel.day // 7))
    values = prior_constants().values | {name: float(np.log(sd)) for name, sd in START.items()}
    return GrowthConstants(values, usual, weeks >= SEASON_WEEKS)


def active_names(panel: Panel, names: list[str]) -> list[str]:
    """Drop the constants of measures that no spell uses."""
    unused = {m for i, m in enumerate(MEASURES) if not np.any(panel.measure == i)}
    return [name for name in names if name.rsplit("_", 1)[-1] not in unused]


class _Structure:
    """Pooled evidence of the sites as a function of the structure constants."""

    def __init__(
        self, panel: Panel, constants: GrowthConstants, filtered: Filtered, n_rungs: int
    ) -> None:
        self.panel, self.constants, self.n_rungs = panel, constants, n_rungs
        _, self.athlete = np.unique(panel.athlete, return_inverse=True)
        self.site_mean, self.tail = filtered.site_mean, filtered.tail
        self.scatter = filtered.scatter
        # The site's variance without the day's form, so that the form can be fitted here too.
        bare = filtered.site_var - self.tail * day_variance(constants, panel, self.scatter)
        self.bare_var = np.maximum(bare, 1e-6)
        self.names = active_names(panel, STRUCTURE)
        if not constants.seasonal:
            self.names = [name for name in self.names if not name.startswith("season")]
        self.motion = [name for name in self.names if PRIORS[name].group == "motion"]

    def inform(self, constants: GrowthConstants) -> SpellInformation:
        """Information of the spells under these constants."""
        day_var = day_variance(constants, self.panel, self.scatter)
        between = stretches(self.panel, constants.clock, constants.dynamics)
        return spell_information(between, self.site_mean, self.bare_var + self.tail * day_var)

    def pool(self, constants: GrowthConstants, info: SpellInformation) -> Pooled:
        panel = self.panel
        return pool(info, panel.athlete, panel.rung, self.n_rungs, constants.pooling)

    def value_and_gradient(self, vector: Array) -> tuple[float, Array]:
        """Pooled log evidence and its gradient.

        Fisher's identity: the slope of the evidence is the mean slope of the joint log density of
        sessions and effects under the effects' opinion after. What a constant of the motion does
        to the spells' information is a forward difference; the rest is exact.
        """
        here = self.constants.replaced(self.names, vector)
        info, rung, prior = self.inform(here), self.panel.rung, here.pooling
        moments = pooled_moments(info, self.athlete, rung, self.n_rungs, prior)
        counts = (len(rung), int(self.athlete.max()) + 1, self.n_rungs)
        slopes = np.empty(len(vector))
        for i, name in enumerate(self.names):
            moved = here.replaced([name], vector[i : i + 1] + STEP)
            if name in self.motion:
                slopes[i] = _information_slope(moments, info, self.inform(moved)) / STEP
            else:
                slopes[i] = _prior_slope(moments, counts, prior, moved.pooling) / STEP
        return moments.log_evidence, slopes


def _information_slope(moments: Moments, here: SpellInformation, there: SpellInformation) -> float:
    """Change of the evidence when the spells' information goes from ``here`` to ``there``."""
    return float(
        np.sum(there.constant - here.constant)
        + np.sum((there.score - here.score) * moments.mean)
        - 0.5 * np.sum((there.information - here.information) * moments.square)
    )


def _prior_slope(
    moments: Moments, counts: tuple[int, int, int], here: PoolingPrior, there: PoolingPrior
) -> float:
    """Change of the effects' log density from one prior to the next, to first order.

    ``counts`` are the numbers of spells, athletes and rungs.
    """
    precision = np.linalg.inv(here.own)
    step = precision @ (there.own - here.own)
    change = np.trace(step @ precision @ moments.own) - counts[0] * np.trace(step)
    for square, n, old, new in (
        (moments.athlete, counts[1], here.athlete, there.athlete),
        (moments.rung, counts[2], here.rung, there.rung),
    ):
        change += float(np.sum((square / old - n) * (new - old) / old))
    return 0.5 * float(change)


def _climb(
    names: list[str],
    start: Array,
    evidence: Callable[[Array], tuple[float, Array]],
    steps: int,
) -> Array:
    """Return the constants of the highest evidence and prior, or the best after some steps.

    ``evidence`` returns value and gradient. Each constant is measured in standard deviations of
    its prior, so that one step size fits all. Raises ``FitError`` if the evidence is not a number.
    """
    mean, sd = np.array([PRIORS[name][:2] for name in names]).T

    def objective(place: Array) -> tuple[float, Array]:
        value, slope = evidence(mean + sd * place)
        return 0.5 * float(place @ place) - value, place - sd * slope

    found = minimize(
        objective,
        (start - mean) / sd,
        jac=True,
        method="L-BFGS-B",
        bounds=[
            (-FARTHEST, min(FARTHEST, (MOST.get(name, np.inf) - m) / s))
            for name, m, s in zip(names, mean, sd, strict=True)
        ],
        options={"maxiter": steps},
    )
    if not np.isfinite(found.fun):
        raise FitError(
            "The growth engine's evidence is not a number for this log; check it for extreme "
            "values with `python -m forecast check`."
        )
    return np.asarray(mean + sd * found.x)


def _fit_structure(
    panel: Panel, constants: GrowthConstants, filtered: Filtered, n_rungs: int, steps: int
) -> tuple[GrowthConstants, Pooled]:
    problem = _Structure(panel, constants, filtered, n_rungs)
    start = constants.vector(problem.names)
    best = constants.replaced(
        problem.names, _climb(problem.names, start, problem.value_and_gradient, steps)
    )
    return best, problem.pool(best, problem.inform(best))


def _fit_record(panel: Panel, constants: GrowthConstants, filtered: Filtered) -> GrowthConstants:
    """Set noise and offsets from the sets, with the opinions before each session held."""
    names = active_names(panel, RECORD)
    mean, var = filtered.before_mean.copy(), filtered.before_var.copy()
    place = np.zeros((panel.n_sessions, 2))

    def evidence(vector: Array) -> tuple[float, Array]:
        noise = constants.replaced(names, vector).noise
        value, slopes = evidence_slopes(panel, noise, mean, var, filtered.scatter, place)
        return value, np.array([slopes[name] for name in names])

    return constants.replaced(names, _climb(names, constants.vector(names), evidence, RECORD_STEPS))


def _uncertainty(
    panel: Panel, constants: GrowthConstants, filtered: Filtered, n_rungs: int
) -> tuple[list[str], Array]:
    """Covariance root of the structure constants: outer products of athletes' scores + prior.

    Berndt, Hall, Hall & Hausman (1974); with the prior's precision added, so that thin data give
    the prior back.
    """
    problem = _Structure(panel, constants, filtered, n_rungs)
    vector = constants.vector(problem.names)

    def evidence(at: Array) -> Array:
        moved = constants.replaced(problem.names, at)
        return problem.pool(moved, problem.inform(moved)).athlete_log_evidence

    there = np.stack([evidence(row) for row in vector + STEP * np.eye(len(vector))], axis=1)
    scores = (there - evidence(vector)[:, None]) / STEP
    prior_sd = np.array([PRIORS[name].sd for name in problem.names])
    precision = scores.T @ scores + np.diag(prior_sd**-2.0)
    chol = np.linalg.cholesky(np.linalg.inv(precision))
    if not np.all(np.isfinite(chol)):
        raise FitError("The uncertainty of the growth engine's constants is not a number.")
    return problem.names, chol
