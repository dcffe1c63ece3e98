"""Scores of many worlds, a row a spell and forecaster, into tables and bars held or missed."""

from __future__ import annotations

import numpy as np
import pandas as pd

from forecast.backtest.scores import d_calibration
from forecast.backtest.scoring import cluster_multiplicities, percentile_range

MODEL, INFORMED = "model", "informed"
ENGINES = ("growth alone", "survival alone")
UNRECALIBRATED = "pool without recalibration"
LEVELS = (50, 80, 95)
BIG = 80
"""Athletes from which a cohort counts as big."""
BARS = {True: {"informed": 1.06, "coverage": 0.04}, False: {"informed": 1.18, "coverage": 0.07}}
"""By whether the cohort is big."""
TO_ENGINE = 1.03
TO_BASELINE_MEAN = 0.95
D_CALIBRATION = 0.01
CASE = ["seed", "athlete", "rung"]


def wide_crps(rows: pd.DataFrame) -> pd.DataFrame:
    """Return CRPS with a row a spell and a column a forecaster; missing where it gave none."""
    return rows.pivot(index=CASE, columns="forecaster", values="crps").sort_index()


def ratio(
    crps: pd.DataFrame, first: str, second: str, n_resamples: int
) -> tuple[float, float, float]:
    """Mean CRPS of one over that of the other on the spells both answered, with a 90 % range.

    Whole athletes are drawn again, since their spells are alike.
    """
    if not {first, second} <= set(crps.columns):
        return np.nan, np.nan, np.nan
    both = pd.DataFrame({"first": crps[first], "second": crps[second]}).dropna()
    if both.empty:
        return np.nan, np.nan, np.nan
    times = cluster_multiplicities(_athletes(both), n_resamples, seed=0)
    drawn = (times @ both["first"].to_numpy()) / (times @ both["second"].to_numpy())
    return (float(both["first"].mean() / both["second"].mean()), *percentile_range(drawn))


def _athletes(crps: pd.DataFrame) -> np.ndarray:
    """Athletes of different seeds are different people, whatever their names."""
    return crps.index.droplevel("rung").factorize()[0]


def law_table(rows: pd.DataFrame, n_resamples: int) -> pd.DataFrame:
    """Return a row a forecaster: CRPS with range, ratio to the informed, coverage, D-calibration.

    ``rows`` are those of one law and cohort size.
    """
    crps = wide_crps(rows)
    found = {}
    for name, part in rows.groupby("forecaster", sort=False):
        own = crps[[name]].dropna()
        times = cluster_multiplicities(_athletes(own), n_resamples, seed=0)
        low, high = percentile_range((times @ own[name].to_numpy()) / times.sum(axis=1))
        told, told_low, told_high = ratio(crps, str(name), INFORMED, n_resamples)
        test = d_calibration(part["survival"], part["inside"])
        found[name] = {
            "n": len(part),
            "crps": own[name].mean(),
            "low": low,
            "high": high,
            "to_informed": told,
            "from": told_low,
            "to": told_high,
            **{f"cov{level}": part[f"covered_{level}"].mean() for level in LEVELS},
            "dcal_p": test.p_value,
        }
    return pd.DataFrame.from_dict(found, orient="index").sort_values("crps", kind="stable")


def ratio_table(rows: pd.DataFrame, n_resamples: int) -> pd.DataFrame:
    """Return the model's paired ratio to every other forecaster: ``ratio, low, high``."""
    crps = wide_crps(rows)
    others = [name for name in crps.columns if name != MODEL]
    found = {name: ratio(crps, MODEL, name, n_resamples) for name in others}
    return pd.DataFrame.from_dict(found, orient="index", columns=["ratio", "low", "high"])


def law_bars(
    law: str, athletes: int, table: pd.DataFrame, ratios: pd.DataFrame
) -> list[tuple[bool, str]]:
    """Return each bar of one law with whether it was held; those without figures are left out."""
    bar = BARS[athletes >= BIG]
    where = f"{law}, {athletes} athletes"
    found = []

    def keep(held: bool, text: str) -> None:
        found.append((bool(held), f"{where}: {text}"))

    if INFORMED in ratios.index:
        keep(
            ratios.at[INFORMED, "ratio"] <= bar["informed"],
            f"{_text(ratios, INFORMED)} of the informed reference, at most {bar['informed']}",
        )
    engines = [name for name in ENGINES if name in table.index]
    if engines:
        better = table.loc[engines, "crps"].idxmin()
        keep(
            ratios.at[better, "ratio"] <= TO_ENGINE,
            f"{_text(ratios, better)} of {better}, at most {TO_ENGINE}",
        )
    for name in baselines_in(ratios):
        keep(ratios.at[name, "ratio"] < 1.0, f"{_text(ratios, name)} of {name}, below 1")
    for level in LEVELS:
        share = table.at[MODEL, f"cov{level}"]
        keep(
            abs(share - level / 100) <= bar["coverage"],
            f"{level} % range holds {share:.3f}, within {100 * bar['coverage']:.0f} points",
        )
    p = table.at[MODEL, "dcal_p"]
    keep(p > D_CALIBRATION, f"D-calibration p {p:.4f}, above {D_CALIBRATION}")
    return found


def mean_bars(athletes: int, by_law: dict[str, pd.DataFrame]) -> list[tuple[bool, str]]:
    """Return whether the model is ahead of each baseline by enough on the mean over laws."""
    ratios = pd.DataFrame({law: table["ratio"] for law, table in by_law.items()})
    found = []
    for name in baselines_in(ratios):
        mean = float(ratios.loc[name].mean())
        text = f"all laws, {athletes} athletes: {mean:.3f} of {name}, at most {TO_BASELINE_MEAN}"
        found.append((mean <= TO_BASELINE_MEAN, text))
    return found


def baselines_in(ratios: pd.DataFrame) -> list[str]:
    """Return the names in the index that are no part of the model nor the informed reference."""
    return [name for name in ratios.index if name not in (*ENGINES, UNRECALIBRATED, INFORMED)]


def _text(ratios: pd.DataFrame, name: str) -> str:
    value, low, high = ratios.loc[name, ["ratio", "low", "high"]]
    return f"{value:.3f} ({low:.3f} to {high:.3f})"
