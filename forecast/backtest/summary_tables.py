"""A backtest's scores as small text tables, each with its unit and which way is better."""

from __future__ import annotations

import numpy as np
import pandas as pd

from forecast.log import in_percent

BLOCKS: dict[str, dict[str, tuple[str, str]]] = {
    "Overall. CRPS is how far off the curve was, in weeks; concordance 0.5 is a coin": {
        "crps_weeks": ("CRPS, weeks (less)", ".2f"),
        "log_score": ("log score (less)", ".2f"),
        "concordance": ("concordance (more)", ".2f"),
        "auc_12": ("AUC, 12 weeks (more)", ".2f"),
    },
    "Brier score of the chance to have cleared within some weeks; less is better": {
        f"brier_{week}": (f"{week} weeks", ".3f") for week in (4, 8, 12, 26)
    },
    "Share of outcomes inside the ranges, which should be what the range says": {
        "coverage_50": ("50 % range", ".0%"),
        "coverage_80": ("80 % range", ".0%"),
        "coverage_95": ("95 % range", ".0%"),
        "width_80_weeks": ("80 %: weeks wide", ".1f"),
    },
}
"""Title of each table: its scores with their headings and formats."""

PAIRED = {
    "crps_weeks": ("CRPS, weeks", "+.2f"),
    "log_score": ("log score", "+.2f"),
    "brier_12": ("Brier, 12 weeks", "+.3f"),
}
"""The same for differences."""

MEANINGS = {
    "model": "both engines pooled, then recalibrated",
    "growth alone": "a growing level, and simulated sessions until they meet the criterion",
    "survival alone": "a hazard of clearing from what was known at the cut",
    "pool without recalibration": "both engines pooled, no more",
    "straight_line": "the trend of a spreadsheet, drawn on to the pass mark",
    "cohort_curve": "Kaplan-Meier by rung, given the weeks already served",
    "weibull_landmark": "Weibull regression of the weeks to go on figures known at the cut",
    "mixed_model": "random slopes of log level, and simulated sessions",
    "survival_forest": "a random survival forest on the figures of weibull_landmark",
}
"""What each forecaster does, in a line."""


def score_blocks(scores: pd.DataFrame, calibration: pd.DataFrame, order: pd.Index) -> list[str]:
    """Return the tables of ``BLOCKS``, forecasters in this order.

    A score that could not be formed for anybody has no column.
    """
    blocks = []
    for title, kinds in BLOCKS.items():
        columns = {
            heading: _cells(scores, score, form, order) for score, (heading, form) in kinds.items()
        }
        table = pd.DataFrame(columns, index=order)
        table = table.loc[:, (table != "-").any()]
        if "Share" in title:
            title += "; p tests that chances are spread evenly (D-calibration)"
            table["p"] = _d_calibration(calibration, order)
        if not table.empty:
            blocks.append(_text(f"{title}.", table))
    return blocks


def paired_block(differences: pd.DataFrame, model: str, order: pd.Index) -> str:
    """Return the model less each other forecaster on the rows both answered; "" without a model."""
    rows = differences[differences["forecaster"] == model].assign(
        value=lambda frame: frame["difference"], forecaster=lambda frame: frame["against"]
    )
    others = order[order.isin(rows["forecaster"])]
    table = pd.DataFrame(
        {head: _cells(rows, score, form, others) for score, (head, form) in PAIRED.items()},
        index=others,
    )
    table = table.loc[:, (table != "-").any()]
    title = f"The {model} less each of the others, case by case; below 0 the {model} is better."
    return "" if table.empty else _text(title, table)


def meanings(order: pd.Index) -> list[str]:
    """Return a line on each forecaster that is known by name."""
    width = max(len(name) for name in order)
    return [f"{name:<{width}}  {MEANINGS[name]}" for name in order if name in MEANINGS]


def _cells(rows: pd.DataFrame, score: str, form: str, order: pd.Index) -> pd.Series:
    known = rows[rows["score"] == score].set_index("forecaster")[["value", "low", "high"]]
    known = known.reindex(order)
    cells = [_cell(value, low, high, form) for value, low, high in known.to_numpy(float)]
    return pd.Series(cells, index=order, dtype="str")


def _cell(value: float, low: float, high: float, form: str) -> str:
    if not np.isfinite(value):
        return "-"
    if form.endswith("%"):
        return f"{in_percent(value)} ({100 * low:.0f} to {100 * high:.0f})"
    return f"{value:{form}} ({low:{form}} to {high:{form}})"


def _d_calibration(calibration: pd.DataFrame, order: pd.Index) -> pd.Series:
    rows = calibration[calibration["check"] == "d_calibration"]
    p = rows.groupby("forecaster")["p_value"].first().reindex(order)
    words = ["<0.001" if value < 0.001 else f"{value:.3f}" for value in p]
    return pd.Series(words, index=order, dtype="str")


def _text(title: str, table: pd.DataFrame) -> str:
    return f"{title}\n{table.rename_axis(index=None, columns=None).to_string()}"
