"""From facts and chances by day to the public tables of a forecast."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from forecast.histories import Histories
from forecast.readiness.facts import UNKNOWN
from forecast.readiness.marks import with_usual
from forecast.readiness.reasons import confidence_words, reason_rows, warning_text
from forecast.readiness.result import (
    DIGITS,
    SUMMARY_COLUMNS,
    ReadinessForecast,
    curve_table,
    time_columns,
)
from forecast.types import Array


def assemble(
    parts: Sequence[tuple[pd.DataFrame, Array]],
    histories: Histories,
    lapse: pd.Series,
    *,
    horizon_weeks: int,
    engine: str,
) -> ReadinessForecast:
    """Put facts and chances into the public tables, sorted by athlete and ladder order.

    ``parts`` are facts of open rungs with their (rows, D + 1) chances by day; ``lapse`` is the
    chance by athlete of having stopped for good, or stopping, within 26 weeks.
    """
    days = 7 * horizon_weeks + 1
    facts = pd.concat([f for f, _ in parts], ignore_index=True) if parts else _no_facts()
    chances = np.concatenate([c for _, c in parts]) if parts else np.empty((0, days))
    place = facts["rung"].map({key: i for i, key in enumerate(histories.ladder.keys)})
    order = facts.assign(place=place).sort_values(["athlete", "place"], kind="stable").index
    facts, chances = facts.loc[order].reset_index(drop=True), chances[order.to_numpy()]
    summary = pd.concat([facts, time_columns(chances, histories.as_of)], axis=1)
    summary["gain_per_week"] = summary["gain_lately"]
    summary["sessions_per_week"] = summary["rate"]
    summary["state"], summary["p_flat"] = "unclear", np.nan
    summary["p_lapse_26"] = facts["athlete"].map(lapse).astype(float).round(DIGITS)
    summary["confidence"] = confidence_words(facts)
    summary["warnings"] = warning_text(facts)
    numbers = [
        *("level", "level_value", "gain_per_week", "p_next_session", "met_expected"),
        *("gain_lately", "gain_lately_low", "gain_lately_high", "gain_ahead"),
        *("p_flat", "sessions_per_week"),
    ]
    summary[numbers] = summary[numbers].astype(float).round(DIGITS)
    rungs = {rung.key: rung for rung in histories.ladder.rungs}
    return ReadinessForecast(
        summary=summary[list(SUMMARY_COLUMNS)],
        curve=curve_table(facts, chances),
        reasons=reason_rows(with_usual(facts, histories, histories.ladder), rungs),
        as_of=histories.as_of,
        horizon_weeks=horizon_weeks,
        engine=engine,
    )


def _no_facts() -> pd.DataFrame:
    """An empty facts table with its types, for logs where nobody has an open rung."""
    words = ("athlete", "rung", "rung_name", "nothing_counts")
    text = {name: pd.Series(dtype="str") for name in words}
    numbers = (
        *UNKNOWN, "pain", "run", "sessions", "met_of", "met_lately", "target", "level",
        "level_value", "gain_lately", "gain_lately_low", "gain_lately_high", "gain_ahead",
        "comparable", "p_next_session", "load_known", "back_weeks", "back_known",
    )  # fmt: skip
    return pd.DataFrame({**text, **{name: pd.Series(dtype=float) for name in numbers}})
