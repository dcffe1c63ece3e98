"""The training clock: how much training lies between two sessions.

Calendar weeks are the plain answer. The log may say otherwise, and the clock's few constants are
learnt with the rest: part of the progress may come by the session and not by the week
(``practice``), later sessions of a spell may bring less than early ones (``fade``, the power law
of practice: Newell & Rosenbloom 1981, from memory), and the whole cohort may go better in some
months than in others (``season_cos``, ``season_sin``).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forecast.growth.kernels import doses, doses_along, flattened
from forecast.growth.panel import Panel
from forecast.log import YEAR_DAYS
from forecast.types import Array

FADE_SESSIONS = 10.0
"""Sessions after which a fade of 1 has halved what a session brings."""
LEAST_SEASON = 0.05


@dataclass(frozen=True, slots=True)
class Clock:
    """Constants of the clock; the defaults are plain calendar weeks.

    ``practice`` (0 to 1) share of progress that comes by the session; ``session_weeks`` weeks
    that one session stands for; ``fade`` exponent, 0 or more; ``season_cos``, ``season_sin``
    amplitude of the yearly rhythm.
    """

    practice: float = 0.0
    session_weeks: float = 0.4
    fade: float = 0.0
    season_cos: float = 0.0
    season_sin: float = 0.0

    def dose(self, rest: Array, done: Array, day: Array, sessions: Array | float = 1.0) -> Array:
        """Return weeks of training that a stretch stands for.

        ``rest`` are its calendar weeks, up to the grace; ``done`` the sessions of the spell before
        it ends, on day number ``day``; ``sessions`` those it holds, the one at its end included.
        """
        shape, (weeks, before, at, held) = flattened(rest, done, day, sessions)
        out = np.empty(len(weeks))
        doses(weeks, before, at, held, self.numbers, out)
        return out.reshape(shape)

    @property
    def numbers(self) -> tuple[float, ...]:
        """The constants in the order of ``kernels.dose_one``."""
        return (
            self.practice, self.session_weeks, self.fade, FADE_SESSIONS,
            self.season_cos, self.season_sin, 2.0 * np.pi / YEAR_DAYS, LEAST_SEASON,
        )  # fmt: skip

    def ahead(self, weeks: Array, done: Array, day: Array, rate: Array) -> Array:
        """Return the training expected over calendar ``weeks`` to come.

        From ``done`` sessions so far and day number ``day`` now, at ``rate`` sessions a week.
        """
        sessions = rate * weeks
        return self.dose(weeks, done + 0.5 * sessions, day + 7.0 * weeks, sessions)


def session_doses(panel: Panel, clock: Clock) -> Array:
    """(N,) training between each session and the one before it in the spell, 0 at the first."""
    out = np.zeros(panel.n_sessions)
    doses_along(panel.start, panel.length, panel.rest, panel.day, clock.numbers, out)
    return out
