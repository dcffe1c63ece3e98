"""A backtest in a file, so that a report can carry its verdict without running it again."""

from __future__ import annotations

import io
import json
import zipfile
from dataclasses import fields
from pathlib import Path

import pandas as pd
import pyarrow as pa

from forecast.backtest.result import BacktestResult
from forecast.errors import ForecastError
from forecast.log import write_whole

FORMAT = 1
_NUMBERS = ("horizon_weeks", "scored_weeks", "level")
_TABLES = tuple(f.name for f in fields(BacktestResult) if f.name not in (*_NUMBERS, "cuts"))
_STAMP = (1980, 1, 1, 0, 0, 0)
"""A fixed time in the archive: the same backtest gives the same bytes."""
_FOREIGN = (
    zipfile.BadZipFile, pa.ArrowException, LookupError, TypeError, ValueError, EOFError,
    RuntimeError,
)  # fmt: skip
"""What a damaged archive, or one that is something else, raises."""


def save_backtest(result: BacktestResult, path: str | Path) -> Path:
    """Write a backtest to a zip file that ``load_backtest`` reads; whole or not at all.

    Raises
    ------
    ForecastError
        Nothing can be written there.
    """
    said = {name: getattr(result, name) for name in _NUMBERS} | {
        "format": FORMAT,
        "cuts": [cut.isoformat() for cut in result.cuts],
    }
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(zipfile.ZipInfo("backtest.json", _STAMP), json.dumps(said))
        for name in _TABLES:
            table = getattr(result, name).reset_index(drop=True)
            archive.writestr(zipfile.ZipInfo(f"{name}.parquet", _STAMP), table.to_parquet())
    return write_whole(Path(path), packed.getvalue())


def load_backtest(path: str | Path) -> BacktestResult:
    """Read a backtest that ``save_backtest`` wrote.

    Raises
    ------
    ForecastError
        The file is not there, can't be read, or is no backtest.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            said = json.loads(archive.read("backtest.json"))
            tables = {
                name: pd.read_parquet(io.BytesIO(archive.read(f"{name}.parquet")))
                for name in _TABLES
            }
        if said["format"] != FORMAT:
            raise ValueError(f"format {said['format']}")
        cuts = tuple(pd.Timestamp(cut) for cut in said["cuts"])
        return BacktestResult(**tables, **{name: said[name] for name in _NUMBERS}, cuts=cuts)
    except OSError as error:
        raise ForecastError(
            f"The backtest {path} can't be read ({error.strerror}); check the name, or write one "
            "with 'backtest PATH... --keep FILE'."
        ) from error
    except _FOREIGN as error:
        raise ForecastError(
            f"{path} is no backtest of this version; write one with 'backtest PATH... --keep FILE' "
            "(a table of scores from --scores is not enough)."
        ) from error
