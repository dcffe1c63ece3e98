"""Scores of threshold-time forecasts, by the protocol of ``open_data``."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from open_data import GRID, Question, Task, grid

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Forecast:
    """F on the question's grid, and the 10, 50 and 90 % points (infinite past the grid)."""

    curve: Array
    low: float
    mid: float
    high: float


def from_curve(question: Question, curve: Array) -> Forecast:
    """Read the points off a curve that never falls."""
    times = grid(question)

    def point(level: float) -> float:
        at = int(np.searchsorted(curve, level, side="left"))
        if at == len(curve):
            return np.inf
        if at == 0 or curve[at] == curve[at - 1]:
            return float(times[at])
        share = (level - curve[at - 1]) / (curve[at] - curve[at - 1])
        return float(times[at - 1] + share * (times[at] - times[at - 1]))

    return Forecast(curve, point(0.1), point(0.5), point(0.9))


def from_times(question: Question, times: Array) -> Forecast:
    """A sample of crossing times (infinite where none) as a forecast."""
    ordered = np.sort(times)
    curve = np.searchsorted(ordered, grid(question), side="right") / len(ordered)
    low, mid, high = (
        float(ordered[min(int(np.ceil(p * len(ordered))) - 1, len(ordered) - 1)])
        for p in (0.1, 0.5, 0.9)
    )
    return Forecast(curve, low, mid, high)


def integrated_brier(question: Question, forecast: Forecast) -> float:
    """Return the mean of (F(t) - 1{T <= t})^2 over the grid (trapezoid rule)."""
    there = question.crossing <= grid(question)[: GRID + 1]
    return float(np.trapezoid((forecast.curve[: GRID + 1] - there) ** 2, dx=1.0 / GRID))


def score(questions: list[Question], forecasts: list[Forecast]) -> pd.DataFrame:
    """Return one row a unit: ``ibs, brier_end, error, covered, crossed, pit``."""
    rows = []
    for q, f in zip(questions, forecasts, strict=True):
        crossed = q.crossing <= q.end
        mid = min(f.mid, 2.0 * q.end - q.start)
        rows.append(
            {
                "unit": q.unit,
                "ibs": integrated_brier(q, f),
                "brier_end": (f.curve[GRID] - crossed) ** 2,
                "error": mid - q.crossing if crossed else np.nan,
                "covered": f.low <= q.crossing <= f.high if crossed else f.high > q.end,
                "crossed": crossed,
                "pit": float(np.interp(q.crossing, grid(q), f.curve)) if crossed else np.nan,
                "width": min(f.high, 2 * q.end - q.start) - f.low if np.isfinite(f.low) else np.nan,
            }
        )
    return pd.DataFrame(rows)


def summarise(scores: pd.DataFrame, time_scale: float = 1.0) -> dict[str, float]:
    """Return the protocol's figures."""
    error = scores["error"].dropna() * time_scale
    return {
        "n": len(scores),
        "crossers": int(scores["crossed"].sum()),
        "MAE": float(error.abs().mean()),
        "MedAE": float(error.abs().median()),
        "bias": float(error.mean()),
        "IBS": float(scores["ibs"].mean()),
        "BrierH": float(scores["brier_end"].mean()),
        "cov80": float(scores["covered"].mean()),
    }


def line(task: Task, questions: list[Question]) -> list[Forecast]:
    """Straight line through the own k points; certain of its crossing."""
    found = []
    for q in questions:
        slope, intercept = np.polyfit(q.times[: task.k], q.values[: task.k], 1)
        crossing = (task.threshold - intercept) / slope if slope > 0 else np.inf
        found.append(from_times(q, np.array([crossing])))
    return found


def climatology(task: Task, questions: list[Question]) -> list[Forecast]:
    """Crossing times of the other folds' eligible units, the unit itself ignored."""
    found = []
    for q in questions:
        others = [
            o.crossing - (o.start if task.own_start else 0) for o in questions if o.fold != q.fold
        ]
        found.append(from_times(q, np.array(others) + (q.start if task.own_start else 0)))
    return found
