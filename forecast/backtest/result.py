"""What a backtest found, as tables and as text."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from forecast.backtest.scoring import BETTER
from forecast.backtest.summary_tables import meanings, paired_block, score_blocks
from forecast.log import in_percent

MODEL = "model"
"""Name of the forecaster under test."""


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
        lines = [
            f"Backtest at {len(self.cuts)} blind cut date{'s' * (len(self.cuts) != 1)}, "
            f"{' to '.join(sorted({str(cut.date()) for cut in (self.cuts[0], self.cuts[-1])}))}: "
            f"{len(followed)} forecasts for "
            f"{followed['athlete'].nunique()} athletes, {int(followed['cleared'].sum())} cleared.",
            f"Scored over {self.scored_weeks} of {self.horizon_weeks} weeks; the others were "
            f"followed for a median of {_median_followed(followed)} weeks, {lapsed} of them until "
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


def _median_followed(followed: pd.DataFrame) -> str:
    open_still = followed.loc[~followed["cleared"], "weeks"]
    return "-" if open_still.empty else f"{open_still.median():.0f}"
