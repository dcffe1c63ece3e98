"""A backtest in a file, so that a report can carry its verdict without running it again."""

from __future__ import annotations

import io
from dataclasses import fields
from pathlib import Path

import pandas as pd

from forecast.backtest.result import BacktestResult
from forecast.errors import ForecastError
from forecast.log import add_tables, read_tables, write_whole

FORMAT = 1
_NUMBERS = ("horizon_weeks", "scored_weeks", "level")
_TABLES = tuple(f.name for f in fields(BacktestResult) if f.name not in (*_NUMBERS, "cuts"))


def save_backtest(result: BacktestResult, path: str | Path) -> Path:
    """Write a backtest to a zip file for ``load_backtest``: whole, or ``ForecastError``."""
    said = {name: getattr(result, name) for name in _NUMBERS} | {
        "format": FORMAT,
        "cuts": [cut.isoformat() for cut in result.cuts],
    }
    packed, tables = io.BytesIO(), {name: getattr(result, name) for name in _TABLES}
    told = {name: table.reset_index(drop=True) for name, table in tables.items()}
    add_tables(packed, "backtest", said, told)
    return write_whole(Path(path), packed.getvalue())


def load_backtest(path: str | Path) -> BacktestResult:
    """Read a backtest that ``save_backtest`` wrote.

    Raises ``ForecastError`` if the file is not there, can't be read, or is no backtest.
    """
    try:
        said, tables = read_tables(path, "backtest")
        if said["format"] != FORMAT:
            raise ValueError(f"format {said['format']}")
        cuts = tuple(pd.Timestamp(cut) for cut in said["cuts"])
        return BacktestResult(**tables, **{name: said[name] for name in _NUMBERS}, cuts=cuts)
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
