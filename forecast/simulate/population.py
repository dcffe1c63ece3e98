"""Population constants of an invented cohort, and the hidden constants of its athletes."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import pandas as pd

NOISE_CLASSES = np.array([0.7, 1.0, 1.4])
"""An athlete's scatter relative to the cohort's: one of these."""
NOISE_SHARES = np.array([0.25, 0.5, 0.25])

_RANGES: dict[str, tuple[float, float]] = {
    "usual_weeks": (10.0, 18.0),
    "usual_gap": (0.55, 0.85),
    "gap_sd": (0.22, 0.35),
    "athlete_sd": (0.3, 0.5),
    "rung_sd": (0.2, 0.4),
    "spell_sd": (0.2, 0.35),
    "form_sd": (0.06, 0.12),
    "set_sd": (0.05, 0.10),
    "fatigue": (0.03, 0.08),
    "unclean_at_target": (-2.6, -1.8),
    "unclean_slope": (-2.0, -1.0),
    "unclean_push": (0.5, 1.0),
    "unclean_bonus": (0.05, 0.15),
    "band_level": (-1.1, -0.8),
    "band_use": (0.5, 0.9),
    "band_help": (0.3, 0.6),
    "slip": (0.004, 0.015),
    "choice": (0.03, 0.10),
    "stop_share": (0.25, 0.5),
    "stop_habit": (0.6, 0.95),
    "note_share": (0.35, 0.7),
    "coarse_share": (0.05, 0.15),
    "layoff_every": (15.0, 40.0),
    "layoff_weeks": (1.5, 3.0),
    "lapse_shape": (1.3, 2.5),
}


@dataclass(frozen=True, slots=True)
class Population:
    """Constants of one cohort, drawn from stated ranges so that no one set can be tuned to.

    Attributes
    ----------
    usual_weeks, usual_gap, gap_sd
        A middling spell starts ``usual_gap`` (log units) below the target and takes
        ``usual_weeks`` weeks of training; log gaps have sd ``gap_sd``.
    athlete_sd, rung_sd, spell_sd
        Standard deviations of log pace: between athletes, rungs, and what is left per spell.
    form_sd, set_sd, fatigue
        Scatter of a session and of a set in log units; loss of level from set to set.
    unclean_at_target, unclean_slope, unclean_push, unclean_bonus
        Logit of an unclean set at the target, its slope in level, the rise when pushing close
        to the target, and what bad form adds to the value (log units).
    band_level, band_use, band_help
        Below this level about half the band users take the band, which adds ``band_help``.
    slip, choice
        Share of sets that fail outright, and that are broken off by choice.
    stop_share, stop_habit
        Share of athletes who stop at the target, and how often they do so.
    note_share, coarse_share
        Share of athletes whose coach notes why a set stopped, and who are timed to 5 s.
    layoff_every, layoff_weeks
        Mean weeks between layoffs and median length of one.
    lapse_shape
        Tail index of the (Lomax) time to lapse.
    rung_effects
        Log pace of each rung relative to the middling rung, shape (rungs,).
    """

    usual_weeks: float
    usual_gap: float
    gap_sd: float
    athlete_sd: float
    rung_sd: float
    spell_sd: float
    form_sd: float
    set_sd: float
    fatigue: float
    unclean_at_target: float
    unclean_slope: float
    unclean_push: float
    unclean_bonus: float
    band_level: float
    band_use: float
    band_help: float
    slip: float
    choice: float
    stop_share: float
    stop_habit: float
    note_share: float
    coarse_share: float
    layoff_every: float
    layoff_weeks: float
    lapse_shape: float
    rung_effects: np.ndarray

    @property
    def log_pace(self) -> float:
        """Log gain per week of a middling athlete on a middling rung."""
        return float(np.log(self.usual_gap / self.usual_weeks))


def draw_population(rng: np.random.Generator, n_rungs: int) -> Population:
    """Draw the constants of one cohort, each uniform over its stated range."""
    names = [f.name for f in fields(Population) if f.name != "rung_effects"]
    constants = {name: float(rng.uniform(*_RANGES[name])) for name in names}
    effects = constants["rung_sd"] * rng.standard_normal(n_rungs)
    return Population(**constants, rung_effects=effects)


def draw_athletes(
    rng: np.random.Generator,
    population: Population,
    n_athletes: int,
    sessions_per_week: tuple[float, float],
    prefix: str,
) -> pd.DataFrame:
    """Draw the hidden constants of athletes, a row each.

    Columns: ``athlete`` (invented code), ``pace_effect`` (log pace), ``trait``
    (standard normal), ``rate`` (sessions per week), ``noise`` (class of scatter),
    ``usual_sets``, ``stops`` (share of sets stopped at the target), ``notes_stopped``,
    ``coarse`` (timed to 5 s) and ``notes_effort``.
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
