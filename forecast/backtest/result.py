"""What a backtest measured: tables, their text, and a file that a report can carry."""

from __future__ import annotations

import io
from dataclasses import dataclass, field, fields
from pathlib import Path

import pandas as pd

from forecast.backtest.scoring import BETTER
from forecast.errors import ForecastError
from forecast.log import add_tables, read_tables, write_whole
from forecast.words import backtest as wording


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

    scores: pd.DataFrame = field(repr=False)
    differences: pd.DataFrame = field(repr=False)
    forecasts: pd.DataFrame = field(repr=False)
    outcomes: pd.DataFrame = field(repr=False)
    calibration: pd.DataFrame = field(repr=False)
    failures: pd.DataFrame = field(repr=False)
    notes: pd.DataFrame = field(repr=False)
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
        return wording.held(self)

    @property
    def verdict(self) -> str:
        """What can be quoted to whoever reads no tables: did the range hold, and who was nearer."""
        return wording.verdict(self)

    def summary(self) -> str:
        """Return a few lines and small tables in words an analyst can pass on."""
        return wording.summary(self)


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

    Raises ``ForecastError`` if the file is not there, can't be read, or is not a backtest.
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
            f"{path} is not a backtest of this version; write one with 'backtest PATH... --keep "
            "FILE' (a table of scores from --scores is not enough)."
        ) from error
