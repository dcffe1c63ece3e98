"""How likely a session's written sets are at each latent level: the emission read backwards."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats
from scipy.special import ndtr

from forecast.simulate.emission import CHOICE_RANGE, band_chance, help_of, unclean_chance
from forecast.simulate.population import NOISE_CLASSES, Population
from forecast.types import Array

_STEP = 0.02
_FINE = np.arange(-3.4, 2.4, _STEP)
_CHOICE_NODES = 11
_FORM_NODES = 101
_TINY = 1e-300


@dataclass(frozen=True, slots=True)
class SessionLikelihood:
    """Log likelihood of sessions on a grid of levels.

    Attributes
    ----------
    table
        Shape (sessions, noise classes, grid).
    low, step
        First level of the grid and its spacing.
    """

    table: Array
    low: float
    step: float

    def at(self, session: NDArray[np.intp], noise_class: NDArray[np.intp], level: Array) -> Array:
        """Log likelihood by linear interpolation; beyond the grid its last value holds."""
        last = self.table.shape[2] - 1
        place = np.clip((level - self.low) / self.step, 0.0, last - 1e-9)
        left = place.astype(np.intp)
        part = place - left
        flat = self.table.ravel()
        base = (session * self.table.shape[1] + noise_class) * (last + 1) + left
        return flat[base] * (1.0 - part) + flat[base + 1] * part


def session_likelihood(
    sets: pd.DataFrame, session: NDArray[np.intp], population: Population, form_df: float
) -> SessionLikelihood:
    """Tabulate the log likelihood of sessions over levels and classes of scatter.

    The form of the day is integrated out; rounding, stops at the target or by choice, slips,
    fatigue, unclean sets and bands are read as ``draw_sets`` writes them.

    Parameters
    ----------
    sets
        One row a set: ``set, value, clean, assisted, stopped`` and ``light, target, unit, whole,
        stops``.
    session
        Number of the session of each row, 0 to n - 1.
    population
        Constants of the cohort.
    form_df
        Degrees of freedom of the form of the day.

    Returns
    -------
    SessionLikelihood
        The table.
    """
    n_sessions = int(session.max()) + 1
    kinds, kind = _kinds(sets)
    inner = _FINE[(_FINE >= -2.8) & (_FINE <= 1.6)]
    habit = _habit_table(sets, population, inner)
    table = np.empty((n_sessions, NOISE_CLASSES.size, inner.size))
    for place, noise in enumerate(NOISE_CLASSES):
        value = np.log(np.maximum(_value_chance(kinds, population, float(noise)), _TINY))
        summed = _sum_by(session, value[kind], n_sessions)
        top = summed.max(axis=1, keepdims=True)
        mixed = np.exp(summed - top) @ _form_weights(inner, noise * population.form_sd, form_df)
        table[:, place] = np.log(np.maximum(mixed, _TINY)) + top
    table += _sum_by(session, habit, n_sessions)[:, None, :]
    return SessionLikelihood(table, float(inner[0]), _STEP)


def _sum_by(group: NDArray[np.intp], rows: Array, n_groups: int) -> Array:
    out = np.zeros((n_groups, rows.shape[1]))
    np.add.at(out, group, rows)
    return out


def _kinds(sets: pd.DataFrame) -> tuple[pd.DataFrame, NDArray[np.intp]]:
    """Return the distinct rows and the place of each row among them: values repeat a lot."""
    names = ["set", "value", "clean", "assisted", "stopped"]
    names += ["light", "target", "unit", "whole", "stops"]
    grouped = sets.groupby(names, sort=True)
    return grouped.size().reset_index()[names], np.asarray(grouped.ngroup(), dtype=np.intp)


def _habit_table(sets: pd.DataFrame, population: Population, level: Array) -> Array:
    """Log chance of clean or not and band or not, shape (sets, levels)."""
    unclean, band = unclean_chance(population, level), band_chance(population, level)
    clean = sets["clean"].to_numpy(dtype=bool)[:, None]
    banded = sets["assisted"].to_numpy(dtype=bool)[:, None]
    return np.log(np.where(clean, 1 - unclean, unclean)) + np.log(np.where(banded, band, 1 - band))


def _form_weights(inner: Array, sd: float, form_df: float) -> Array:
    """Matrix (fine grid, levels) that averages over the form of the day."""
    shares = (np.arange(_FORM_NODES) + 0.5) / _FORM_NODES
    law = stats.norm if np.isinf(form_df) else stats.t(form_df)
    place = (inner[:, None] + sd * law.ppf(shares) - _FINE[0]) / _STEP
    place = np.clip(place, 0.0, _FINE.size - 1 - 1e-9)
    left = place.astype(int)
    weights = np.zeros((inner.size, _FINE.size))
    rows = np.broadcast_to(np.arange(inner.size)[:, None], place.shape)
    np.add.at(weights, (rows, left), (1 - (place - left)) / _FORM_NODES)
    np.add.at(weights, (rows, left + 1), (place - left) / _FORM_NODES)
    return weights.T


def _value_chance(kinds: pd.DataFrame, population: Population, noise: float) -> Array:
    """Chance of the written value and stop at each (level + form), shape (kinds, fine grid)."""
    col = {name: kinds[name].to_numpy()[:, None] for name in kinds}
    value, target, unit = (col[name].astype(float) for name in ("value", "target", "unit"))
    whole = col["whole"].astype(bool)
    help_ = help_of(
        population, col["clean"].astype(bool), col["assisted"].astype(bool), col["light"]
    )
    mean = _FINE - population.fatigue * (col["set"].astype(float) - 1) + help_
    sd = noise * population.set_sd

    def below(edge: Array, shift: float = 0.0) -> Array:
        """Chance that what was shown stays below an edge given in the rung's unit."""
        log_edge = np.log(np.maximum(edge, 1e-9) / target)
        return ndtr((np.where(edge > 0, log_edge, -np.inf) - mean - shift) / sd)

    lower = np.where(whole, value, value - unit / 2)
    upper = np.where(whole, value + 1, value + unit / 2)
    exact = below(upper) - below(lower)
    nodes = (np.arange(_CHOICE_NODES) + 0.5) / _CHOICE_NODES
    parts = np.log(CHOICE_RANGE[0]) + nodes * np.log(CHOICE_RANGE[1] / CHOICE_RANGE[0])
    chosen = sum(below(upper, p) - below(lower, p) for p in parts) / _CHOICE_NODES
    eligible = col["clean"] & ~col["assisted"].astype(bool) & ~col["light"] & (value >= target)
    stops = np.where(eligible, col["stops"].astype(float), 0.0)
    at_mark = 0.75 * (1 - below(lower)) + 0.25 * exact
    one_over = 0.25 * (1 - below(lower))
    stopped = np.where(value == target, at_mark, np.where(value == target + unit, one_over, 0.0))
    zero = value == 0
    live, choice = 1 - population.slip, population.choice
    by_label = {
        "failed": live * (1 - choice) * (1 - stops) * exact + population.slip * zero,
        "target": live * (1 - choice) * stops * stopped,
        "choice": live * choice * chosen,
    }
    by_label["unknown"] = by_label["failed"] + by_label["target"] + by_label["choice"]
    label = col["stopped"]
    return np.select([label == name for name in by_label], list(by_label.values()))
