"""The forecast as CSV, JSON or Parquet: every column of the summary, and the reasons."""

from __future__ import annotations

import io
import json
from collections.abc import Callable

import pandas as pd

from forecast.commands.common import CAUTION
from forecast.log import csv_bytes
from forecast.readiness import ReadinessForecast


def summary_with_reasons(result: ReadinessForecast) -> pd.DataFrame:
    """Return the summary with one more column, ``reasons``: sentences joined by semicolons."""
    joined = result.reasons.groupby(["athlete", "rung"])["text"].agg("; ".join)
    keys = pd.MultiIndex.from_frame(result.summary[["athlete", "rung"]])
    return result.summary.assign(reasons=joined.reindex(keys).fillna("").to_numpy())


def to_csv(result: ReadinessForecast) -> bytes:
    """Return the summary with reasons as CSV, dates as 2026-05-01, missing cells empty."""
    return csv_bytes(summary_with_reasons(result))


def to_json(result: ReadinessForecast) -> bytes:
    """Return one object: the cut, the caution, and each forecast with its curve and reasons."""
    curve = result.curve.groupby(["athlete", "rung"])["p_cleared"].agg(list)
    reasons = {
        key: part[["what", "value", "unit", "text"]].to_dict("records")
        for key, part in result.reasons.groupby(["athlete", "rung"])
    }
    rows = json.loads(result.summary.to_json(orient="records", date_format="iso", date_unit="s"))
    for row in rows:
        key = (row["athlete"], row["rung"])
        row |= {n: row[n][:10] for n in ("date_low", "date_mid", "date_high") if row[n]}
        row["p_cleared_by_week"] = curve[key]
        row["reasons"] = reasons.get(key, [])
    whole = {
        "as_of": str(result.as_of.date()),
        "horizon_weeks": result.horizon_weeks,
        "engine": result.engine,
        "caution": CAUTION,
        "forecasts": rows,
    }
    return (json.dumps(whole, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode()


def to_parquet(result: ReadinessForecast) -> bytes:
    """Return the summary with reasons as Parquet, types kept."""
    buffer = io.BytesIO()
    summary_with_reasons(result).to_parquet(buffer, index=False)
    return buffer.getvalue()


WRITERS: dict[str, Callable[[ReadinessForecast], bytes]] = {
    "csv": to_csv,
    "json": to_json,
    "parquet": to_parquet,
}
"""Format to its writer."""
