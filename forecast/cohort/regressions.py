"""Regressions: the roster against the time to clear, and being flat against lapse."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
import pandas as pd
import statsmodels.api as sm
from statsmodels.duration.hazard_regression import PHReg, PHRegResults
from statsmodels.stats.multitest import multipletests

from forecast.cohort.records import (
    SINCE_COLUMN,
    Records,
    Shown,
    as_histories,
    spell_times,
    stacked,
)
from forecast.errors import FitError, HistoryError, check_level
from forecast.log import TrainingLog
from forecast.readiness import FEATURES, Fitted, LogView, as_view, design_of
from forecast.words import cohort as wording

MIN_CLEARED, MIN_ATHLETES, MIN_LAPSES = 15, 10, 10
MAX_WORDS = 8
"""A text column with more different words than this is a name or a note, not a group."""
COLUMNS = [
    "column", "contrast", "unit", "hazard_ratio", "low", "high", "p_value", "p_holm", "spells",
    "cleared", "athletes",
]  # fmt: skip
ENTRY_SHIFT = 1e-6
"""statsmodels takes a spell as at risk from entry <= t; it is so from just after its entry."""
STEPS = {
    "flat": 0.25, "rate": np.log(2), "pain": 0.5, "log_weeks": np.log(2), "just_cleared": 1.0,
}  # fmt: skip
"""By feature: the step that is compared; ``wording.CONTRASTS`` has it in words."""
CHANCE_COLUMNS = (
    "athlete", "rung", "weeks_away", "p_gone", "lapse_12", "lapse_12_low", "lapse_12_high",
    "lapse_26", "lapse_26_low", "lapse_26_high", "text",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class CovariateEffects(Shown):
    """Associations of roster columns with the hazard of clearing.

    ``table`` has one row an effect: ``column, contrast`` (per standard deviation for numbers,
    against the commonest word for text), ``unit`` (what one standard deviation is), ``hazard_ratio,
    low, high, p_value, p_holm, spells, cleared, athletes``; above 1: cleared sooner. ``skipped``
    are ``column, reason`` of those not used, ``level`` is that of the intervals, ``n_left_out``
    counts spells under way at the start of the log whose beginning is unknown.
    """

    table: pd.DataFrame
    skipped: pd.DataFrame
    level: float
    n_left_out: int

    _says: ClassVar = wording.covariate_effects


def covariate_effects(
    records: Records, columns: Sequence[str] | None = None, *,
    as_of: pd.Timestamp | str | None = None, level: float = 0.9,
) -> CovariateEffects:  # fmt: skip
    """Relate roster columns to the hazard of clearing a rung.

    Cox (1972), Efron's handling of ties, stratified by rung (each rung has its own baseline),
    late entry, standard errors clustered by athlete (Lin & Wei 1989, JASA 84:1074). A spell that
    lapsed counts as unfinished. Holm (1979, Scand. J. Statist. 6:65) over all effects shown.

    Parameters
    ----------
    records, as_of
        A log with a roster and its cut date, or histories made from one.
    columns
        Roster columns; all of them where left out.
    level
        Level of the intervals.

    Raises
    ------
    HistoryError
        There is no roster, or a column named is not in it.
    FitError
        ``level`` is out of range.
    """
    check_level("level", level)
    histories = as_histories(records, as_of)
    roster = histories.roster
    if roster.empty or len(roster.columns) == 0:
        raise HistoryError("There is no roster; give one with read_log(..., roster=...).")
    for name in columns or ():
        if name not in roster.columns:
            names = ", ".join(map(str, roster.columns))
            raise HistoryError(f"{name!r} is not a column of the roster; it has: {names}.")
    wanted = roster.columns.drop(SINCE_COLUMN, errors="ignore") if columns is None else columns
    times = spell_times(histories)
    effects, skipped = [], []
    for name in wanted:
        answer = _regress(times.table, str(name), roster[name], level)
        if isinstance(answer, str):
            skipped.append((name, answer))
        else:
            effects.append(answer)
    table = stacked(effects, COLUMNS)
    if len(table):
        table["p_holm"] = multipletests(table["p_value"], method="holm")[1]
    skip = pd.DataFrame(skipped, columns=["column", "reason"])
    return CovariateEffects(table, skip, level, len(times.left_out))


def _coded(values: pd.Series) -> pd.DataFrame | str:
    """Numbers per standard deviation, words as 0/1 against the commonest; or why neither."""
    if pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values):
        numbers = values.astype(float)
        spread = float(numbers.std())
        unit = f"one standard deviation, {spread:.3g}"
        if not spread > 0:
            return wording.SAME
        return pd.DataFrame({unit: (numbers - numbers.mean()) / spread})
    common = values.dropna().astype(str).value_counts()
    if not 2 <= len(common) <= MAX_WORDS:
        return wording.too_many_words(len(common))
    base = min(common[common == common.max()].index)
    words = values.astype("object").where(values.notna()).astype(str)
    return pd.DataFrame(
        {
            f"{word} against {base}": (words == word).astype(float).where(values.notna())
            for word in sorted(set(common.index) - {base})
        }
    )


def _regress(table: pd.DataFrame, name: str, values: pd.Series, level: float) -> pd.DataFrame | str:
    """Return the effects of one column by Cox regression, or why there are none."""
    design = _coded(values)
    if isinstance(design, str):
        return design
    by_spell = design.reindex(table["athlete"])
    noted = by_spell.notna().all(axis=1).to_numpy()
    rows, x = table[noted], by_spell[noted].to_numpy(dtype=float)
    cleared, athletes = int(rows["cleared"].sum()), rows["athlete_id"].nunique()
    if cleared < max(MIN_CLEARED, 5 * x.shape[1]) or athletes < MIN_ATHLETES:
        return wording.too_few_cleared(cleared, athletes)
    if np.linalg.matrix_rank(x - x.mean(axis=0)) < x.shape[1]:
        return wording.TOO_EVEN
    fit = clustered_cox(rows, x)
    low, high = np.exp(fit.conf_int(1 - level)).T
    contrasts = [str(contrast) for contrast in design.columns]
    return pd.DataFrame(
        {
            "column": name, "contrast": contrasts,
            "unit": [text if "deviation" in text else "" for text in contrasts],
            "hazard_ratio": np.exp(fit.params), "low": low, "high": high, "p_value": fit.pvalues,
            "p_holm": np.nan, "spells": len(rows), "cleared": cleared, "athletes": athletes,
        }
    )  # fmt: skip


def clustered_cox(rows: pd.DataFrame, x: np.ndarray) -> PHRegResults:
    """Fit a Cox regression of spells on x (n, k), stratified by rung, errors clustered by athlete.

    ``rows`` have ``entry, exit, cleared, rung_index, athlete_id``, as from ``spell_times``. Raises
    ``FitError`` where the errors are not finite: a column is as good as constant where anything was
    cleared.
    """
    # statsmodels gives spells that were never at risk when another ended a missing residual, which
    # spoils the clustered errors; such spells say nothing about the coefficients either.
    # Rungs nobody cleared have missing ends, and compare as false.
    cleared_at = rows["exit"].where(rows["cleared"]).groupby(rows["rung_index"])
    first, last = cleared_at.transform("min"), cleared_at.transform("max")
    at_risk = ((rows["exit"] >= first) & (rows["entry"] < last)).to_numpy()
    rows, x = rows[at_risk], x[at_risk]
    model = PHReg(
        # A rung cleared on its first day was still a moment at risk.
        np.maximum(rows["exit"].to_numpy(dtype=float), 2 * ENTRY_SHIFT),
        x,
        status=rows["cleared"].to_numpy(dtype=float),
        entry=np.maximum(rows["entry"].to_numpy(dtype=float), 0.0) + ENTRY_SHIFT,
        strata=rows["rung_index"].to_numpy(),
        ties="efron",
    )
    fit = model.fit(groups=rows["athlete_id"].to_numpy())
    if not (np.all(np.isfinite(fit.bse)) and np.all(np.isfinite(fit.params))):
        raise FitError(
            "The Cox regression of clearing has no finite errors: a column hardly varies where "
            "rungs were cleared. Leave it out."
        )
    return fit


@dataclass(frozen=True, slots=True)
class LapseHazard(Shown):
    """Association of lapse with flatness and other things known on a training day.

    ``effects`` has one row a feature: ``feature, contrast, odds_ratio, low, high, p_value``; empty
    where there are fewer than ten lapses. It rests on ``n_days``, ``n_lapses`` and ``n_athletes``;
    days too recent to tell whether another follows are left out. ``level`` is that of the
    intervals.
    """

    effects: pd.DataFrame
    n_days: int
    n_lapses: int
    n_athletes: int
    level: float

    least_lapses: ClassVar = MIN_LAPSES
    _says: ClassVar = wording.lapse_hazard

    def frame(self) -> pd.DataFrame:
        """Return ``effects``."""
        return self.effects.copy()


def lapse_hazard(
    model: Fitted | LogView, log: TrainingLog | None = None,
    as_of: pd.Timestamp | str | None = None, *, level: float = 0.9,
) -> LapseHazard:  # fmt: skip
    """Relate lapse to flatness, as filtered on each training day, and to other things known then.

    Logistic regression on training days (a discrete-time hazard, Prentice & Gloeckler 1978), errors
    clustered by athlete. ``flat`` is a time-varying covariate and uses nothing later than that day.

    Parameters
    ----------
    model, log, as_of
        A view, or a fitted forecaster, a log and its cut date, as ``readiness.as_view`` takes them.
    level
        Level of the intervals.
    """
    return hazard_of(as_view(model, log, as_of).training_days, level)


def hazard_of(days: pd.DataFrame, level: float) -> LapseHazard:
    """Relate lapse to the features of training days already laid out."""
    # Days of which it is open whether another follows are left out even where one did: keeping one
    # kind only would make lapse look rarer than it is.
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
    names = [name for name, kept in zip(FEATURES, varied[1:], strict=True) if kept]
    step = np.array([STEPS[name] for name in names])
    ratios = np.exp(np.column_stack([fit.params, fit.conf_int(1 - level)])[1:] * step[:, None])
    contrasts = [wording.CONTRASTS[name] for name in names]
    rows = zip(names, contrasts, *ratios.T, fit.pvalues[1:], strict=True)
    return LapseHazard(pd.DataFrame(rows, columns=columns), len(settled), lapses, people, level)


def lapse_chance(
    model: Fitted | LogView, log: TrainingLog | None = None,
    as_of: pd.Timestamp | str | None = None, *, seed: int | None = None,
) -> pd.DataFrame:  # fmt: skip
    """Return, for each rung under way, the chance that the athlete stops within 12 and 26 weeks.

    Being forecast to clear assumes no lapse; this figure stands beside that and is not mixed in. It
    is learnt when the model is fitted, and is the ``p_lapse_26`` of its forecasts.

    Parameters
    ----------
    model, log, as_of
        A view, or a fitted forecaster, a log and its cut date, as ``readiness.as_view`` takes them.
    seed
        Of the draws behind the 80 % ranges; the model's own where left out.

    Returns
    -------
    DataFrame
        One row an open spell: ``p_gone`` is the chance that the last training day has been already,
        ``lapse_12`` and ``lapse_26`` that it will have been by then, with 80 % ranges; ``text``
        says it in words. All rungs of an athlete share them.
    """
    view = as_view(model, log, as_of)
    open_spells = view.histories.open_spells
    if open_spells.empty:
        return pd.DataFrame(columns=list(CHANCE_COLUMNS))
    rows = open_spells[["athlete", "rung", "athlete_id", "rung_index"]]
    table = rows.merge(view.lapse_chances(seed), left_on="athlete_id", right_index=True)
    table = table.sort_values(["athlete", "rung_index"]).reset_index(drop=True)
    table["text"] = [wording.lapse_chance(row) for _, row in table.iterrows()]
    return table[list(CHANCE_COLUMNS)]
