"""Scores of forecasts against the truth, and the tables of the bench."""

from __future__ import annotations

import numpy as np
import pandas as pd

from alien.watching import FOUND_WITHIN, LEAST_STALLS, YEAR

WEEKS = 52
ENGINES = ("pool", "growth", "survival")
LANDMARK = ("landmark_logit", "weibull_landmark")
LESS = ("cohort_curve", "straight_line")

Curves = dict[tuple[str, str], np.ndarray]
"""Chance of having cleared by week 1 to ``WEEKS``, by athlete and rung."""


def score(curves: Curves, asked: pd.DataFrame) -> pd.DataFrame:
    """Return CRPS and the randomised distance of the PIT from one half, a row a rung asked."""
    rng, rows, grid = np.random.default_rng(1), [], np.arange(1, WEEKS + 1)
    for case in asked.itertuples():
        curve = curves.get((case.athlete, case.rung))
        p = np.zeros(WEEKS) if curve is None else curve
        cleared = case.weeks <= WEEKS
        k = int(np.ceil(max(case.weeks, 1e-6))) if cleared else WEEKS + 1
        truth = (grid >= case.weeks) if cleared else np.zeros(WEEKS, dtype=bool)
        crps = float(np.sum(((np.r_[0.0, p[:-1]] + p) / 2 - truth) ** 2))
        edges = np.r_[0.0, p, 1.0]
        pit = edges[k - 1] + (edges[k] - edges[k - 1]) * rng.random()
        rows.append((case.athlete, case.rung, case.weeks, crps, abs(pit - 0.5), curve is not None))
    return pd.DataFrame(rows, columns=["athlete", "rung", "weeks", "crps", "off", "answered"])


def forecast_table(results: list[dict]) -> pd.DataFrame:
    """Return one row a world, all its seeds together, and a last row over all."""
    parts = [pd.DataFrame(r["cases"]).assign(world=r["world"], seed=r["seed"]) for r in results]
    cases = pd.concat(parts, ignore_index=True)
    rows = {name: _figures(own) for name, own in cases.groupby("world", sort=False)}
    if len(rows) > 1:
        rows["all"] = _figures(cases)
    return pd.DataFrame.from_dict(rows, orient="index")


def _figures(cases: pd.DataFrame) -> dict[str, float]:
    by = {name: own for name, own in cases.groupby("forecaster")}
    pool = by["pool"]
    row = {"asked": len(pool), "none": int((~pool["answered"]).sum())}
    row["in_52"] = float((pool["weeks"] <= WEEKS).mean())
    for name in (*ENGINES, *LANDMARK, *LESS, "reference"):
        row[name] = by[name]["crps"].mean() if name in by else np.nan
    for level in (50, 80, 95):
        row[f"cov{level}"] = float((pool["off"] <= level / 200).mean())
    row["to_landmark"] = np.nanmax([_ratio(by, name) for name in LANDMARK])
    row["to_reference"] = _ratio(by, "reference")
    return row


def _ratio(by: dict[str, pd.DataFrame], other: str) -> float:
    """CRPS of the pool over that of another, on the worlds where both were run."""
    if other not in by:
        return np.nan
    keys = ["world", "seed", "athlete", "rung"]
    both = by["pool"].merge(by[other], on=keys, suffixes=("", "_other"), validate="one_to_one")
    return float(both["crps"].mean() / both["crps_other"].mean())


def plateau_table(results: list[dict]) -> pd.DataFrame:
    """Return alarms a year and shares of stalls found, one row a world."""
    rows: dict[str, dict] = {}
    for name in dict.fromkeys(r["world"] for r in results):
        own = [r["plateau"] for r in results if r["world"] == name and "plateau" in r]
        total = pd.DataFrame([{**part, **part["stalls"]} for part in own])
        sums = total.drop(columns="stalls").sum()
        row = {"years": sums["weeks"] / YEAR, "climbing_years": sums["climbing_weeks"] / YEAR}
        row["alarms"] = sums["alarms"] / row["years"]
        row["false"] = sums["false_alarms"] / row["years"]
        row["false_climbing"] = _share(sums["false_alarms"], row["climbing_years"])
        for n in LEAST_STALLS:
            row[f"stalls_{n}"] = int(sums[f"{n}"])
            for w in FOUND_WITHIN:
                row[f"{n}_in_{w}"] = _share(sums[f"{n}_in_{w}"], sums[f"{n}"])
        rows[name] = row
    return pd.DataFrame.from_dict(rows, orient="index")


def _share(part: float, whole: float) -> float:
    return float(part / whole) if whole > 0 else np.nan
