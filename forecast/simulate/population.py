"""Who is in an invented cohort, what is constant about them, and who turns up on a day."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecast.simulate.laws import State, Style, between, drawn_constants
from forecast.types import YEAR as YEAR_DAYS
from forecast.types import Array, Flags

NOISE_CLASSES = np.array([0.7, 1.0, 1.4])
"""An athlete's scatter relative to the cohort's: one of these."""
NOISE_SHARES = np.array([0.25, 0.5, 0.25])
CLUB_WEEK = np.array([1.3, 0.9, 1.2, 0.9, 1.1, 0.8, 0.3])
"""Monday to Sunday, how the club's hours draw people."""
LAYOFF_SPREAD = 0.6
SORE_DAYS = 7.0
SORE_SHARE = 0.35


@dataclass(frozen=True, slots=True)
class Population:
    """Constants of one cohort, drawn from stated ranges so that no one set can be tuned to.

    A middling spell starts ``usual_gap`` (log units) below the target and takes ``usual_weeks`` of
    training; log gaps have sd ``gap_sd``. Log pace spreads by athlete, rung and spell;
    ``rung_effects`` (rungs,) are beside the middling one. ``form_sd`` and ``set_sd`` are the
    scatter of a session and of a set. ``unclean_at_target`` is the logit of an unclean set at the
    target, with its slope in level, the rise close to the target, and what bad form adds. Below
    ``band_level`` about half the band users take the band. ``slip`` and ``choice`` are shares of
    sets that fail outright, and that are broken off. ``stop_share`` of athletes stop at the target,
    ``stop_habit`` is how often; of ``note_share`` it is noted why, ``coarse_share`` are timed to
    5 s. ``layoff_every`` is a mean, ``layoff_weeks`` a median; ``lapse_shape`` is the tail index of
    the (Lomax) time to lapse.
    """

    rung_effects: np.ndarray
    usual_weeks: float = between(10.0, 18.0)
    usual_gap: float = between(0.55, 0.85)
    gap_sd: float = between(0.22, 0.35)
    athlete_sd: float = between(0.3, 0.5)
    rung_sd: float = between(0.2, 0.4)
    spell_sd: float = between(0.2, 0.35)
    form_sd: float = between(0.06, 0.12)
    set_sd: float = between(0.05, 0.10)
    fatigue: float = between(0.03, 0.08)
    unclean_at_target: float = between(-2.6, -1.8)
    unclean_slope: float = between(-2.0, -1.0)
    unclean_push: float = between(0.5, 1.0)
    unclean_bonus: float = between(0.05, 0.15)
    band_level: float = between(-1.1, -0.8)
    band_use: float = between(0.5, 0.9)
    band_help: float = between(0.3, 0.6)
    slip: float = between(0.004, 0.015)
    choice: float = between(0.03, 0.10)
    stop_share: float = between(0.25, 0.5)
    stop_habit: float = between(0.6, 0.95)
    note_share: float = between(0.35, 0.7)
    coarse_share: float = between(0.05, 0.15)
    layoff_every: float = between(15.0, 40.0)
    layoff_weeks: float = between(1.5, 3.0)
    lapse_shape: float = between(1.3, 2.5)

    @property
    def log_pace(self) -> float:
        """Log gain per week of a middling athlete on a middling rung."""
        return float(np.log(self.usual_gap / self.usual_weeks))


def draw_population(rng: np.random.Generator, n_rungs: int) -> Population:
    """Draw the constants of one cohort, each uniform over its stated range."""
    constants = drawn_constants(Population, rng)
    effects = constants["rung_sd"] * rng.standard_normal(n_rungs)
    return Population(**constants, rung_effects=effects)


def draw_athletes(
    rng: np.random.Generator, population: Population, n_athletes: int,
    sessions_per_week: tuple[float, float], prefix: str,
) -> pd.DataFrame:  # fmt: skip
    """Draw the hidden constants of athletes, a row each.

    ``athlete`` (code), ``pace_effect`` (log pace), ``trait``, ``rate`` (sessions per week),
    ``noise`` (class of scatter), ``usual_sets``, ``stops`` (share of sets stopped at the target),
    ``notes_stopped``, ``coarse`` (timed to 5 s), ``notes_effort``.
    """
    width = max(3, len(str(n_athletes)))
    stopper = rng.random(n_athletes) < population.stop_share
    return pd.DataFrame(
        {
            "athlete": [f"{prefix}{i + 1:0{width}d}" for i in range(n_athletes)],
            "pace_effect": population.athlete_sd * rng.standard_normal(n_athletes),
            "trait": rng.standard_normal(n_athletes),
            "rate": rng.uniform(*sessions_per_week, n_athletes),
            "noise": rng.choice(NOISE_CLASSES, n_athletes, p=NOISE_SHARES),
            "usual_sets": rng.integers(2, 5, n_athletes),
            "stops": np.where(stopper, population.stop_habit, 0.0),
            "notes_stopped": rng.random(n_athletes) < population.note_share,
            "coarse": rng.random(n_athletes) < population.coarse_share,
            "notes_effort": rng.random(n_athletes) < 0.5,
        }
    )


@dataclass(frozen=True, slots=True)
class Attendance:
    """Chances of turning up, per athlete.

    ``week`` (athletes, 7) is the chance of training on each weekday, Monday first, when not in a
    layoff; the rest as in ``Population``. ``ragged`` lets whole weeks go well or badly,
    ``seasonal`` adds holidays.
    """

    week: Array
    layoff_every: float
    layoff_weeks: float
    style: Style

    def begin(self, shape: tuple[int, ...]) -> State:
        """Return the state before the first day: in training, no layoff in sight."""
        return {
            "until": np.full(shape, np.inf),  # days until an announced layoff begins
            "left": np.zeros(shape),  # days of layoff left
            "sore": np.zeros(shape),
            "mood": np.ones(shape),
        }

    def step(
        self, state: State, rows: NDArray[np.intp], day: int, rng: np.random.Generator
    ) -> tuple[State, Flags]:
        """Let one day pass; return the new state, and who trains today.

        ``state`` is as from ``begin`` or the last step, of arrays that broadcast with ``rows``, the
        row of ``week`` for each entry; ``day`` is counted from 1 January 1970.
        """
        shape = state["left"].shape
        weekday = (day + 3) % 7  # 1 January 1970 was a Thursday
        until, left = state["until"] - 1.0, np.maximum(state["left"] - 1.0, 0.0)
        length = 7 * self.layoff_weeks * np.exp(LAYOFF_SPREAD * rng.standard_normal(shape))
        begins = until <= 0
        left = np.where(begins, np.minimum(length, 84.0), left)
        until = np.where(begins, np.inf, until)
        ahead = (left <= 0) & np.isinf(until) & (rng.random(shape) < 1 / (7 * self.layoff_every))
        until = np.where(ahead, SORE_DAYS, until)
        sore = np.where(ahead, rng.random(shape) < SORE_SHARE, state["sore"] * ~np.isinf(until))
        mood = state["mood"]
        if self.style == "ragged" and weekday == 0:
            mood = np.exp(0.6 * rng.standard_normal(shape) - 0.18)
        chance = self.week[rows, weekday] * mood * self._holiday(day)
        trains = (left <= 0) & (rng.random(shape) < np.minimum(chance, 0.97))
        return {"until": until, "left": left, "sore": sore, "mood": mood}, trains

    def _holiday(self, day: int) -> float:
        if self.style != "seasonal":
            return 1.0
        of_year = day % YEAR_DAYS
        if 212 <= of_year < 233:
            return 0.2
        return 0.1 if of_year >= 354 or of_year < 3 else 1.0


def draw_attendance(
    rng: np.random.Generator, population: Population, rate: Array, style: Style
) -> Attendance:
    """Draw each athlete's week: the club's hours times personal liking, scaled to ``rate``."""
    liking = np.exp(0.8 * rng.standard_normal((rate.size, 7)))
    week = CLUB_WEEK * liking
    week = week / week.sum(axis=1, keepdims=True) * rate[:, None]
    often, longer = (0.5, 1.3) if style == "ragged" else (1.0, 1.0)
    every, weeks = population.layoff_every * often, population.layoff_weeks * longer
    return Attendance(np.minimum(week, 0.95), every, weeks, style)
