"""How a latent level becomes the sets a coach writes down; shared by all laws of progress."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from forecast.simulate.population import Population
from forecast.types import Array, Flags, Ints

MAX_SETS = 5
LIGHT_SHARE = 0.1
"""Share of first sets on a loaded rung done with less than the load asked for."""
LIGHT_HELP = 0.2
CHOICE_RANGE = (0.5, 0.9)
"""A set broken off by choice shows this part of the capacity (uniform in log)."""


@dataclass(frozen=True, slots=True)
class Marks:
    """What is known of each session (sessions,) before it starts.

    ``whole``: repetitions; ``unit`` of rounding; ``load`` asked for (0 for none); ``noise`` class;
    ``stops``: share stopped at the target.
    """

    target: Array
    whole: Flags
    unit: Array
    load: Array
    noise: Array
    usual_sets: Ints
    stops: Array
    notes_stopped: Flags


@dataclass(frozen=True, slots=True)
class DrawnSets:
    """Sets of sessions, arrays of shape (sessions, MAX_SETS); ``done`` says which exist."""

    done: Flags
    value: Array
    clean: Flags
    band: Flags
    load: Array
    stopped: NDArray[np.str_]
    counts: Flags
    """Clean, without help, with load enough and at the target: meets the criterion."""


def unclean_chance(population: Population, level: Array) -> Array:
    """Chance of an unclean set: falls with level, rises when pushing close to the target."""
    push = np.exp(-(((level + 0.1) / 0.2) ** 2))
    odds = population.unclean_at_target + population.unclean_slope * level
    return expit(odds + population.unclean_push * push)


def band_chance(population: Population, level: Array) -> Array:
    """Chance that a set is done with a band: far from the target only."""
    return population.band_use * expit(8.0 * (population.band_level - level))


def help_of(population: Population, clean: Flags, band: Flags, light: Flags) -> Array:
    """What bad form, a band and a lighter load add to the log of a value."""
    help_by_form = population.unclean_bonus * ~clean + population.band_help * band
    return np.asarray(help_by_form + LIGHT_HELP * light, dtype=float)


def draw_sets(
    rng: np.random.Generator, population: Population, level: Array, marks: Marks, form_df: float
) -> DrawnSets:
    """Draw the sets of sessions (sessions,), one a row, rounded as the coach rounds.

    ``form_df`` are the degrees of freedom of the form of the day; infinite is normal.
    """
    shape = (level.size, MAX_SETS)
    number = np.arange(MAX_SETS)
    n_sets = np.clip(marks.usual_sets + rng.integers(-1, 2, level.size), 2, MAX_SETS)
    clean = rng.random(shape) >= unclean_chance(population, level)[:, None]
    band = rng.random(shape) < band_chance(population, level)[:, None]
    light = (marks.load[:, None] > 0) & (number == 0) & (rng.random(shape) < LIGHT_SHARE)
    form = rng.standard_normal(level.size)
    if np.isfinite(form_df):
        form = form / np.sqrt(rng.chisquare(form_df, level.size) / form_df)
    scatter = population.form_sd * form[:, None] + population.set_sd * rng.standard_normal(shape)
    log_capacity = level[:, None] + marks.noise[:, None] * scatter - population.fatigue * number
    log_capacity = log_capacity + help_of(population, clean, band, light)
    # stop, slip and round: from what was possible to what was written down
    target, unit = marks.target[:, None], marks.unit[:, None]
    log_part = rng.uniform(np.log(CHOICE_RANGE[0]), np.log(CHOICE_RANGE[1]), size=shape)
    chose = rng.random(shape) < population.choice
    slipped = rng.random(shape) < population.slip
    shown = target * np.exp(log_capacity + np.where(chose, log_part, 0.0))
    value = round_value(shown, unit, marks.whole[:, None])
    eligible = clean & ~band & ~light & ~chose & (value >= target)
    at_target = eligible & (rng.random(shape) < marks.stops[:, None])
    extra = np.where(rng.random(shape) < 0.25, unit, 0.0)
    value = np.where(at_target, np.minimum(value, target + extra), value)
    value = np.where(slipped, 0.0, value)
    stopped = np.where(at_target, "target", np.where(chose, "choice", "failed"))
    stopped = np.where(slipped, "failed", stopped)
    stopped = np.where(marks.notes_stopped[:, None], stopped, "unknown")
    done = number < n_sets[:, None]
    load = np.where(marks.load[:, None] > 0, marks.load[:, None], np.nan)
    counts = done & clean & ~band & ~light & (value >= target)
    return DrawnSets(done, value, clean, band, np.where(light, 0.5 * load, load), stopped, counts)


def round_value(value: Array, unit: Array, whole: Flags) -> Array:
    """Round to the unit as a stopwatch reader does; repetitions count when complete."""
    return np.where(whole, np.floor(value), np.floor(value / unit + 0.5) * unit)
