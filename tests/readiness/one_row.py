"""A dozen invented athletes whose records a coach would read at a glance."""

from __future__ import annotations

import numpy as np
import pandas as pd

from forecast.ladder import Criterion, Ladder, Rung
from forecast.log import TrainingLog, read_log

DAY0 = pd.Timestamp("2025-01-06")
CUT = pd.Timestamp("2025-03-10")
"""Nine weeks later."""

LADDER = Ladder(
    "Beside each other",
    (
        Rung("line", "Line", "a", Criterion("seconds", 10.0, confirm_sessions=2), needs=()),
        Rung("long", "Long line", "a", Criterion("seconds", 30.0, confirm_sessions=2), needs=()),
        Rung("rows", "Rows", "a", Criterion("reps", 8.0), needs=()),
        Rung("leap", "Leap", "a", Criterion("cm", 400.0), needs=()),
    ),
)


def session_days(count: int = 27, last: int = 62) -> list[pd.Timestamp]:
    """Days of ``count`` sessions, three a week, the last ``last`` days after ``DAY0``."""
    return [DAY0 + pd.Timedelta(days=round(last - 7 / 3 * k)) for k in range(count)][::-1]


def sets_of(name, rung, values, days, *, sets=2, unit=1.0, noise=0.05, **columns) -> list[dict]:
    """Sets around a value each session, noted to a unit."""
    rng = np.random.default_rng(sum(map(ord, name)))
    rows = []
    for day, value in zip(days, values, strict=True):
        form = np.exp(noise * rng.standard_normal())
        for number in range(sets):
            seen = value * form * np.exp(noise * rng.standard_normal() - 0.02 * number)
            seen = unit * np.floor(seen / unit + (0.0 if rung == "rows" else 0.5))
            rows.append(
                {"athlete": name, "date": day, "rung": rung, "set": number + 1, "value": seen}
                | columns
            )
    return rows


def at_pace(start: float, per_week: float, days: list[pd.Timestamp]) -> np.ndarray:
    weeks = np.array([(day - days[0]).days / 7.0 for day in days])
    return start * np.exp(per_week * weeks)


def made_log() -> TrainingLog:
    days = session_days()
    rows = []
    for k in range(5):
        rows += sets_of(f"usual{k}", "line", at_pace(4.0 + 0.5 * k, 0.06 + 0.01 * k, days), days)
        rows += sets_of(f"usual{k}", "long", at_pace(9.0 + k, 0.03 + 0.01 * k, days), days)
    rows += sets_of("up", "long", at_pace(8.0, 0.10, days), days, noise=0.03)
    rows += sets_of("down", "long", at_pace(22.0, -0.037, days), days, noise=0.03)
    rows += sets_of("near", "line", np.full(27, 9.25), days, unit=0.5, noise=0.015)
    held = [row for row in rows if row["athlete"] == "near"]
    for row in held:
        row["value"] = float(np.clip(row["value"], 9.0, 9.5))
    rows += sets_of("seven", "rows", np.full(27, 7.6), days, noise=0.02)
    for row in rows:
        if row["athlete"] == "seven":
            row["value"] = min(row["value"], 7.0)
    rows += sets_of("missed", "leap", np.zeros(18), days[-18:])
    rows += sets_of("banded", "line", np.full(24, 10.5), days[-24:], assist="band")
    rows += sets_of("loose", "line", np.full(24, 10.5), days[-24:], clean=False)
    away = [d for d in days if not DAY0 + pd.Timedelta(days=30) < d < DAY0 + pd.Timedelta(days=52)]
    trained = np.array([(d - DAY0).days - (22 if d > DAY0 + pd.Timedelta(days=40) else 0)
                        for d in away])  # fmt: skip
    rows += sets_of("breaks", "long", 8.0 * np.exp(0.08 * trained / 7.0), away, noise=0.03)
    return read_log(pd.DataFrame(rows), LADDER)
