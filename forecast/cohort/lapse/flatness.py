"""Do athletes who are flat lapse sooner? The chance after a training day that it was the last."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import statsmodels.api as sm
from scipy.stats import norm

from forecast.cohort.records import Shown
from forecast.log import TrainingLog, in_percent
from forecast.readiness import FEATURES, Fitted, LogView, as_view, design_of

MIN_LAPSES = 10

_WORDS = {
    "flat": "chance of being flat 25 points higher",
    "rate": "twice the training days a week",
    "pain": "pain 5 out of 10 that day",
    "log_weeks": "twice as long in the log",
    "just_cleared": "a rung cleared in the last four weeks",
}
_STEPS = {"flat": 0.25, "rate": np.log(2), "pain": 0.5, "log_weeks": np.log(2), "just_cleared": 1.0}


@dataclass(frozen=True, slots=True)
class LapseHazard(Shown):
    """Association of lapse with flatness and other things known on a training day.

    Attributes
    ----------
    effects
        One row a feature: ``feature, contrast, odds_ratio, low, high, p_value``; empty where
        there are fewer than ten lapses.
    n_days, n_lapses, n_athletes
        What it rests on; days too recent to tell whether another follows are left out.
    level
        Level of the intervals.
    """

    effects: pd.DataFrame
    n_days: int
    n_lapses: int
    n_athletes: int
    level: float

    def frame(self) -> pd.DataFrame:
        """Return ``effects``."""
        return self.effects.copy()

    @property
    def text(self) -> str:
        """What the table says, in sentences."""
        basis = f"{self.n_lapses} lapses in {self.n_days} training days of {self.n_athletes}"
        if self.effects.empty:
            return f"Not enough data on lapse: {basis} athletes; at least {MIN_LAPSES} are needed."
        flat = self.effects.set_index("feature").loc["flat"]
        interval = f"{in_percent(self.level)} interval {flat['low']:.2f} to {flat['high']:.2f}"
        return (
            f"From {basis} athletes: the odds that a training day was the last were "
            f"{flat['odds_ratio']:.2f} times as high where the chance of being flat was 25 points "
            f"higher ({interval}). This is "
            "association: whoever is losing interest may go flat because of it, and coaching may "
            "differ where somebody is flat."
        )


def decided(days: pd.DataFrame) -> pd.DataFrame:
    """Training days long enough ago that whether another followed is known.

    Later days are left out even where another followed: those where none did are not known yet,
    and keeping one kind only would make lapse look rarer than it is.
    """
    return days[days["settled"]]


def lapse_hazard(
    model: Fitted | LogView,
    log: TrainingLog | None = None,
    as_of: pd.Timestamp | str | None = None,
    *,
    level: float = 0.9,
) -> LapseHazard:
    """Relate lapse to flatness, as filtered on each training day, and to other things known then.

    Parameters
    ----------
    model
        A fitted forecaster, or its view of a log, which has a log and a cut date already; its
        growth engine says how flat an athlete is.
    log, as_of
        The log and its cut date.
    level
        Level of the intervals.

    Raises
    ------
    NotFittedError, ForecastError, HistoryError
        See ``readiness.LogView``.

    Notes
    -----
    Logistic regression on training days (a discrete-time hazard, Prentice & Gloeckler 1978, with
    training days as the clock), errors clustered by athlete. ``flat`` changes from day to day: it
    is a time-varying covariate and uses nothing later than that day.
    """
    return hazard_of(as_view(model, log, as_of).training_days, level)


def hazard_of(days: pd.DataFrame, level: float) -> LapseHazard:
    """Relate lapse to the features of training days already laid out."""
    known = decided(days)
    lapses = int(known["lapsed"].sum())
    people = known["athlete_id"].nunique()
    columns = ["feature", "contrast", "odds_ratio", "low", "high", "p_value"]
    if lapses < MIN_LAPSES:
        return LapseHazard(pd.DataFrame(columns=columns), len(known), lapses, people, level)
    design = design_of(known)
    varied = np.r_[True, np.ptp(design[:, 1:], axis=0) > 1e-9]
    fit = sm.GLM(
        known["lapsed"].to_numpy(dtype=float), design[:, varied], family=sm.families.Binomial()
    ).fit(cov_type="cluster", cov_kwds={"groups": known["athlete_id"].to_numpy()})
    z = float(norm.ppf((1 + level) / 2))
    names = [name for name, kept in zip(FEATURES, varied[1:], strict=True) if kept]
    rows = []
    for place, name in enumerate(names, start=1):
        effect = float(fit.params[place]) * _STEPS[name]
        error = float(fit.bse[place]) * _STEPS[name]
        low, high = effect - z * error, effect + z * error
        ratio = (np.exp(effect), np.exp(low), np.exp(high))
        rows.append((name, _WORDS[name], *ratio, float(fit.pvalues[place])))
    return LapseHazard(pd.DataFrame(rows, columns=columns), len(known), lapses, people, level)
