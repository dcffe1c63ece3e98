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
import pandas as pd
from scipy.optimize import minimize
from scipy.special import expit, ndtri
from scipy.stats import qmc

from forecast.errors import FitError
from forecast.growth import judgement
from forecast.growth.evidence import (
    Filtered,
    Moments,
    Noise,
    Pooled,
    PoolingPrior,
    SpellInformation,
    athlete_scatter,
    evidence_slopes,
    forward_pass,
    marginalise_own,
    pool,
    pooled_moments,
    spell_information,
    spell_priors,
)
from forecast.growth.motion import Clock, Dynamics, stretches
from forecast.growth.panel import Panel
from forecast.types import Array, Ints

STRUCTURE = [name for name, prior in judgement.PRIORS.items() if prior.group != "record"]
"""Constants fitted on the sessions as normal observations."""
RECORD = [name for name, prior in judgement.PRIORS.items() if prior.group == "record"]
"""Constants fitted on the sets themselves."""


@dataclass(frozen=True, slots=True)
class GrowthConstants:
    """Motion, record and pooling constants together.

    ``values`` by prior name; ``session_weeks`` the cohort's usual gap between sessions;
    ``seasonal`` whether the log is long enough to tell seasons apart.
    """

    values: dict[str, float]
    session_weeks: float = 0.4
    seasonal: bool = False

    @property
    def clock(self) -> Clock:
        """How training time runs."""
        v = self.values
        return Clock(
            practice=float(expit(v["practice"])), session_weeks=self.session_weeks,
            fade=float(np.exp(v["log_fade"])), season_cos=v["season_cos"] if self.seasonal else 0.0,
            season_sin=v["season_sin"] if self.seasonal else 0.0,
        )  # fmt: skip

    @property
    def dynamics(self) -> Dynamics:
        """Constants of the motion."""
        v = self.values
        return Dynamics(
            alpha=float(np.exp(v["log_alpha"])), swing_sd=float(np.exp(v["log_swing_sd"])),
            wiggle_sd=float(np.exp(v["log_wiggle_sd"])),
            detraining=float(np.exp(v["log_detraining"])), regain=float(np.exp(v["log_regain"])),
        )  # fmt: skip

    @property
    def noise(self) -> Noise:
        """Constants of a session's record."""
        v = self.values
        return Noise(
            day_sd=np.exp([v[f"log_day_sd_{m}"] for m in judgement.MEASURES]),
            set_sd=np.exp([v[f"log_set_sd_{m}"] for m in judgement.MEASURES]), fatigue=v["fatigue"],
            unclean=v["unclean"], assisted=v["assisted"], day_down=float(np.exp(v["log_day_down"])),
            day_up=float(np.exp(v["log_day_up"])),
            slip=min(float(np.exp(v["log_slip"])), judgement.MOST_SLIPS),
        )  # fmt: skip

    @property
    def laws(self) -> tuple[Clock, Dynamics, Noise]:
        """How training time runs, levels move and records scatter."""
        return self.clock, self.dynamics, self.noise

    @property
    def pooling(self) -> PoolingPrior:
        """Variances at each level of the pooling."""
        v = self.values
        return PoolingPrior(
            own=_own_covariance(v),
            athlete=np.exp([2 * v[f"log_athlete_{k}"] for k in ("start", "swing", "pace")]),
            rung=np.exp([2 * v[f"log_rung_{k}"] for k in ("start", "swing", "pace")]),
            centre_mean=judgement.CENTRE_MEAN, centre_var=judgement.CENTRE_SD**2,
        )  # fmt: skip

    def replaced(self, names: list[str], vector: Array) -> GrowthConstants:
        """Return a copy with these constants set to the entries of ``vector``."""
        changed = dict(zip(names, (float(x) for x in vector), strict=True))
        return GrowthConstants({**self.values, **changed}, self.session_weeks, self.seasonal)

    def vector(self, names: list[str]) -> Array:
        """Return these constants as an array."""
        return np.array([self.values[name] for name in names])


def prior_constants() -> GrowthConstants:
    """Return the constants at the middle of their priors: what thin data start from."""
    return GrowthConstants({name: prior.mean for name, prior in judgement.PRIORS.items()})


def _own_covariance(v: dict[str, float]) -> Array:
    """Covariance from partial correlations (Joe 2006, J. Multivar. Anal. 97:2177)."""
    sd = np.exp([v["log_own_start"], v["log_own_swing"], v["log_own_pace"]])
    r01, r02 = np.tanh(v["own_start_swing"]), np.tanh(v["own_start_pace"])
    partial = np.tanh(v["own_swing_pace"])
    r12 = partial * np.sqrt((1 - r01**2) * (1 - r02**2)) + r01 * r02
    corr = np.array([[1.0, r01, r02], [r01, 1.0, r12], [r02, r12, 1.0]])
    return np.asarray(corr * np.outer(sd, sd))


def loose_information(
    panel: Panel, constants: GrowthConstants, filtered: Filtered
) -> SpellInformation:
    """Each spell's information with its own effect integrated out."""
    between = stretches(panel, constants.clock, constants.dynamics)
    info = spell_information(between, filtered.site_mean, filtered.site_var)
    return marginalise_own(info, constants.pooling.own)


def spell_pairs(panel: Panel, targets: Ints, *, finished_only: bool) -> tuple[Ints, Ints]:
    """Return (target number, source spell) for all other spells of each target's athlete."""
    number, place = np.arange(len(targets)), np.arange(panel.n_spells)
    asked = pd.DataFrame({"athlete": panel.athlete[targets], "number": number})
    pairs = asked.merge(pd.DataFrame({"athlete": panel.athlete, "source": place}), on="athlete")
    number, source = pairs["number"].to_numpy(), pairs["source"].to_numpy()
    keep = source != targets[number]
    if finished_only:
        keep &= panel.day[panel.last[source]] <= panel.day[panel.start[targets[number]]]
    return number[keep], source[keep]


def priors_from_others(
    panel: Panel, constants: GrowthConstants, pooled: Pooled, loose: SpellInformation,
    targets: Ints, *, finished_only: bool,
) -> tuple[Array, Array]:  # fmt: skip
    """Opinion at the start of the target spells from rung, cohort and the athlete's others."""
    pairs = spell_pairs(panel, targets, finished_only=finished_only)
    return spell_priors(loose, panel.rung, pairs, panel.rung[targets], pooled, constants.pooling)


MOST = {"log_slip": float(np.log(judgement.MOST_SLIPS))}
STEP = 1e-3


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


CONSTANTS_STREAM = 1
"""Name of the random stream of the constants (``stream``)."""


def stream(seed: int, *name: int) -> np.random.Generator:
    """Return the generator of one named stream of a seed; no two names or seeds share numbers."""
    return np.random.default_rng(np.random.SeedSequence(seed, spawn_key=name))


def constants_draws(fit: GrowthFit, count: int, seed: int) -> list[GrowthConstants]:
    """Draw constants in mirrored pairs of Sobol points (Owen 1998), cut at two deviations."""
    size = len(fit.names) + len(judgement.SPELL_SPREAD)
    uniform = qmc.Sobol(size, rng=stream(seed, CONSTANTS_STREAM)).random(count // 2)
    both = np.clip(ndtri(np.clip(uniform, 1e-9, 1 - 1e-9)), -2.0, 2.0)
    z, own = both[:, : len(fit.names)], both[:, len(fit.names) :]
    own = own * np.array(list(judgement.SPELL_SPREAD.values()))
    middle = fit.constants.vector(fit.names)
    place = [fit.names.index(name) for name in judgement.SPELL_SPREAD]
    draws = []
    for row, spread in zip(z, own, strict=True):
        step = fit.chol @ row
        step[place] += spread
        draws += [fit.constants.replaced(fit.names, middle + sign * step) for sign in (1.0, -1.0)]
    return draws


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


def fit_growth(
    panel: Panel, n_rungs: int, *, start: GrowthConstants | None = None,
    rounds: int = judgement.ROUNDS, progress: Callable[[str], None] | None = None,
) -> GrowthFit:  # fmt: skip
    """Fit the constants and the pooled effects to all spells, with at least one session each."""
    turns = fit_rounds(panel, n_rungs, start)
    for turn in range(rounds):
        if progress:
            progress(f"growth engine, round {turn + 1} of {rounds}")
        constants, filtered, pooled = next(turns)
    names, chol = _uncertainty(panel, constants, filtered, n_rungs)
    return GrowthFit(constants, pooled, n_rungs, names, chol, pooled.log_evidence, rounds)


def fit_rounds(
    panel: Panel, n_rungs: int, start: GrowthConstants | None = None
) -> Iterator[tuple[GrowthConstants, Filtered, Pooled]]:
    """Yield the best constants so far, the filter just before, and the pooled effects."""
    constants = start or first_constants(panel)
    pooled: Pooled | None = None
    scatter = np.ones(panel.n_spells)
    for turn in count():
        filtered = filter_population(panel, constants, pooled, n_rungs, scatter)
        constants = _fit_record(panel, constants, filtered)
        filtered = filter_population(panel, constants, pooled, n_rungs)
        scatter = filtered.scatter
        steps = judgement.MAX_STEPS[min(turn, len(judgement.MAX_STEPS) - 1)]
        problem = _Structure(panel, constants, filtered, n_rungs)
        begin, names = constants.vector(problem.names), problem.names
        best = _climb(names, begin, problem.value_and_gradient, steps)
        constants = constants.replaced(names, best)
        pooled = problem.pool(constants)
        yield constants, filtered, pooled


def first_constants(panel: Panel) -> GrowthConstants:
    """The priors' middle, with the log's own rhythm and whether it spans enough of the year."""
    gaps = panel.rest[panel.number > 0]
    usual = float(np.clip(gaps.mean(), 0.05, 8.0)) if len(gaps) else 0.4
    weeks = len(np.unique(panel.day // 7))
    start = {name: float(np.log(sd)) for name, sd in judgement.START.items()}
    values = prior_constants().values | start
    return GrowthConstants(values, usual, weeks >= judgement.SEASON_WEEKS)


def filter_population(
    panel: Panel, constants: GrowthConstants, pooled: Pooled | None, n_rungs: int,
    scatter: Array | None = None,
) -> Filtered:  # fmt: skip
    """Filter every spell alone, with each athlete's ``scatter``: as the sets say, if left out."""
    mean, cov = population_prior(constants, pooled, panel, n_rungs)
    between = stretches(panel, constants.clock, constants.dynamics)
    if scatter is None:
        scatter = athlete_scatter(panel, between, constants.noise, mean, cov)
    return forward_pass(panel, between, constants.noise, mean, cov, scatter)


def active_names(panel: Panel, names: list[str]) -> list[str]:
    """Drop the constants of measures that no spell uses."""
    unused = {m for i, m in enumerate(judgement.MEASURES) if not np.any(panel.measure == i)}
    return [name for name in names if name.rsplit("_", 1)[-1] not in unused]


class _Structure:
    """Pooled evidence of the sites as a function of the structure constants."""

    def __init__(
        self, panel: Panel, constants: GrowthConstants, filtered: Filtered, n_rungs: int
    ) -> None:
        self.panel, self.constants, self.n_rungs = panel, constants, n_rungs
        _, self.athlete = np.unique(panel.athlete, return_inverse=True)
        self.site_mean, self.tail = filtered.site_mean, filtered.tail
        self.scatter = filtered.scatter[panel.spell]
        # The site's variance without the day's form, so that the form can be fitted here too.
        self.bare_var = np.maximum(filtered.site_var - self.day_variance(constants), 1e-6)
        self.names = active_names(panel, STRUCTURE)
        if not constants.seasonal:
            self.names = [name for name in self.names if not name.startswith("season")]
        self.motion = [name for name in self.names if judgement.PRIORS[name].group == "motion"]

    def inform(self, constants: GrowthConstants) -> SpellInformation:
        """Information of the spells under these constants."""
        between = stretches(self.panel, constants.clock, constants.dynamics)
        site_var = self.bare_var + self.day_variance(constants)
        return spell_information(between, self.site_mean, site_var)

    def day_variance(self, constants: GrowthConstants) -> Array:
        """(N,) what the day's form adds to the variance of each session as an observation."""
        day_sd = constants.noise.day_sd[self.panel.measure[self.panel.spell]]
        return np.asarray(self.tail * (day_sd * self.scatter) ** 2)

    def pool(self, constants: GrowthConstants) -> Pooled:
        """Pool the spells under these constants."""
        panel, info = self.panel, self.inform(constants)
        return pool(info, panel.athlete, panel.rung, self.n_rungs, constants.pooling)

    def value_and_gradient(self, vector: Array) -> tuple[float, Array]:
        """Pooled log evidence and, by Fisher's identity, its gradient."""
        here = self.constants.replaced(self.names, vector)
        info, rung, prior = self.inform(here), self.panel.rung, here.pooling
        size = int(self.athlete.max()) + 1, self.n_rungs
        moments = pooled_moments(info, self.athlete, rung, size, prior)
        slopes = np.empty(len(vector))
        for i, name in enumerate(self.names):
            moved = here.replaced([name], vector[i : i + 1] + STEP)
            if name in self.motion:
                slopes[i] = _information_slope(moments, info, self.inform(moved)) / STEP
            else:
                slopes[i] = _prior_slope(moments, (len(rung), *size), prior, moved.pooling) / STEP
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
    """Change of the effects' log density from one prior to the next, to first order."""
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
    names: list[str], start: Array, evidence: Callable[[Array], tuple[float, Array]], steps: int,
) -> Array:  # fmt: skip
    """Return the constants of the highest evidence and prior, or the best after some steps."""
    mean, sd = np.array([judgement.PRIORS[name][:2] for name in names]).T

    def objective(place: Array) -> tuple[float, Array]:
        value, slope = evidence(mean + sd * place)
        return 0.5 * float(place @ place) - value, place - sd * slope

    found = minimize(
        objective,
        (start - mean) / sd,
        jac=True,
        method="L-BFGS-B",
        bounds=[
            (-judgement.FARTHEST, min(judgement.FARTHEST, (MOST.get(name, np.inf) - m) / s))
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


def _fit_record(panel: Panel, constants: GrowthConstants, filtered: Filtered) -> GrowthConstants:
    """Set noise and offsets from the sets, with the opinions before each session held."""
    names = active_names(panel, RECORD)
    mean, var = filtered.before_mean.copy(), filtered.before_var.copy()
    place = np.zeros((panel.n_sessions, 2))

    def evidence(vector: Array) -> tuple[float, Array]:
        noise = constants.replaced(names, vector).noise
        value, slopes = evidence_slopes(panel, noise, mean, var, filtered.scatter, place)
        return value, np.array([slopes[name] for name in names])

    return constants.replaced(
        names, _climb(names, constants.vector(names), evidence, judgement.RECORD_STEPS)
    )


def _uncertainty(
    panel: Panel, constants: GrowthConstants, filtered: Filtered, n_rungs: int
) -> tuple[list[str], Array]:
    """Covariance root of the structure constants: Berndt, Hall, Hall & Hausman (1974) + prior."""
    problem = _Structure(panel, constants, filtered, n_rungs)
    vector = constants.vector(problem.names)

    def evidence(at: Array) -> Array:
        return problem.pool(constants.replaced(problem.names, at)).athlete_log_evidence

    there = np.stack([evidence(row) for row in vector + STEP * np.eye(len(vector))], axis=1)
    scores = (there - evidence(vector)[:, None]) / STEP
    prior_sd = np.array([judgement.PRIORS[name].sd for name in problem.names])
    precision = scores.T @ scores + np.diag(prior_sd**-2.0)
    chol = np.linalg.cholesky(np.linalg.inv(precision))
    if not np.all(np.isfinite(chol)):
        raise FitError("The uncertainty of the growth engine's constants is not a number.")
    return problem.names, chol
