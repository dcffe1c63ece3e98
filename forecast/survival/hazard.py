"""Landmarked discrete-time hazard: chance of clearing in each stretch of weeks after a landmark.

A penalised logistic regression on person-stretches (Prentice & Gloeckler 1978, Biometrics 34:57;
Singer & Willett 1993, J. Educ. Stat. 18:155) with the hazard of the smooth outlook as offset.
With few data the penalty leaves the offset in charge; with many the data overrule it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.special import expit, ndtr
from sklearn.preprocessing import SplineTransformer

from forecast.errors import FitError
from forecast.types import YEAR as YEAR_DAYS
from forecast.types import Array, Flags, Ints

EDGES = np.array([0, 1, 2, 3, 4, 6, 8, 10, 13, 16, 20, 26, 33, 42, 52], dtype=float)
"""Ends of the stretches in weeks; more are added for longer horizons."""
PENALTY = 60.0
RUNG_PENALTY = 40.0
BASELINE_PENALTY = 5.0
"""Ridge on the scaled columns, on the rungs' own terms, and on the columns that say how long a
stretch is and what the outlook is worth; see docs/method/what-was-tried.md."""
LENT_PENALTY = 4.0
"""Ridge on how far what another club's hazard says is to be believed more or less than in full: a
spread of one half (judgement)."""
_LOW, _HIGH = 1e-4, 1.0 - 1e-4


def stretch_edges(horizon_weeks: float) -> Array:
    """Return the ends of the stretches up to the horizon."""
    edges = np.concatenate([EDGES, np.arange(78.0, horizon_weeks + 26.0, 26.0)])
    return np.concatenate([edges[edges < horizon_weeks], [float(horizon_weeks)]])


@dataclass(frozen=True, slots=True)
class HazardModel:
    """A fitted hazard: scaling of the features, and the weights of all columns."""

    centre: Array
    scale: Array
    names: list[str]
    weights: Array
    n_rungs: int
    n_landmarks: int
    n_events: int


def fit_ridge_logistic(
    design: Array, outcome: Array, offset: Array, penalty: Array, weight: Array
) -> Array:
    """Return the weights (k,) of a logistic regression with offset and ridge penalties, by Newton.

    ``design`` (n, k) has an intercept if one is wanted; half of ``penalty`` (k,) times the square
    of each weight is taken off the log likelihood.
    """
    if not all(np.isfinite(part).all() for part in (design, outcome, offset, weight)):
        raise FitError(
            "The hazard model's fit did not settle: its data contain values that are not numbers."
        )

    def objective(candidate: Array) -> float:
        logit = offset + design @ candidate
        log_likelihood = outcome * logit - np.logaddexp(0.0, logit)
        return float(weight @ log_likelihood - 0.5 * penalty @ candidate**2)

    weights = np.zeros(design.shape[1])
    here = objective(weights)
    for _ in range(50):
        chance = expit(offset + design @ weights)
        slope = design.T @ (weight * (outcome - chance)) - penalty * weights
        curve = (design * (weight * chance * (1 - chance))[:, None]).T @ design
        step = np.linalg.solve(curve + np.diag(penalty + 1e-9), slope)
        # Far from the top a full step can overshoot: halve it until the objective rises.
        while objective(weights + step) < here - 1e-9 and np.abs(step).max() >= 1e-6:
            step = 0.5 * step
        weights = weights + step
        here = objective(weights)
        if np.abs(step).max() < 1e-6:
            return weights
    raise FitError("The hazard model's fit did not settle; send the log's shape with a report.")


def offset_hazard(outlook: Array) -> Array:
    """Return the logit of the outlook's hazard in each stretch, (T, B), from (T, B + 1) outlooks.

    ``outlook`` counts standard deviations above the target at the stretch ends, 0 included.
    """
    lost = int(np.isnan(outlook).any(axis=1).sum())
    if lost:
        raise FitError(
            f"The outlook of {lost} of {len(outlook)} moments is not a number, so no hazard can be "
            "given for them; the growth engine's states should be looked at first."
        )
    reached = np.maximum.accumulate(ndtr(outlook), axis=1)
    left = np.maximum(1.0 - reached[:, :-1], 1e-6)
    hazard = np.clip((reached[:, 1:] - reached[:, :-1]) / left, _LOW, _HIGH)
    # The first stretch starts from a level already reached: part of it counts as its own chance.
    hazard[:, 0] = np.clip(reached[:, 1], _LOW, _HIGH)
    return np.log(hazard / (1.0 - hazard))


_LEAST_GAP, _LEAST_GAIN = 0.03, 0.004
_LINEAR = [
    "level", "gain", "pace", "level_sd", "gain_sd", "wait", "served", "rate", "meets", "counting",
    "run", "best", "log_wait", "sessions", "ever", "since_best",
    "cleared_before", "since_first",
]  # fmt: skip
_BASELINE = ("width", "log_time", "offset")
_PAIRED = ["best", "ever", "log_wait", "served", "rate", "sessions", "since_best"]
"""Columns whose products with each other and themselves are columns too: a best long ago says
more of somebody who has trained much since."""


def _columns(
    features: pd.DataFrame, outlook: Array, edges: Array, offset: Array
) -> tuple[pd.DataFrame, Array, Ints]:
    """Person-stretch columns: linear ones, the outlook at the stretch end, the log of the time."""
    stretches = len(edges) - 1
    rows = np.repeat(np.arange(len(features), dtype=np.int64), stretches)
    table = features[_LINEAR].iloc[rows].reset_index(drop=True)
    middle = 0.5 * (edges[1:] + edges[:-1])
    log_time = np.log(np.tile(middle + 0.5, len(features)))
    width = np.tile(np.log(np.diff(edges)), len(features))
    z = np.clip(outlook[:, 1:].ravel(), -4.0, 4.0)
    table["width"] = width + np.log(np.maximum(table["rate"], 0.2))
    table["log_time"] = log_time
    table["offset"] = offset.ravel()
    # weeks left if nothing changed: log of the gap to the target over the gain, bounded
    gap = np.maximum(-features["level"].to_numpy(), _LEAST_GAP)
    gain = np.maximum(features["gain"].to_numpy(), _LEAST_GAIN)
    table["weeks_left"] = np.clip(np.log(gap / gain), -2.0, 4.5)[rows]
    for name in ("level", "gain", "wait", "run", "meets", "best"):
        table[f"{name}_by_time"] = table[name] * log_time
    table["z_by_time"] = z * log_time
    # Time of the year at the middle of the stretch: without it, how many rungs were cleared so far
    # would stand for the season in which they were.
    year = features["year"].to_numpy()[rows] + np.tile(middle * 7.0 / YEAR_DAYS, len(features))
    turn = 2.0 * np.pi * year
    table["season_cos"], table["season_sin"] = np.cos(turn), np.sin(turn)
    return table, z, rows


def _splines() -> SplineTransformer:
    """Cubic splines of the outlook with fixed knots, straight beyond three deviations."""
    knots = np.linspace(-3.0, 3.0, 6)[:, None]
    splines = SplineTransformer(degree=3, knots=knots, extrapolation="linear", include_bias=False)
    return splines.fit(np.array([[-3.0], [3.0]]))


def _design(
    table: pd.DataFrame, z: Array, rung: Ints, n_rungs: int, centre: Array, scale: Array
) -> Array:
    linear = np.clip((table.to_numpy(dtype=float) - centre) / scale, -4.0, 4.0)
    paired = linear[:, [table.columns.get_loc(name) for name in _PAIRED]]
    one, other = np.triu_indices(len(_PAIRED))
    pairs = paired[:, one] * paired[:, other]
    splines = _splines()
    # The transformer takes no empty table; a log without a single stretch lived through has one.
    spline = splines.transform(z[:, None]) if len(z) else np.empty((0, splines.n_features_out_))
    rungs = np.zeros((len(z), n_rungs))
    rungs[np.arange(len(z)), rung] = 1.0
    return np.column_stack([np.ones(len(z)), linear, spline, rungs, pairs])


def on_ladder(model: HazardModel, places: Ints) -> HazardModel:
    """Return the model with rungs at other places of its ladder, average ones where -1."""
    first = 1 + len(model.names) + _splines().n_features_out_
    rungs = model.weights[first : first + model.n_rungs]
    there = np.where(places >= 0, rungs[places], 0.0)
    weights = np.concatenate([model.weights[:first], there, model.weights[first + model.n_rungs :]])
    return replace(model, weights=weights, n_rungs=len(places))


def fit_hazard(
    features: pd.DataFrame, outlook: Array, table: pd.DataFrame, edges: Array, n_rungs: int,
    like: HazardModel | None = None,
) -> HazardModel:  # fmt: skip
    """Fit the hazard to T landmarks of a ladder of ``n_rungs``, from ``like`` on where given.

    ``features`` come from ``landmark_features``, ``table`` from ``training_landmarks``; ``outlook``
    (T, B + 1) are standard deviations above the target at ``edges``, the ends of the stretches.
    """
    offset = offset_hazard(outlook)
    columns, z, rows = _columns(features, outlook, edges, offset)
    lived, event = at_risk(table, edges)
    keep = lived.ravel() > 0
    columns, z, rows = columns[keep], z[keep], rows[keep]
    values = columns.to_numpy(dtype=float)
    centre = values.mean(axis=0) if len(values) else np.zeros(columns.shape[1])
    scale = values.std(axis=0) if len(values) else np.ones(columns.shape[1])
    scale = np.where(scale < 1e-6, 1.0, scale)
    if like is not None:
        centre, scale = like.centre, like.scale
    rung = features["rung"].to_numpy(dtype=np.int64)[rows]
    design = _design(columns, z, rung, n_rungs, centre, scale)
    names = list(columns.columns)
    penalty = np.full(design.shape[1], PENALTY)
    penalty[0] = 0.5
    penalty[1 : len(names) + 1][np.isin(names, _BASELINE)] = BASELINE_PENALTY
    first_rung = 1 + len(names) + _splines().n_features_out_
    penalty[first_rung : first_rung + n_rungs] = RUNG_PENALTY
    outcome, offset = event.ravel()[keep].astype(float), columns["offset"].to_numpy()
    if like is not None:
        offset = offset + design @ like.weights
        design = np.column_stack([design, design @ like.weights])
        penalty = np.append(penalty, LENT_PENALTY)
    weights = fit_ridge_logistic(design, outcome, offset, penalty, lived.ravel()[keep])
    if like is not None:
        weights = weights[:-1] + (1.0 + weights[-1]) * like.weights
    n_events = int(table["cleared"].sum())
    return HazardModel(centre, scale, names, weights, n_rungs, len(features), n_events)


def at_risk(table: pd.DataFrame, edges: Array) -> tuple[Array, Flags]:
    """Return what each stretch of each landmark counts for, and where the rung was cleared, (T, B).

    A stretch in which what is known ends counts by the share that was known (the actuarial
    adjustment: Cutler & Ederer 1958, J. Chronic Dis. 8:699); of what was lived through after the
    weeks that are ``sure``, ``stays`` counts.
    """
    cleared = table["cleared"].to_numpy(dtype=bool)
    low, high = edges[:-1], edges[1:]

    def lived_by(name: str) -> tuple[Array, Flags]:
        weeks = table[name].to_numpy(dtype=float)
        event = cleared[:, None] & (weeks[:, None] > low) & (weeks[:, None] <= high)
        event[:, 0] |= cleared & (weeks <= 0)
        lived = np.clip((weeks[:, None] - low) / (high - low), 0.0, 1.0)
        return np.where(event, 1.0, lived), event

    (lived, event), (certain, _) = lived_by("weeks"), lived_by("sure")
    lived = certain + table["stays"].to_numpy(dtype=float)[:, None] * (lived - certain)
    return lived * table["weight"].to_numpy(dtype=float)[:, None], event


def predict_hazard(
    model: HazardModel, features: pd.DataFrame, outlook: Array, edges: Array
) -> Array:
    """Return the chance of having cleared by each stretch end, (T, B + 1), 0 at the first."""
    offset = offset_hazard(outlook)
    table, z, rows = _columns(features, outlook, edges, offset)
    rung = features["rung"].to_numpy(dtype=np.int64)[rows]
    design = _design(table, z, rung, model.n_rungs, model.centre, model.scale)
    hazard = expit(table["offset"].to_numpy() + design @ model.weights)
    return by_stretch_end(hazard.reshape(len(features), -1))


def by_stretch_end(hazard: Array) -> Array:
    """Return the chance of having cleared by each stretch end, (T, B + 1), 0 at the first."""
    left = np.cumprod(1.0 - hazard, axis=1)
    return np.concatenate([np.zeros((len(hazard), 1)), 1.0 - left], axis=1)


def spread_over_days(by_edge: Array, edges: Array, horizon_days: int) -> Array:
    """Return (T, D + 1) daily chances from those at stretch ends: constant hazard in between."""
    log_left = np.log(np.maximum(1.0 - by_edge, 1e-9))
    days = np.arange(horizon_days + 1) / 7.0
    place = np.clip(np.searchsorted(edges, days, side="right") - 1, 0, len(edges) - 2)
    share = np.clip((days - edges[place]) / (edges[place + 1] - edges[place]), 0.0, 1.0)
    log_now = (1 - share) * log_left[:, place] + share * log_left[:, place + 1]
    return np.asarray(1.0 - np.exp(log_now))
