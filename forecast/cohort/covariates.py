"""Do age, body mass, training years go with the time to clear? Cox regression on the roster."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import norm
from statsmodels.duration.hazard_regression import PHReg, PHRegResults
from statsmodels.stats.multitest import multipletests

from forecast.cohort.records import SINCE_COLUMN, Records, Shown, as_histories, spell_times
from forecast.errors import FitError, HistoryError, check_level
from forecast.log import counted

MIN_CLEARED = 15
MIN_ATHLETES = 10
MAX_WORDS = 8
"""A text column with more different words than this is a name or a note, not a group."""
COLUMNS = [
    "column", "contrast", "unit", "hazard_ratio", "low", "high", "p_value", "p_holm", "spells",
    "cleared", "athletes",
]  # fmt: skip
ENTRY_SHIFT = 1e-6
"""statsmodels takes a spell as at risk from entry <= t; it is so from just after its entry."""


@dataclass(frozen=True, slots=True)
class CovariateEffects(Shown):
    """Associations of roster columns with the hazard of clearing.

    Attributes
    ----------
    table
        One row an effect: ``column, contrast`` (per standard deviation for numbers, against the
        commonest word for text), ``unit`` (what one standard deviation is), ``hazard_ratio,
        low, high, p_value, p_holm, spells, cleared, athletes``. Above 1: cleared sooner.
    skipped
        Columns not used, and why: ``column, reason``.
    level
        Level of the intervals.
    n_left_out
        Spells under way at the start of the log whose beginning is unknown.
    """

    table: pd.DataFrame
    skipped: pd.DataFrame
    level: float
    n_left_out: int

    def frame(self) -> pd.DataFrame:
        """Return the table."""
        return self.table.copy()

    @property
    def text(self) -> str:
        """What the table says, in sentences."""
        if self.table.empty:
            return f"No roster column could be looked at. {self._why_skipped()}".strip()
        clear = self.table[self.table["p_holm"] <= 1 - self.level]
        lines = [
            f"{counted(len(self.table), 'effect')} looked at one at a time, within rungs; with so "
            f"many looks, p-values are adjusted (Holm): {len(clear)} stand out."
        ]
        for _, row in clear.iterrows():
            faster = "sooner" if row["hazard_ratio"] > 1 else "later"
            lines.append(
                f"{row['column']} ({row['contrast']}): cleared {faster}, hazard ratio "
                f"{row['hazard_ratio']:.2f} ({row['low']:.2f} to {row['high']:.2f})."
            )
        if len(self.skipped):
            lines.append(f"Left out: {self._why_skipped()}")
        lines.append("This is association: who differs in one thing differs in others.")
        return " ".join(lines)

    def _why_skipped(self) -> str:
        """Each reason once, with the columns it holds for."""
        why = self.skipped.groupby("reason", sort=False)["column"].agg(", ".join)
        return "".join(f"{columns}: {reason}. " for reason, columns in why.items()).strip()


def covariate_effects(
    records: Records,
    columns: Sequence[str] | None = None,
    *,
    as_of: pd.Timestamp | str | None = None,
    level: float = 0.9,
) -> CovariateEffects:
    """Relate roster columns to the hazard of clearing a rung.

    Parameters
    ----------
    records
        A log with a roster, or histories made from one.
    columns
        Roster columns; all of them where left out.
    as_of
        Cut date for a log.
    level
        Level of the intervals.

    Raises
    ------
    HistoryError
        There is no roster, or a column named is not in it.
    FitError
        ``level`` is out of range.

    Notes
    -----
    Cox (1972), Efron's handling of ties, stratified by rung (each rung has its own baseline),
    late entry, standard errors clustered by athlete (Lin & Wei 1989, JASA 84:1074). A spell that
    lapsed counts as unfinished. Holm (1979, Scand. J. Statist. 6:65) over all effects shown.
    """
    check_level("level", level)
    histories = as_histories(records, as_of)
    roster = histories.roster
    if roster.empty or len(roster.columns) == 0:
        raise HistoryError("There is no roster; give one with read_log(..., roster=...).")
    names = [str(name) for name in roster.columns]
    wanted = [name for name in names if name != SINCE_COLUMN] if columns is None else list(columns)
    for name in wanted:
        if name not in names:
            raise HistoryError(
                f"{name!r} is not a column of the roster; it has: {', '.join(names)}."
            )
    times = spell_times(histories)
    coded, skipped = _coded(roster, wanted)
    parts = []
    for name, design in coded.items():
        part, reason = _regress(times.table, name, design, level)
        parts.append(part)
        skipped += [(name, reason)] if reason else []
    table = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=COLUMNS)
    if len(table):
        table["p_holm"] = multipletests(table["p_value"], method="holm")[1]
    return CovariateEffects(
        table=table[COLUMNS],
        skipped=pd.DataFrame(skipped, columns=["column", "reason"]),
        level=level,
        n_left_out=len(times.left_out),
    )


def _coded(
    roster: pd.DataFrame, wanted: list[str]
) -> tuple[dict[str, pd.DataFrame], list[tuple[str, str]]]:
    """Numbers per standard deviation, words as 0/1 against the commonest; and what can't be."""
    coded: dict[str, pd.DataFrame] = {}
    skipped: list[tuple[str, str]] = []
    for name in wanted:
        values = roster[name]
        if pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values):
            numbers = values.astype(float)
            spread = float(numbers.std())
            if not spread > 0:
                skipped.append((name, "the same for everybody"))
                continue
            unit = f"one standard deviation, {spread:.3g}"
            coded[name] = pd.DataFrame({unit: (numbers - numbers.mean()) / spread})
            continue
        words = values.dropna().astype(str)
        common = words.value_counts()
        if not 2 <= len(common) <= MAX_WORDS:
            skipped.append((name, f"{counted(len(common), 'different word')}, 2 to 8 can be used"))
            continue
        base = sorted(common[common == common.max()].index)[0]
        others = sorted(set(common.index) - {base})
        text = values.astype("object").where(values.notna())
        frame = {
            f"{word} against {base}": (text.astype(str) == word).astype(float).where(values.notna())
            for word in others
        }
        coded[name] = pd.DataFrame(frame, index=roster.index)
    return coded, skipped


def _regress(
    table: pd.DataFrame, name: str, design: pd.DataFrame, level: float
) -> tuple[pd.DataFrame, str]:
    """One Cox regression; an empty table and the reason where there is too little to go by."""
    by_spell = design.reindex(table["athlete"])
    noted = by_spell.notna().all(axis=1).to_numpy()
    rows, x = table[noted], by_spell[noted].to_numpy(dtype=float)
    cleared, athletes = int(rows["cleared"].sum()), rows["athlete_id"].nunique()
    if cleared < max(MIN_CLEARED, 5 * x.shape[1]) or athletes < MIN_ATHLETES:
        return pd.DataFrame(columns=COLUMNS), (
            f"not enough data: {cleared} cleared spells of {athletes} athletes where it is known"
        )
    if np.linalg.matrix_rank(x - x.mean(axis=0)) < x.shape[1]:
        return pd.DataFrame(columns=COLUMNS), "does not vary enough among these athletes"
    fit = clustered_cox(rows, x)
    z = float(norm.ppf((1 + level) / 2))
    contrasts = [str(contrast) for contrast in design.columns]
    effects = pd.DataFrame(
        {
            "column": name,
            "contrast": contrasts,
            "unit": [text if "deviation" in text else "" for text in contrasts],
            "hazard_ratio": np.exp(fit.params),
            "low": np.exp(fit.params - z * fit.bse),
            "high": np.exp(fit.params + z * fit.bse),
            "p_value": 2 * norm.sf(np.abs(fit.params / fit.bse)),
            "p_holm": np.nan,
            "spells": len(rows),
            "cleared": cleared,
            "athletes": athletes,
        }
    )
    return effects, ""


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
