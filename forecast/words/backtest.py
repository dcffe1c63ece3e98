"""What a backtest says: its scores as text tables, what can be quoted of it, and notes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from forecast.log import in_percent
from forecast.words import say

MODEL = "model"
"""Name of the forecaster under test."""
TABLES = say.TEXTS["score_tables"]
PAIRED = say.TEXTS["score_differences"]
MEANINGS = say.TEXTS["forecasters"]
"""Tables of scores, of differences, and what each forecaster does, in a line."""


def no_rising_line(flat: int, spells: int) -> str:
    """Return the note of a straight line that never reaches the mark."""
    return f"{flat} of {spells} open spells had no rising line: never within the horizon"


def borrowed(spells: int, least: int, rungs: Sequence[str]) -> str:
    """Return the note of rungs without a curve of their own."""
    return (
        f"{spells} open spells took the curve of all rungs, for fewer than {least} clearings of "
        f"their own: {', '.join(rungs)}"
    )


def beyond(spells: int) -> str:
    """Return the note of spells past anybody's experience."""
    return f"{spells} open spells had lasted longer than any followed before"


def warned(message: object) -> str:
    """Return the note of a fit at its boundary."""
    return f"the mixed model warned: {message}"


def no_curve(missing: int, spells: int) -> str:
    """Return why a forecaster's answer is incomplete."""
    return f"gave no curve for {missing} of {spells} spells"


def held(result: Any) -> str:
    """Return how often the 80 % range held, without its stop."""
    if MODEL not in result.table("crps_weeks").index:
        return "The model could not be scored at any cut date; see what failed"
    share = result.table("coverage_80").loc[MODEL, "value"]
    return (
        f"Of forecasts made blind at {len(result.cuts)} past date{'s' * (len(result.cuts) != 1)}, "
        f"the range meant to hold 8 times in 10 held {10 * share:.1f} times in 10"
    )


def verdict(result: Any) -> str:
    """Return what can be quoted to whoever reads no tables."""
    off = result.table("crps_weeks")["value"]
    if MODEL not in off.index:
        return f"{held(result)}."
    rivals = "; ".join(
        f"{name.replace('_', ' ')} {value:.1f}" for name, value in off.drop(MODEL).items()
    )
    beside = f" (others: {rivals})" if rivals else ""
    return (
        f"{held(result)}, and forecasts were {off[MODEL]:.1f} weeks off, the whole range "
        f"counted{beside}."
    )


def summary(result: Any) -> str:
    """Return a few lines and small tables."""
    followed = result.outcomes[result.outcomes["cleared"] | (result.outcomes["weeks"] > 0)]
    lapsed = int((followed["ended_by"] == "lapsed").sum())
    stopped = len(result.outcomes) - len(followed)
    still_open = followed.loc[~followed["cleared"], "weeks"]
    median = "-" if still_open.empty else f"{still_open.median():.0f}"
    athletes = followed["athlete"].nunique()
    lines = [
        f"Backtest at {len(result.cuts)} blind cut date{'s' * (len(result.cuts) != 1)}, "
        f"{' to '.join(sorted({str(cut.date()) for cut in (result.cuts[0], result.cuts[-1])}))}: "
        f"{len(followed)} forecasts for {athletes} athletes, {int(followed['cleared'].sum())} "
        "cleared.",
        f"Scored over {result.scored_weeks} of {result.horizon_weeks} weeks; the others were "
        f"followed for a median of {median} weeks, {lapsed} of them until "
        "they lapsed (weighted for, as if lapsing had nothing to do with being near).",
    ]
    if stopped:
        lines.append(f"{stopped} open spells had already stopped at the cut and are not scored.")
    order = result.table("crps_weeks").index
    blocks = ["\n".join(lines)]
    for block in TABLES:
        title, table = block["title"], _table(result.scores, block["scores"], order)
        if "Share" in title:
            title += "; p tests that chances are spread evenly (D-calibration)"
            checks = result.calibration[result.calibration["check"] == "d_calibration"]
            p = checks.groupby("forecaster")["p_value"].first().reindex(order)
            table["p"] = ["<0.001" if value < 0.001 else f"{value:.3f}" for value in p]
        blocks += [_text(f"{title}.", table)] if not table.empty else []
    paired = result.differences[result.differences["forecaster"] == MODEL]
    paired = paired.assign(value=paired["difference"], forecaster=paired["against"])
    table = _table(paired, PAIRED, order[order.isin(paired["forecaster"])])
    if not table.empty:
        title = f"The {MODEL} less each of the others, case by case; below 0 the {MODEL} is better."
        blocks.append(_text(title, table))
    width = max(len(name) for name in order)
    known = [f"{name:<{width}}  {MEANINGS[name]}" for name in order if name in MEANINGS]
    return "\n\n".join([*blocks, "\n".join([*known, *_remarks(result, athletes)])])


def _remarks(result: Any, athletes: int) -> list[str]:
    """What to make of the ranges, and what went wrong."""
    lines = [
        f"In brackets: {in_percent(result.level)} ranges over resampled athletes. Cuts of one "
        "athlete are alike, so the p of D-calibration is too small.",
        "PIT histogram and reliability by week: result.calibration.",
    ]
    if athletes < 10:
        lines.append("Fewer than 10 athletes: the ranges are rough, and so is any ranking.")
    reasons = result.failures.groupby(["forecaster", "reason"], sort=False)["as_of"]
    lines += [
        f"Failed: {name} at {', '.join(str(day.date()) for day in cuts)}: {reason}"
        for (name, reason), cuts in reasons
    ]
    if len(result.notes):
        counts = result.notes.groupby("forecaster", sort=False).size()
        listed = ", ".join(f"{name} {count}" for name, count in counts.items())
        lines.append(f"Notes on what was made do with, in result.notes: {listed}.")
    return lines


def _table(rows: pd.DataFrame, kinds: dict[str, tuple[str, str]], order: pd.Index) -> pd.DataFrame:
    """A column a score; one that could not be formed for anybody is left out."""
    columns = {}
    for score, (heading, form) in kinds.items():
        mine = rows[rows["score"] == score].set_index("forecaster")[["value", "low", "high"]]
        cells = [_cell(v, low, high, form) for v, low, high in mine.reindex(order).to_numpy(float)]
        columns[heading] = pd.Series(cells, index=order, dtype="str")
    table = pd.DataFrame(columns, index=order)
    return table.loc[:, (table != "-").any()]


def _cell(value: float, low: float, high: float, form: str) -> str:
    if not np.isfinite(value):
        return "-"
    if form.endswith("%"):
        return f"{in_percent(value)} ({100 * low:.0f} to {100 * high:.0f})"
    return f"{value:{form}} ({low:{form}} to {high:{form}})"


def _text(title: str, table: pd.DataFrame) -> str:
    return f"{title}\n{table.rename_axis(index=None, columns=None).to_string()}"
