"""The growth engine's constants as one vector, with the priors that carry thin data.

Every constant lives on a scale where a normal prior makes sense (logs of positive ones). The
priors are listed in ``PRIORS``: wide enough that a dozen athletes overrule them, tight enough
that one athlete with one session still gets an answer. The numbers are judgement (common
practice, no source), in weeks and in log(value / target).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from scipy.special import expit

from forecast.growth.clock import Clock
from forecast.growth.dynamics import Dynamics
from forecast.growth.observation import Noise
from forecast.growth.panel import MEASURES
from forecast.growth.pooling import PoolingPrior
from forecast.types import Array


def _log(value: float) -> float:
    return float(np.log(value))


class Prior(NamedTuple):
    """Normal prior of one constant, and what a change of it touches.

    ``group``: ``motion`` (what lies between sessions, and the day's form), ``pooling`` (how spells,
    athletes and rungs differ) or ``record`` (the sets themselves).
    """

    mean: float
    sd: float
    group: Literal["motion", "pooling", "record"]


PRIORS: dict[str, Prior] = {
    "log_alpha": Prior(_log(0.12), 0.8, "motion"),
    "log_swing_sd": Prior(_log(0.03), 0.9, "motion"),
    "log_wiggle_sd": Prior(_log(0.025), 0.7, "motion"),
    "log_detraining": Prior(_log(0.02), 0.8, "motion"),
    "log_regain": Prior(_log(0.3), 0.8, "motion"),
    "practice": Prior(-2.5, 1.3, "motion"),
    "log_fade": Prior(_log(0.06), 1.0, "motion"),
    "season_cos": Prior(0.0, 0.35, "motion"),
    "season_sin": Prior(0.0, 0.35, "motion"),
    **{f"log_day_sd_{m}": Prior(_log(0.08), 0.9, "motion") for m in MEASURES},
    "log_own_start": Prior(_log(0.30), 0.9, "pooling"),
    "log_own_swing": Prior(_log(0.04), 0.7, "pooling"),
    "log_own_pace": Prior(_log(0.015), 0.7, "pooling"),
    "own_start_swing": Prior(0.0, 0.4, "pooling"),
    "own_start_pace": Prior(0.0, 0.4, "pooling"),
    "own_swing_pace": Prior(0.0, 0.4, "pooling"),
    "log_athlete_start": Prior(_log(0.15), 0.6, "pooling"),
    "log_athlete_swing": Prior(_log(0.015), 0.7, "pooling"),
    "log_athlete_pace": Prior(_log(0.012), 0.7, "pooling"),
    "log_rung_start": Prior(_log(0.25), 0.6, "pooling"),
    "log_rung_swing": Prior(_log(0.015), 0.7, "pooling"),
    "log_rung_pace": Prior(_log(0.010), 0.7, "pooling"),
    **{f"log_set_sd_{m}": Prior(_log(0.10), 0.9, "record") for m in MEASURES},
    "fatigue": Prior(-0.06, 0.05, "record"),
    "unclean": Prior(0.05, 0.15, "record"),
    "assisted": Prior(0.25, 0.25, "record"),
    "log_slip": Prior(_log(0.03), 0.7, "record"),
    "log_day_down": Prior(_log(0.5), 0.6, "record"),
    "log_day_up": Prior(_log(0.25), 0.5, "record"),
}

STRUCTURE = [name for name, prior in PRIORS.items() if prior.group != "record"]
"""Constants fitted on the sessions as normal observations."""

RECORD = [name for name, prior in PRIORS.items() if prior.group == "record"]
"""Constants fitted on the sets themselves."""

MOST_SLIPS = 0.2
"""No log is believed to hold more slips than this (judgement): more of them is a wider scatter."""

CENTRE_MEAN = np.array([-0.55, 0.01, 0.015])
CENTRE_SD = np.array([0.6, 0.05, 0.03])
"""Prior of the cohort's typical start level, start swing and pace."""


@dataclass(frozen=True, slots=True)
class GrowthConstants:
    """Motion, record and pooling constants together.

    ``values`` holds them by prior name; ``session_weeks`` is the cohort's usual gap between
    sessions, in weeks; ``seasonal`` whether the log is long enough to tell seasons apart.
    """

    values: dict[str, float]
    session_weeks: float = 0.4
    seasonal: bool = False

    @property
    def clock(self) -> Clock:
        """How training time runs."""
        v = self.values
        return Clock(
            practice=float(expit(v["practice"])),
            session_weeks=self.session_weeks,
            fade=float(np.exp(v["log_fade"])),
            season_cos=v["season_cos"] if self.seasonal else 0.0,
            season_sin=v["season_sin"] if self.seasonal else 0.0,
        )

    @property
    def dynamics(self) -> Dynamics:
        """Constants of the motion."""
        v = self.values
        return Dynamics(
            alpha=float(np.exp(v["log_alpha"])),
            swing_sd=float(np.exp(v["log_swing_sd"])),
            wiggle_sd=float(np.exp(v["log_wiggle_sd"])),
            detraining=float(np.exp(v["log_detraining"])),
            regain=float(np.exp(v["log_regain"])),
        )

    @property
    def noise(self) -> Noise:
        """Constants of a session's record."""
        v = self.values
        return Noise(
            day_sd=np.exp([v[f"log_day_sd_{m}"] for m in MEASURES]),
            set_sd=np.exp([v[f"log_set_sd_{m}"] for m in MEASURES]),
            fatigue=v["fatigue"],
            unclean=v["unclean"],
            assisted=v["assisted"],
            day_down=float(np.exp(v["log_day_down"])),
            day_up=float(np.exp(v["log_day_up"])),
            slip=min(float(np.exp(v["log_slip"])), MOST_SLIPS),
        )

    @property
    def pooling(self) -> PoolingPrior:
        """Variances at each level of the pooling."""
        v = self.values
        return PoolingPrior(
            own=_own_covariance(v),
            athlete=np.exp([2 * v[f"log_athlete_{k}"] for k in ("start", "swing", "pace")]),
            rung=np.exp([2 * v[f"log_rung_{k}"] for k in ("start", "swing", "pace")]),
            centre_mean=CENTRE_MEAN,
            centre_var=CENTRE_SD**2,
        )

    def replaced(self, names: list[str], vector: Array) -> GrowthConstants:
        """Return a copy with these constants set to the entries of ``vector``."""
        changed = dict(zip(names, (float(x) for x in vector), strict=True))
        return GrowthConstants({**self.values, **changed}, self.session_weeks, self.seasonal)

    def vector(self, names: list[str]) -> Array:
        """Return these constants as an array."""
        return np.array([self.values[name] for name in names])


def prior_constants() -> GrowthConstants:
    """Return the constants at the middle of their priors: what thin data start from."""
    return GrowthConstants({name: prior.mean for name, prior in PRIORS.items()})


def _own_covariance(v: dict[str, float]) -> Array:
    """Covariance of a spell's own (start, swing, pace), from partial correlations.

    Joe (2006), J. Multivar. Anal. 97:2177: any three partial correlations in (-1, 1) give a
    proper correlation matrix.
    """
    sd = np.exp([v["log_own_start"], v["log_own_swing"], v["log_own_pace"]])
    r01, r02 = np.tanh(v["own_start_swing"]), np.tanh(v["own_start_pace"])
    partial = np.tanh(v["own_swing_pace"])
    r12 = partial * np.sqrt((1 - r01**2) * (1 - r02**2)) + r01 * r02
    corr = np.array([[1.0, r01, r02], [r01, 1.0, r12], [r02, r12, 1.0]])
    return np.asarray(corr * np.outer(sd, sd))
