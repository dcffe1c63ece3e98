"""The chance that a training day was the last, for forecasting: absences weighed, not ruled."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit

from forecast.errors import FitError
from forecast.histories import (
    Absences,
    CohortRhythm,
    cohort_rhythm,
    share_longer,
)
from forecast.readiness.lapse.days import FEATURES, design_of
from forecast.survival import fit_ridge_logistic
from forecast.types import Array

PRIOR_CHANCE = 0.0017
"""Chance that a training day is the last: 20 % lapse a year at 2.5 days a week (judgement)."""
PRIOR_SD = (1.0, 0.7, 0.5, 0.7, 0.25, 0.5)
"""Spread of the priors: intercept (log odds), then the effects of ``FEATURES`` (judgement)."""
SHRINK = 2.0
"""Gaps of the cohort's habit that stand beside an athlete's own."""
ROUNDS = 200


@dataclass(frozen=True, slots=True)
class LapseModel:
    """Log odds that a training day is the last: ``weights`` (6,) and their ``cov`` (6, 6)."""

    weights: Array = field(repr=False)
    cov: Array = field(repr=False)


@dataclass(frozen=True, slots=True)
class Silences:
    """Where each of A athletes stands: their last training day against their habit.

    ``latest`` are their last rows of ``training_days`` (index ``athlete_id``), ``longer`` (A,) the
    share of the athlete's usual gaps that are longer than the present one, ``per_week`` (A,)
    training days a week, layoffs included.
    """

    latest: pd.DataFrame
    longer: Array
    per_week: Array


def day_rhythm(days: pd.DataFrame, absences: Absences) -> CohortRhythm:
    """Learn the cohort's rhythm of training days on any rung."""
    owner, gap = _gaps(days)
    return cohort_rhythm(gap, owner, np.empty(0), absences)


def silences(days: pd.DataFrame, rhythm: CohortRhythm) -> Silences:
    """Weigh each athlete's present silence against their own gaps and those of all.

    Gaps are the cohort's on the scale of the athlete's own middle gap (shrunk to the cohort's), so
    that three weeks off mean more in somebody who comes every other day; absences count as they
    are beside them. An athlete's own gaps show too few layoffs to say how long these run.
    """
    latest = days[days["last"]].set_index("athlete_id")
    owner, gap = _gaps(days)
    bounds = np.searchsorted(owner, latest.index), np.searchsorted(owner, latest.index, "right")
    own = [gap[low:high] for low, high in zip(*bounds, strict=True)]
    mean = rhythm.median * float(rhythm.ratios.mean())  # the cohort's, whoever is asked about
    total = np.array([part.sum() for part in own])
    count = np.array([len(part) for part in own])
    away = latest["away"].to_numpy(dtype=float)
    usual = np.array([np.median(part) if len(part) else rhythm.median for part in own])
    middle = (count * usual + SHRINK * rhythm.median) / (count + SHRINK)
    table = middle[:, None] * rhythm.ratios
    return Silences(
        latest=latest,
        longer=share_longer(table, away, rhythm.absences),
        per_week=7.0 / ((total + SHRINK * mean) / (count + SHRINK)),
    )


def _gaps(days: pd.DataFrame) -> tuple[NDArray[np.int64], Array]:
    """Whose gap, and days between consecutive training days, in order of athlete and day."""
    number = days["date"].to_numpy().astype("datetime64[D]").astype(np.int64)
    who = days["athlete_id"].to_numpy(dtype=np.int64)
    same = who[1:] == who[:-1]
    return who[1:][same], np.diff(number)[same].astype(float)


def fit_lapse(days: pd.DataFrame, longer: Array) -> LapseModel:
    """Fit the chance that a training day is the last, absences weighed by how usual they are.

    ``longer`` (A,) is as in ``Silences``, in the order of the days marked ``last``. A day that
    another followed was not the last: likelihood 1 - h. An athlete's latest day was the last, or
    the gap is just a long one: h + (1 - h) S(gap). EM: the chance of the former is the outcome of a
    ridge-penalised logistic regression, in turn until nothing changes. Cut dates need no rule on
    how long an absence is a lapse, and no lapse at all is an answer. Raises ``FitError`` if the fit
    did not settle.
    """
    design = design_of(days)
    last = days["last"].to_numpy(dtype=bool)
    penalty = 1.0 / np.asarray(PRIOR_SD) ** 2
    usual = float(np.log(PRIOR_CHANCE / (1 - PRIOR_CHANCE)))
    offset, ones = np.full(len(design), usual), np.ones(len(design))
    weights = np.zeros(1 + len(FEATURES))
    for _ in range(ROUNDS):
        chance = expit(offset + design @ weights)
        outcome = np.zeros(len(design))
        outcome[last] = chance[last] / (chance[last] + (1 - chance[last]) * longer)
        updated = fit_ridge_logistic(design, outcome, offset, penalty, ones)
        if np.abs(updated - weights).max() < 1e-5:
            return LapseModel(
                updated + np.r_[usual, np.zeros(len(FEATURES))],
                _covariance(design, outcome, last, expit(offset + design @ updated), penalty),
            )
        weights = updated
    raise FitError(f"The chance of lapse did not settle after {ROUNDS} rounds.")


def _covariance(
    design: Array, outcome: Array, last: NDArray[np.bool_], chance: Array, penalty: Array
) -> Array:
    """Inverse curvature: of the regression, less what is unknown about who is gone (Louis 1982)."""
    complete = (design * (chance * (1 - chance))[:, None]).T @ design + np.diag(penalty)
    doubt = outcome[last] * (1 - outcome[last])
    missing = (design[last] * doubt[:, None]).T @ design[last]
    observed = complete - missing
    smallest = float(np.linalg.eigvalsh(observed).min())
    # Where hardly anything is known of who is gone, the prior alone bounds the weights.
    return np.asarray(np.linalg.inv(observed if smallest > 1e-6 else np.diag(penalty)))
