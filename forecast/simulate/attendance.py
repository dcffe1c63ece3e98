"""Who turns up on a day: weekly rhythm, layoffs that begin and end, holidays."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forecast.simulate.laws.base import State, Style
from forecast.simulate.population import Population
from forecast.types import Array, Flags

_CLUB_WEEK = np.array([1.3, 0.9, 1.2, 0.9, 1.1, 0.8, 0.3])
"""Monday to Sunday, how the club's hours draw people."""
_LAYOFF_SPREAD = 0.6
_SORE_DAYS = 7.0
_SORE_SHARE = 0.35


@dataclass(frozen=True, slots=True)
class Attendance:
    """Chances of turning up, per athlete.

    ``week`` (athletes, 7) is the chance of training on each weekday, Monday first, when not in a
    layoff; ``layoff_every`` the mean weeks between layoffs, ``layoff_weeks`` the median length of
    one. ``style`` ``ragged`` lets whole weeks go well or badly, ``seasonal`` adds holidays.
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
        length = 7 * self.layoff_weeks * np.exp(_LAYOFF_SPREAD * rng.standard_normal(shape))
        begins = until <= 0
        left = np.where(begins, np.minimum(length, 84.0), left)
        until = np.where(begins, np.inf, until)
        ahead = (left <= 0) & np.isinf(until) & (rng.random(shape) < 1 / (7 * self.layoff_every))
        until = np.where(ahead, _SORE_DAYS, until)
        sore = np.where(ahead, rng.random(shape) < _SORE_SHARE, state["sore"] * ~np.isinf(until))
        mood = state["mood"]
        if self.style == "ragged" and weekday == 0:
            mood = np.exp(0.6 * rng.standard_normal(shape) - 0.18)
        chance = self.week[rows, weekday] * mood * self._holiday(day)
        trains = (left <= 0) & (rng.random(shape) < np.minimum(chance, 0.97))
        return {"until": until, "left": left, "sore": sore, "mood": mood}, trains

    def resume(self, state: State, days_off: Array, rng: np.random.Generator) -> State:
        """Set a state to 'known to have been away for so many days'.

        After more than ten days off somebody is taken to be in a layoff already.
        """
        shape = state["left"].shape
        off = np.broadcast_to(days_off, shape)
        length = 7 * self.layoff_weeks * np.exp(_LAYOFF_SPREAD * rng.standard_normal(shape))
        left = np.where(off > 10, np.maximum(np.minimum(length, 84.0) - off, 1.0), 0.0)
        return {**state, "left": left}

    def _holiday(self, day: int) -> float:
        if self.style != "seasonal":
            return 1.0
        of_year = day % 365.2425
        if 212 <= of_year < 233:
            return 0.2
        return 0.1 if of_year >= 354 or of_year < 3 else 1.0


def draw_attendance(
    rng: np.random.Generator, population: Population, rate: Array, style: Style
) -> Attendance:
    """Draw each athlete's week: the club's hours times personal liking, scaled to ``rate``."""
    liking = np.exp(0.8 * rng.standard_normal((rate.size, 7)))
    week = _CLUB_WEEK * liking
    week = week / week.sum(axis=1, keepdims=True) * rate[:, None]
    often = 0.5 if style == "ragged" else 1.0
    longer = 1.3 if style == "ragged" else 1.0
    return Attendance(
        week=np.minimum(week, 0.95),
        layoff_every=population.layoff_every * often,
        layoff_weeks=population.layoff_weeks * longer,
        style=style,
    )
