"""Scores of forecasts and verdicts against the truth, and the tables of the bench."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.stats import rankdata

from alien.watching import FOUND_WITHIN, LEAST_STALLS, YEAR

WEEKS = 52
ENGINES = ("pool", "growth", "survival")
LANDMARK = ("landmark_logit", "weibull_landmark")
LESS = ("cohort_curve", "straight_line")
TOLD = ("reference", "true_state")
"""Forecasts of somebody told the law, or how everybody truly stands as well."""

LEAST_GAIN = 0.005
"""A week; the smallest gain that matters is no less, and who loses more than this is slipping."""

LONG_RECORD = 12
"""Sessions; with more than that a verdict is wanted."""

Curves = dict[tuple[str, str], np.ndarray]
"""Chance of having cleared by week 1 to ``WEEKS``, by athlete and rung."""


def score(curves: Curves, truth: pd.DataFrame) -> pd.DataFrame:
    """Return CRPS and cover of central ranges, a row a rung asked, means over its futures.

    ``truth`` holds ``athlete, rung, weeks`` to clearing, one row a future. Whoever has no curve
    counts as 'never'.
    """
    rng, rows, grid = np.random.default_rng(1), [], np.arange(1, WEEKS + 1)
    for (athlete, rung), own in truth.groupby(["athlete", "rung"], sort=True):
        curve = curves.get((athlete, rung))
        p = np.zeros(WEEKS) if curve is None else curve
        weeks = own["weeks"].fillna(np.inf).to_numpy()
        done = (grid >= weeks[:, None]) & (weeks[:, None] <= WEEKS)
        crps = np.sum(((np.r_[0.0, p[:-1]] + p) / 2 - done) ** 2, axis=1)
        k = np.where(weeks <= WEEKS, np.ceil(np.clip(weeks, 1e-6, WEEKS + 1)), WEEKS + 1)
        edges, k = np.r_[0.0, p, 1.0], k.astype(int)
        pit = edges[k - 1] + (edges[k] - edges[k - 1]) * rng.random(len(k))
        cover = [float((np.abs(pit - 0.5) <= level / 200).mean()) for level in (50, 80, 95)]
        in_52 = float((weeks <= WEEKS).mean())
        rows.append((athlete, rung, in_52, float(crps.mean()), *cover, curve is not None))
    columns = ["athlete", "rung", "in_52", "crps", "cov50", "cov80", "cov95", "answered"]
    return pd.DataFrame(rows, columns=columns)


def forecast_table(cases: pd.DataFrame) -> pd.DataFrame:
    """Return one row a group of ``forecaster``'s cases: mean CRPS, cover of the pool, ratios."""
    return grouped(cases, _forecast_row)


def _forecast_row(cases: pd.DataFrame) -> dict[str, float]:
    by = dict(list(cases.groupby("forecaster")))
    pool = by["pool"]
    row = {"asked": len(pool), "none": int((~pool["answered"]).sum())}
    row["in_52"] = pool["in_52"].mean()
    for name in (*ENGINES, *LANDMARK, *LESS, *TOLD):
        if name in by:
            row[name] = by[name]["crps"].mean()
    row |= {name: pool[name].mean() for name in ("cov50", "cov80", "cov95")}
    for name in (*LANDMARK, *LESS, *TOLD):
        if name in by:
            row[f"to_{name}"] = _ratio(pool, by[name])
    return row


def _ratio(pool: pd.DataFrame, other: pd.DataFrame) -> float:
    """CRPS of the pool over that of another, on the worlds where both were run."""
    keys = ["world", "seed", "athlete", "rung"]
    both = pool.merge(other, on=keys, suffixes=("", "_other"), validate="one_to_one")
    return float(both["crps"].mean() / both["crps_other"].mean())


def grouped(cases: pd.DataFrame, row) -> pd.DataFrame:
    """Return ``row`` of each world, of each group with more than one, and of all."""
    rows = {name: row(own) for name, own in cases.groupby("world", sort=False)}
    groups = cases.groupby("group", sort=False)
    for name, own in groups:
        if own["world"].nunique() > 1:
            rows[f"all {name}"] = row(own)
    if len(groups) > 1:
        rows["all"] = row(cases)
    return pd.DataFrame.from_dict(rows, orient="index")


def with_verdicts(cases: pd.DataFrame) -> pd.DataFrame:
    """Add what is true of each spell, and ``p_still``: the chance of no gain that matters.

    ``smallest``: the gain that takes a year to the target from where the athlete truly stands.
    Where a package tells slipping from flat, ``p_still`` is both together.
    """
    smallest = np.maximum(-cases["level"] / YEAR, LEAST_GAIN)
    slipping = cases["change"] < -LEAST_GAIN
    still = cases["change"] <= smallest
    three = "p_slipping" in cases and cases["p_slipping"].notna().any()
    chance = cases["p_flat"] + cases["p_slipping"] if three else cases["p_flat"]
    return cases.assign(
        smallest=smallest, still=still, slipping=slipping, flat=still & ~slipping,
        climbing=~still, p_still=chance,
    )  # fmt: skip


def verdict_table(cases: pd.DataFrame) -> pd.DataFrame:
    """Return one row a world or group: p_still, the gain's range, and who is left unclear."""
    return grouped(cases, _verdict_row)


def _verdict_row(cases: pd.DataFrame) -> dict[str, float]:
    told = cases[cases["p_still"].notna()]
    row = {"spells": len(cases), "none": len(cases) - len(told)}
    row |= brier_row(told["p_still"], told["still"])
    by_world = told.groupby(["world", "seed"])["still"].transform("mean")
    row["ratio_own"] = row["brier"] / float(((by_world - told["still"]) ** 2).mean())
    held = cases[cases["gain_high"].notna()]
    row["gain80"] = held["change"].between(held["gain_low"], held["gain_high"]).mean()
    long = cases[cases["sessions"] > LONG_RECORD]
    row["long"], row["unclear"] = len(long), (long["state"] == "unclear").mean()
    return row


def brier_row(chance: pd.Series, true: pd.Series) -> dict[str, float]:
    """Return mean chance, share true, Brier score of both, their ratio, area under the curve."""
    share = float(true.mean())
    brier, base = float(((chance - true) ** 2).mean()), share * (1.0 - share)
    n = int(true.sum())
    pairs = n * (len(true) - n)
    over = rankdata(chance)[true.to_numpy()].sum() - n * (n + 1) / 2
    return {
        "said": chance.mean(), "true": share, "brier": brier, "base": base,
        "ratio": brier / base if base else np.nan, "auc": over / pairs if pairs else np.nan,
    }  # fmt: skip


def each_verdict(cases: pd.DataFrame) -> pd.DataFrame:
    """Return one row a group and chance the package gives, scored on its own truth."""
    rows = {}
    groups = [("all", cases), *cases.groupby("group", sort=False)]
    for name in ("climbing", "flat", "slipping"):
        if f"p_{name}" in cases and "p_slipping" in cases:
            for group, own in groups:
                told = own[own[f"p_{name}"].notna()]
                rows[f"p_{name}, {group}"] = brier_row(told[f"p_{name}"], told[name])
    return pd.DataFrame.from_dict(rows, orient="index")


def reliability(cases: pd.DataFrame) -> pd.DataFrame:
    """Return, by tenth of p_still and group: spells, mean chance, share truly still."""
    told = cases[cases["p_still"].notna()]
    tenth = np.minimum((told["p_still"] * 10).astype(int), 9).rename("tenth")
    parts = {}
    for group, own in [("all", told), *told.groupby("group", sort=False)]:
        by = own.groupby(tenth)
        parts[group] = pd.DataFrame(
            {"spells": by.size(), "said": by["p_still"].mean(), "true": by["still"].mean()}
        )
    return pd.concat(parts, axis=1)


def states_table(cases: pd.DataFrame) -> pd.DataFrame:
    """Return, by state, among long records: spells, share truly still, mean p_still."""
    by = cases[cases["sessions"] > LONG_RECORD].groupby("state")
    table = {"spells": by.size(), "truly_still": by["still"].mean()}
    return pd.DataFrame(
        table | {"truly_slipping": by["slipping"].mean(), "said": by["p_still"].mean()}
    )


def plateau_table(tallies: pd.DataFrame) -> pd.DataFrame:
    """Return alarms a year and shares of stalls found; one row a world and seed in ``tallies``."""
    return grouped(tallies, _plateau_row)


def _plateau_row(tallies: pd.DataFrame) -> dict[str, float]:
    sums = tallies.drop(columns=["world", "group", "seed"]).sum()
    row = {"years": sums["weeks"] / YEAR, "climbing_years": sums["climbing_weeks"] / YEAR}
    row["alarms"] = sums["alarms"] / row["years"]
    row["false"] = sums["false_alarms"] / row["years"]
    row["false_climbing"] = _share(sums["false_alarms"], row["climbing_years"])
    for n in LEAST_STALLS:
        row[f"stalls_{n}"] = int(sums[f"{n}"])
        for w in FOUND_WITHIN:
            row[f"{n}_in_{w}"] = _share(sums[f"{n}_in_{w}"], sums[f"{n}"])
    return row


def _share(count: float, whole: float) -> float:
    return float(count / whole) if whole > 0 else np.nan
