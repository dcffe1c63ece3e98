"""Who is quick and which rung is hard: pace and difficulty, shrunk to the cohort."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import norm

from forecast.cohort.records import Shown
from forecast.errors import check_level, check_seed
from forecast.growth import athlete_effects
from forecast.log import TrainingLog, in_percent
from forecast.readiness import Fitted, LogView, as_view
from forecast.types import Array

DRAWS = 2000
SLOWEST = 1e-3
"""Gain a week taken as the slowest when a gap is turned into weeks."""


@dataclass(frozen=True, slots=True)
class PaceAndDifficulty(Shown):
    """Athlete and rung effects of the growth engine.

    Attributes
    ----------
    athletes
        One row an athlete: ``athlete, spells, start`` and ``gain`` (level at the first session
        and gain a week, against an average athlete on the same rungs), each with ``_low`` and
        ``_high``; ``told`` (0 to 1): how much of the prior uncertainty on the gain their sets
        have removed; near 0 the effect is shrunk to nothing for lack of data.
    rungs
        One row a rung: ``rung, rung_name, spells, start, gain`` (of an average athlete, with
        intervals), ``weeks`` (gap at the start over gain: a yardstick of difficulty, no
        forecast), ``told``.
    level
        Level of the intervals.
    """

    athletes: pd.DataFrame
    rungs: pd.DataFrame
    level: float

    def frame(self) -> pd.DataFrame:
        """Return both tables as one, long: ``kind`` is ``athlete`` or ``rung``."""
        rungs = self.rungs.rename(columns={"rung": "name"}).assign(kind="rung")
        athletes = self.athletes.rename(columns={"athlete": "name"}).assign(kind="athlete")
        columns = [
            "kind", "name", "spells", "start", "start_low", "start_high", "gain", "gain_low",
            "gain_high", "told",
        ]  # fmt: skip
        return pd.concat([rungs[columns], athletes[columns]], ignore_index=True)

    @property
    def text(self) -> str:
        """What the tables say, in sentences."""
        tried = self.rungs[self.rungs["spells"] > 0]
        if len(tried) < 2 and len(self.athletes) < 2:
            return "One athlete on one rung: there is nobody and nothing to compare with yet."
        hard = tried.iloc[int(tried["weeks"].argmax())]
        clear = self.athletes[(self.athletes["gain_low"] > 0) | (self.athletes["gain_high"] < 0)]
        return (
            f"Hardest rung tried, by the gap at the start over the gain of an average athlete: "
            f"{hard['rung_name']}, {hard['weeks']:.0f} weeks of training without a break until a "
            f"usual day meets the mark ({in_percent(self.level)} interval {hard['weeks_low']:.0f} "
            f"to {hard['weeks_high']:.0f}). That is a yardstick between rungs; how long rungs "
            f"take, rest and luck included, the curves of weeks to clearing say. "
            f"{len(clear)} of {len(self.athletes)} athletes differ clearly from the cohort's pace. "
            "Effects are shrunk: with little data they are near 0 on purpose. They describe what "
            "was logged, association and not what an athlete is worth."
        )


def pace_and_difficulty(
    model: Fitted | LogView,
    log: TrainingLog | None = None,
    as_of: pd.Timestamp | str | None = None,
    *,
    level: float = 0.9,
    seed: int = 0,
) -> PaceAndDifficulty:
    """Return athletes' pace and rungs' difficulty with their uncertainty.

    Parameters
    ----------
    model, log, as_of
        A view, or a fitted forecaster, a log and its cut date: see ``readiness.as_view``.
    level
        Level of the intervals.
    seed
        Of the draws behind the weeks of each rung.

    Raises
    ------
    FitError
        ``level`` is out of range.

    Notes
    -----
    Crossed normal effects (Lindley & Smith 1972; Bates et al. 2015 sec. 3), see
    ``growth.pooling``. Athlete effects are given the rungs' effects and the engine's constants,
    whose uncertainty their intervals leave out. Level and gain are on the engine's latent scale
    (at power 0: log of value over target).
    """
    check_level("level", level)
    check_seed(seed)
    view = as_view(model, log, as_of)
    return PaceAndDifficulty(_athletes(view, level), _rungs(view, level, seed), level)


def _athletes(view: LogView, level: float) -> pd.DataFrame:
    """Posterior of each athlete's effect, from all their spells."""
    panel = view.tracked.panel
    people, mean, cov = athlete_effects(view.growth, view.tracked)
    who = np.searchsorted(people, panel.athlete)
    gain, prior = np.array([0.0, 1.0, 1.0]), view.growth.fit.constants.pooling.athlete
    names = view.histories.spells.drop_duplicates("athlete_id").set_index("athlete_id")["athlete"]
    table = pd.DataFrame({"athlete": names.reindex(people).to_numpy()})
    table["spells"] = np.bincount(who)
    start_sd = np.sqrt(cov[:, 0, 0])
    gain_var = np.einsum("i,aij,j->a", gain, cov, gain)
    _add(table, "start", mean[:, 0], start_sd, level)
    _add(table, "gain", mean @ gain, np.sqrt(gain_var), level)
    table["told"] = np.clip(1.0 - gain_var / (gain @ np.diag(prior) @ gain), 0.0, 1.0)
    return table.sort_values(["gain", "athlete"], ascending=[False, True], ignore_index=True)


def _rungs(view: LogView, level: float, seed: int) -> pd.DataFrame:
    """Start, gain and weeks of an average athlete on each rung."""
    pooled, prior = view.growth.fit.pooled, view.growth.fit.constants.pooling
    k = len(prior.rung)
    n_rungs = len(pooled.common_mean) // k - 1
    # Each rung's typical values are the centre plus its effect: one linear map of both.
    maps = np.zeros((n_rungs, k, k * (n_rungs + 1)))
    for r in range(n_rungs):
        maps[r, :, :k] = np.eye(k)
        maps[r, :, k * (r + 1) : k * (r + 2)] = np.eye(k)
    mean = maps @ pooled.common_mean
    cov = maps @ pooled.common_cov @ maps.transpose(0, 2, 1)
    gain = np.r_[0.0, np.ones(k - 1)]
    rungs = view.histories.ladder.rungs
    counts = view.histories.spells["rung"].value_counts()
    table = pd.DataFrame(
        {
            "rung": [rung.key for rung in rungs],
            "rung_name": [rung.name for rung in rungs],
            "spells": [int(counts.get(rung.key, 0)) for rung in rungs],
        }
    )
    gain_var = np.einsum("i,rij,j->r", gain, cov, gain)
    _add(table, "start", mean[:, 0], np.sqrt(cov[:, 0, 0]), level)
    _add(table, "gain", mean @ gain, np.sqrt(gain_var), level)
    weeks = _weeks(mean, cov, gain, seed)
    table["weeks"] = np.median(weeks, axis=1)
    table["weeks_low"] = np.quantile(weeks, (1 - level) / 2, axis=1)
    table["weeks_high"] = np.quantile(weeks, (1 + level) / 2, axis=1)
    before = gain @ np.diag(prior.rung + prior.centre_var) @ gain
    table["told"] = np.clip(1.0 - gain_var / before, 0.0, 1.0)
    return table


def _weeks(mean: Array, cov: Array, gain: Array, seed: int) -> Array:
    """Draws of gap over gain, (R, DRAWS)."""
    rng = np.random.default_rng(seed)
    root = np.linalg.cholesky(cov + 1e-12 * np.eye(cov.shape[1]))
    normal = rng.standard_normal((len(mean), DRAWS, cov.shape[1]))
    drawn = mean[:, None, :] + np.einsum("rij,rdj->rdi", root, normal)
    gap = np.maximum(-drawn[:, :, 0], 0.0)
    return np.asarray(gap / np.maximum(drawn @ gain, SLOWEST))


def _add(table: pd.DataFrame, name: str, mean: Array, spread: Array, level: float) -> None:
    """Add a value and its interval to the table, in place."""
    z = float(norm.ppf((1 + level) / 2))
    table[name] = mean
    table[f"{name}_low"] = mean - z * spread
    table[f"{name}_high"] = mean + z * spread
