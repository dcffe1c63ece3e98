"""Calibration of each forecaster: PIT histogram, D-calibration, reliability by week."""

from __future__ import annotations

import numpy as np
import pandas as pd

from forecast.backtest.scores import curve_at, d_calibration, pit
from forecast.backtest.scoring import BRIER_WEEKS, Cases
from forecast.types import Array, Flags

BINS = 10
COLUMNS = ["forecaster", "check", "low", "high", "expected", "observed", "n", "p_value"]


def calibration_table(curves: dict[str, Array], cases: Cases, seed: int) -> pd.DataFrame:
    """Return one row a forecaster, check and bin.

    ``check`` is ``pit`` (share of rows whose randomised PIT lies in low to high; 0.1 expected),
    ``d_calibration`` (share of S(T) mass; 0.1 expected; ``p_value`` of the test, which takes rows
    as independent) or ``reliability_W`` (rows whose chance to clear by week W lies in low to
    high: ``expected`` is their mean chance, ``observed`` the share that did, weighted for those
    lost before; ``n`` the rows). A bin without a row is left out.
    """
    rows: list[tuple[object, ...]] = []
    for name, curve in curves.items():
        use = np.isfinite(curve).all(axis=1)
        p, weeks, cleared = curve[use], cases.weeks[use], cases.cleared[use]
        if not len(p):
            continue
        value = pit(p, weeks, cleared=cleared, seed=seed)
        counts = np.histogram(value, bins=BINS, range=(0, 1))[0]
        rows += _even(name, "pit", counts / len(p), len(p), np.nan)
        inside = cleared & (weeks <= p.shape[1])
        answer = d_calibration(1 - np.minimum(curve_at(p, weeks), 1.0), inside, BINS)
        rows += _even(name, "d_calibration", answer.mass / len(p), len(p), answer.p_value)
        for week in BRIER_WEEKS:
            if week <= cases.horizon:
                rows += _reliability(name, p[:, week - 1], weeks, cleared, week, cases)
    return pd.DataFrame(rows, columns=COLUMNS)


def _even(name: str, check: str, share: Array, n: int, p_value: float) -> list[tuple[object, ...]]:
    return [
        (name, check, i / BINS, (i + 1) / BINS, 1 / BINS, float(share[i]), n, p_value)
        for i in range(BINS)
    ]


def _reliability(
    name: str, chance: Array, weeks: Array, cleared: Flags, week: int, cases: Cases
) -> list[tuple[object, ...]]:
    did = cleared & (weeks <= week)
    known = did | (weeks > week)
    moment = np.where(did, weeks, float(week))
    g = np.where(did, cases.censoring.before(moment), cases.censoring.at(moment))
    weight = np.divide(1.0, g, out=np.zeros_like(g), where=known)
    bin_of = np.minimum((chance * BINS).astype(int), BINS - 1)
    rows: list[tuple[object, ...]] = []
    for i in range(BINS):
        mine = (bin_of == i) & known
        if mine.any():
            w = weight[mine]
            expected = float(np.average(chance[mine], weights=w))
            observed = float(np.average(did[mine], weights=w))
            low, high = i / BINS, (i + 1) / BINS
            check = f"reliability_{week}"
            rows.append((name, check, low, high, expected, observed, int(mine.sum()), np.nan))
    return rows
