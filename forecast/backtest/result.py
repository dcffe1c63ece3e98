"""What a backtest found: tables, text, and a file that a report can carry."""

from __future__ import annotations

import io
from dataclasses import dataclass, fields
from pathlib import Path

import numpy as np
import pandas as pd

from forecast.backtest.scoring import BETTER
from forecast.errors import ForecastError
from forecast.log import add_tables, in_percent, read_tables, write_whole

MODEL = "model"
"""Name of the forecaster under test."""
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


@dataclass(frozen=True, slots=True)
class BacktestResult:
    """Scores of every forecaster on athletes still on the rung at each cut.

    Attributes
    ----------
    scores
        ``forecaster, score, value, low, high, better, n``; ranges over resampled athletes.
    differences
        ``forecaster, against, score, difference, low, high, n``, on rows both answered.
    forecasts
        ``forecaster, as_of, athlete, rung, week, p_cleared, weeks, cleared``: every curve with
        what came of it.
    outcomes
        ``as_of, athlete, rung, weeks, cleared, ended_by``, one row an open spell and cut.
    calibration
        PIT, D-calibration and reliability; see ``calibration_table``.
    failures
        ``forecaster, as_of, reason``: no fit, no curve, or not installed. Nothing was put in
        their place.
    notes
        ``forecaster, as_of, note``.
    cuts
        The cut dates.
    horizon_weeks, scored_weeks
        Length of the curves, and the weeks scored: up to where one in ten was still followed.
    level
        Level of the ranges.
    """

    scores: pd.DataFrame
    differences: pd.DataFrame
    forecasts: pd.DataFrame
    outcomes: pd.DataFrame
    calibration: pd.DataFrame
    failures: pd.DataFrame
    notes: pd.DataFrame
    cuts: tuple[pd.Timestamp, ...]
    horizon_weeks: int
    scored_weeks: int
    level: float

    def table(self, score: str = "crps_weeks") -> pd.DataFrame:
        """Return the rows of one score, best first, indexed by forecaster."""
        rows = self.scores[self.scores["score"] == score].set_index("forecaster")
        if BETTER[score] == "nominal":
            nominal = float(score.split("_")[1]) / 100
            return rows.loc[(rows["value"] - nominal).abs().sort_values(kind="stable").index]
        return rows.sort_values("value", ascending=BETTER[score] == "lower", kind="stable")

    @property
    def held(self) -> str:
        """How often the 80 % range held, in a sentence without its stop."""
        if MODEL not in self.table("crps_weeks").index:
            return "The model could not be scored at any cut date; see what failed"
        share = self.table("coverage_80").loc[MODEL, "value"]
        return (
            f"Of forecasts made blind at {len(self.cuts)} past date"
            f"{'s' * (len(self.cuts) != 1)}, the range meant to hold 8 times in 10 held "
            f"{10 * share:.1f} times in 10"
        )

    @property
    def verdict(self) -> str:
        """What can be quoted to whoever reads no tables: did the range hold, and who was nearer."""
        off = self.table("crps_weeks")["value"]
        if MODEL not in off.index:
            return f"{self.held}."
        rivals = "; ".join(
            f"{name.replace('_', ' ')} {value:.1f}" for name, value in off.drop(MODEL).items()
        )
        beside = f" (others: {rivals})" if rivals else ""
        return (
            f"{self.held}, and forecasts were {off[MODEL]:.1f} weeks off, the whole range "
            f"counted{beside}."
        )

    def summary(self) -> str:
        """Return a few lines and small tables in words an analyst can pass on."""
        followed = self.outcomes[self.outcomes["cleared"] | (self.outcomes["weeks"] > 0)]
        lapsed = int((followed["ended_by"] == "lapsed").sum())
        stopped = len(self.outcomes) - len(followed)
        still_open = followed.loc[~followed["cleared"], "weeks"]
        median = "-" if still_open.empty else f"{still_open.median():.0f}"
        lines = [
            f"Backtest at {len(self.cuts)} blind cut date{'s' * (len(self.cuts) != 1)}, "
            f"{' to '.join(sorted({str(cut.date()) for cut in (self.cuts[0], self.cuts[-1])}))}: "
            f"{len(followed)} forecasts for "
            f"{followed['athlete'].nunique()} athletes, {int(followed['cleared'].sum())} cleared.",
            f"Scored over {self.scored_weeks} of {self.horizon_weeks} weeks; the others were "
            f"followed for a median of {median} weeks, {lapsed} of them until "
            "they lapsed (weighted for, as if lapsing had nothing to do with being near).",
        ]
        if stopped:
            lines.append(
                f"{stopped} open spells had already stopped at the cut and are not scored."
            )
        order = self.table("crps_weeks").index
        blocks = ["\n".join(lines), *score_blocks(self.scores, self.calibration, order)]
        paired = paired_block(self.differences, MODEL, order)
        blocks += [paired] if paired else []
        blocks.append("\n".join([*meanings(order), *self._remarks(followed["athlete"].nunique())]))
        return "\n\n".join(blocks)

    def _remarks(self, athletes: int) -> list[str]:
        """Sentences on what to make of the ranges, and on what went wrong."""
        lines = [
            f"In brackets: {in_percent(self.level)} ranges over resampled athletes. Cuts of one "
            "athlete are alike, so the p of D-calibration is too small.",
            "PIT histogram and reliability by week: result.calibration.",
        ]
        if athletes < 10:
            lines.append("Fewer than 10 athletes: the ranges are rough, and so is any ranking.")
        lines += [
            f"Failed: {name} at {', '.join(str(day.date()) for day in cuts)}: {reason}"
            for (name, reason), cuts in self.failures.groupby(["forecaster", "reason"], sort=False)[
                "as_of"
            ]
        ]
        if len(self.notes):
            counts = self.notes.groupby("forecaster", sort=False).size()
            told = ", ".join(f"{name} {count}" for name, count in counts.items())
            lines.append(f"Notes on what was made do with, in result.notes: {told}.")
        return lines


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


FORMAT = 1
_NUMBERS = ("horizon_weeks", "scored_weeks", "level")
_TABLES = tuple(f.name for f in fields(BacktestResult) if f.name not in (*_NUMBERS, "cuts"))


def save_backtest(result: BacktestResult, path: str | Path) -> Path:
    """Write a backtest to a zip file for ``load_backtest``: whole, or ``ForecastError``."""
    cuts = [cut.isoformat() for cut in result.cuts]
    plain = {name: getattr(result, name) for name in _NUMBERS} | {"format": FORMAT, "cuts": cuts}
    tables = {name: getattr(result, name).reset_index(drop=True) for name in _TABLES}
    packed = io.BytesIO()
    add_tables(packed, "backtest", plain, tables)
    return write_whole(Path(path), packed.getvalue())


def load_backtest(path: str | Path) -> BacktestResult:
    """Read a backtest that ``save_backtest`` wrote.

    Raises ``ForecastError`` if the file is not there, can't be read, or is no backtest.
    """
    try:
        plain, tables = read_tables(path, "backtest")
        if plain["format"] != FORMAT:
            raise ValueError(f"format {plain['format']}")
        cuts = tuple(pd.Timestamp(cut) for cut in plain["cuts"])
        return BacktestResult(**tables, **{name: plain[name] for name in _NUMBERS}, cuts=cuts)
    except OSError as error:
        raise ForecastError(
            f"The backtest {path} can't be read ({error.strerror}); check the name, or write one "
            "with 'backtest PATH... --keep FILE'."
        ) from error
    except (LookupError, TypeError, ValueError) as error:
        raise ForecastError(
            f"{path} is no backtest of this version; write one with 'backtest PATH... --keep FILE' "
            "(a table of scores from --scores is not enough)."
        ) from error
