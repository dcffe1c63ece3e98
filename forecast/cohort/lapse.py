"""Lapse: whether athletes who are flat stop sooner, and how likely it is that somebody stops."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import statsmodels.api as sm
from scipy.stats import norm

from forecast.cohort.records import Shown
from forecast.log import TrainingLog, chance_in_percent, in_percent
from forecast.readiness import FEATURES, Fitted, LogView, as_view, design_of

MIN_LAPSES = 10
CONTRASTS = {
    "flat": ("chance of being flat 25 points higher", 0.25),
    "rate": ("twice the training days a week", np.log(2)),
    "pain": ("pain 5 out of 10 that day", 0.5),
    "log_weeks": ("twice as long in the log", np.log(2)),
    "just_cleared": ("a rung cleared in the last four weeks", 1.0),
}
"""By feature: what is compared, in words and as a step of the feature."""
CHANCE_COLUMNS = (
    "athlete", "rung", "weeks_away", "p_gone", "lapse_12", "lapse_12_low", "lapse_12_high",
    "lapse_26", "lapse_26_low", "lapse_26_high", "text",
)  # fmt: skip


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
    """Relate lapse to the features of training days already laid out.

    Days are used where it is settled whether another followed. Later days are left out even where
    one did: keeping one kind only would make lapse look rarer than it is.
    """
    settled = days[days["settled"]]
    lapses = int(settled["lapsed"].sum())
    people = settled["athlete_id"].nunique()
    columns = ["feature", "contrast", "odds_ratio", "low", "high", "p_value"]
    if lapses < MIN_LAPSES:
        return LapseHazard(pd.DataFrame(columns=columns), len(settled), lapses, people, level)
    design = design_of(settled)
    varied = np.r_[True, np.ptp(design[:, 1:], axis=0) > 1e-9]
    fit = sm.GLM(
        settled["lapsed"].to_numpy(dtype=float), design[:, varied], family=sm.families.Binomial()
    ).fit(cov_type="cluster", cov_kwds={"groups": settled["athlete_id"].to_numpy()})
    z = float(norm.ppf((1 + level) / 2))
    names = [name for name, kept in zip(FEATURES, varied[1:], strict=True) if kept]
    rows = []
    for place, name in enumerate(names, start=1):
        contrast, step = CONTRASTS[name]
        effect, error = float(fit.params[place]) * step, float(fit.bse[place]) * step
        ratio = np.exp([effect, effect - z * error, effect + z * error])
        rows.append((name, contrast, *ratio, float(fit.pvalues[place])))
    return LapseHazard(pd.DataFrame(rows, columns=columns), len(settled), lapses, people, level)


def lapse_chance(
    model: Fitted | LogView,
    log: TrainingLog | None = None,
    as_of: pd.Timestamp | str | None = None,
    *,
    seed: int | None = None,
) -> pd.DataFrame:
    """Return, for each rung under way, the chance that the athlete stops within 12 and 26 weeks.

    Parameters
    ----------
    model
        A fitted forecaster, or its view of a log, which has a log and a cut date already.
    log, as_of
        The log and its cut date.
    seed
        Of the draws behind the 80 % ranges; the model's own where left out.

    Returns
    -------
    DataFrame
        One row an open spell, columns ``CHANCE_COLUMNS``: ``p_gone`` is the chance that the last
        training day has been already, ``lapse_12`` and ``lapse_26`` that it will have been by
        then, with 80 % ranges; ``text`` says it in words. All rungs of an athlete share them.

    Raises
    ------
    NotFittedError, ForecastError, HistoryError
        See ``readiness.LogView``.

    Notes
    -----
    Being forecast to clear assumes no lapse; this figure stands beside that and is not mixed in. It
    is learnt when the model is fitted, and is the ``p_lapse_26`` of its forecasts.
    """
    view = as_view(model, log, as_of)
    open_spells = view.histories.open_spells
    if open_spells.empty:
        return pd.DataFrame(columns=list(CHANCE_COLUMNS))
    rows = open_spells[["athlete", "rung", "athlete_id", "rung_index"]]
    table = rows.merge(view.lapse_chances(seed), left_on="athlete_id", right_index=True)
    table = table.sort_values(["athlete", "rung_index"]).reset_index(drop=True)
    table["text"] = [_sentence(row) for _, row in table.iterrows()]
    return table[list(CHANCE_COLUMNS)]


def _sentence(row: pd.Series) -> str:
    text = f"Chance of having stopped logging within {_by(12, row)}, within {_by(26, row)}."
    if row["p_gone"] > 0.2:
        text += f" Away for {row['weeks_away']:.0f} weeks, perhaps already gone: worth a call."
    return text


def _by(week: int, row: pd.Series) -> str:
    """A chance with its range, unless both ends read the same."""
    ends = ("", "_low", "_high")
    chance, low, high = (chance_in_percent(row[f"lapse_{week}{end}"]) for end in ends)
    return f"{week} weeks {chance}" + (f" ({low} to {high})" if low != high else "")
