"""What a backtest found, as tables and as text."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from forecast.backtest.scoring import BETTER

SUMMARY_SCORES = ("crps_weeks", "brier_12", "log_score", "coverage_80", "concordance")


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

    def summary(self) -> str:
        """Return a few lines and a small table in words an analyst can pass on."""
        followed = self.outcomes[self.outcomes["cleared"] | (self.outcomes["weeks"] > 0)]
        lapsed = int((followed["ended_by"] == "lapsed").sum())
        gone = len(self.outcomes) - len(followed)
        lines = [
            f"Backtest at {len(self.cuts)} blind cut date{'s' * (len(self.cuts) != 1)}, "
            f"{self.cuts[0].date()} to {self.cuts[-1].date()}: {len(followed)} forecasts for "
            f"{followed['athlete'].nunique()} athletes, {int(followed['cleared'].sum())} cleared.",
            f"Scored over {self.scored_weeks} of {self.horizon_weeks} weeks; the others were "
            f"followed for a median of {_median_followed(followed)} weeks, {lapsed} of them until "
            "they lapsed (weighted for, as if lapsing had nothing to do with being near).",
        ]
        if gone:
            lines.append(f"{gone} open spells had already stopped at the cut and are not scored.")
        lines += ["", self._text_table(), ""]
        lines.append(f"Ranges: {self.level:.0%} over resampled athletes.")
        if followed["athlete"].nunique() < 10:
            lines.append("Fewer than 10 athletes: the ranges are rough, and so is any ranking.")
        lines += [
            f"Failed: {name} at {pd.Timestamp(as_of).date()}: {reason}"
            for name, as_of, reason in self.failures.to_numpy()
        ]
        return "\n".join(lines)

    def _text_table(self) -> str:
        kept = self.scores[self.scores["score"].isin(SUMMARY_SCORES)]
        order = self.table("crps_weeks").index
        text = kept.assign(text=[_cell(row) for row in kept.itertuples()]).pivot(
            index="forecaster", columns="score", values="text"
        )
        shown = text.reindex(index=order, columns=list(SUMMARY_SCORES))
        shown.insert(0, "n", kept.groupby("forecaster")["n"].first().reindex(order))
        return shown.rename_axis(index=None, columns=None).to_string()


def _cell(row: object) -> str:
    value, low, high = (getattr(row, name) for name in ("value", "low", "high"))
    return "-" if not np.isfinite(value) else f"{value:.3g} ({low:.3g} to {high:.3g})"


def _median_followed(followed: pd.DataFrame) -> str:
    open_still = followed.loc[~followed["cleared"], "weeks"]
    return "-" if open_still.empty else f"{open_still.median():.0f}"
