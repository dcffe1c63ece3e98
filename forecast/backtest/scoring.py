"""Forecasts and outcomes in, tables of scores, paired differences and calibration out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from forecast.backtest.scores import (
    CensoringCurve,
    auc_at,
    brier_at,
    censoring_curve,
    coverage,
    crps_from_curve,
    curve_at,
    d_calibration,
    log_score,
    pit,
    uno_c,
    weeks_at,
)
from forecast.errors import BacktestError
from forecast.types import Array, Flags

BRIER_WEEKS = (4, 8, 12, 26)
COVERAGE_LEVELS = (0.5, 0.8, 0.95)
AUC_WEEK = 12
BINS = 10
KEYS = ["as_of", "athlete", "rung"]
BETTER: dict[str, str] = {
    "crps_weeks": "lower",
    **{f"brier_{week}": "lower" for week in BRIER_WEEKS},
    "log_score": "lower",
    **{f"coverage_{round(100 * level)}": "nominal" for level in COVERAGE_LEVELS},
    "width_80_weeks": "lower",
    "concordance": "higher",
    f"auc_{AUC_WEEK}": "higher",
}
"""Every score by name, and which way is better; ``nominal``: the nearer to its number."""


@dataclass(frozen=True, slots=True)
class Cases:
    """Outcomes to score against over ``horizon`` weeks: ``as_of, athlete, rung, weeks, cleared``.

    ``censoring`` is G over all rows, ``multiplicity`` (B, n) how often each row counts in each
    resample.
    """

    frame: pd.DataFrame
    horizon: int
    censoring: CensoringCurve
    multiplicity: Array

    @property
    def weeks(self) -> Array:
        """(n,) weeks to clearing or loss."""
        return self.frame["weeks"].to_numpy(float)

    @property
    def cleared(self) -> Flags:
        """(n,) true where ``weeks`` ends in a clearing."""
        return self.frame["cleared"].to_numpy(bool)


def make_cases(outcomes: pd.DataFrame, horizon: int, n_resamples: int, seed: int) -> Cases:
    """Gather the outcomes that can be scored; resampling is by athlete over all cuts."""
    frame = outcomes[outcomes["cleared"] | (outcomes["weeks"] > 0)]
    frame = frame.sort_values(KEYS).reset_index(drop=True)
    if frame.empty:
        raise BacktestError("no spell open at a cut was followed after it; take earlier cuts")
    censored = censoring_curve(frame["weeks"], frame["cleared"])
    times = cluster_multiplicities(frame["athlete"], n_resamples, seed=seed)
    return Cases(frame, horizon, censored, times)


def curves_of(forecasts: pd.DataFrame, cases: Cases) -> dict[str, Array]:
    """Return the curves (n, H) of each forecaster in the order of the cases; NaN where none."""
    keys = pd.MultiIndex.from_frame(cases.frame[KEYS])
    curves = {}
    for name, rows in forecasts.groupby("forecaster", sort=False):
        wide = rows.pivot(index=KEYS, columns="week", values="p_cleared")
        curves[str(name)] = wide.reindex(keys).to_numpy(float)
    return curves


@dataclass(frozen=True, slots=True)
class Scored:
    """One forecaster's scores by name, on n cases and in every resample (B,); NaN where none."""

    value: dict[str, float]
    resampled: dict[str, Array]
    n: int


def score_curves(curve: Array, cases: Cases, use: Flags) -> Scored:
    """Score the curves (n, H) on the rows in ``use`` (n,)."""
    p, weeks, cleared = curve[use], cases.weeks[use], cases.cleared[use]
    times, horizon = cases.multiplicity[:, use], cases.horizon
    censored, one = cases.censoring, np.ones(len(p))
    known: dict[str, Any] = {"cleared": cleared, "censoring": censored}
    parts = {"crps_weeks": (crps_from_curve(p, weeks, horizon, **known), one)}
    for week in BRIER_WEEKS:
        brier = np.full(len(p), np.nan)
        if week <= horizon:
            brier = brier_at(p, weeks, week, **known)
        parts[f"brier_{week}"] = (brier, one)
    parts["log_score"] = (log_score(p, weeks, horizon, **known), one)
    for level in COVERAGE_LEVELS:
        inside = coverage(p, weeks, level, horizon, **known)
        parts[f"coverage_{round(100 * level)}"] = (inside.covered, inside.weight)
    width = np.minimum(weeks_at(p, 0.9), horizon) - np.minimum(weeks_at(p, 0.1), horizon)
    parts["width_80_weeks"] = (width, one)
    value = {
        name: float((v * w).sum() / w.sum()) if w.sum() > 0 else float("nan")
        for name, (v, w) in parts.items()
    }
    resampled = {name: resampled_means(v, times, w) for name, (v, w) in parts.items()}
    # Concordance and AUC; NaN where no two rows can be compared.
    auc, seen = f"auc_{AUC_WEEK}", cleared & (weeks < horizon)
    early = cleared & (weeks <= AUC_WEEK)
    value |= dict.fromkeys(("concordance", auc), float("nan"))
    resampled |= dict.fromkeys(("concordance", auc), np.full(len(times), np.nan))
    ordering: dict[str, Callable[..., Array]] = {}
    if seen.any() and np.any(weeks > weeks[seen].min()):
        risk = p[:, :horizon].mean(axis=1)  # minus the mean wait up to the horizon, scaled
        ordering["concordance"] = partial(uno_c, risk, weeks, tau=float(horizon), **known)
    if horizon >= AUC_WEEK and early.any() and np.any(weeks > AUC_WEEK):
        ordering[auc] = partial(auc_at, p[:, AUC_WEEK - 1], weeks, week=AUC_WEEK, **known)
    for name, asked in ordering.items():
        value[name], resampled[name] = float(asked()), asked(multiplicity=times)
    return Scored(value, resampled, len(p))


def score_table(curves: dict[str, Array], cases: Cases, level: float) -> pd.DataFrame:
    """One row a forecaster and score: ``forecaster, score, value, low, high, better, n``."""
    rows = []
    for name, curve in curves.items():
        scored = score_curves(curve, cases, _answered(curve))
        for score, value in scored.value.items():
            low, high = percentile_range(scored.resampled[score], level)
            rows.append((name, score, value, low, high, BETTER[score], scored.n))
    columns = ["forecaster", "score", "value", "low", "high", "better", "n"]
    return pd.DataFrame(rows, columns=columns)


def difference_table(curves: dict[str, Array], cases: Cases, level: float) -> pd.DataFrame:
    """Every pair of forecasters on the rows both answered, first minus second, score by score."""
    done: dict[tuple[str, bytes], Scored] = {}

    def scored(name: str, use: Flags) -> Scored:
        key = (name, use.tobytes())
        if key not in done:
            done[key] = score_curves(curves[name], cases, use)
        return done[key]

    rows = []
    for first, second in combinations(curves, 2):
        use = _answered(curves[first]) & _answered(curves[second])
        if not use.any():
            continue
        a, b = scored(first, use), scored(second, use)
        for score in a.value:
            low, high = percentile_range(a.resampled[score] - b.resampled[score], level)
            gap = a.value[score] - b.value[score]
            rows.append((first, second, score, gap, low, high, a.n))
    columns = ["forecaster", "against", "score", "difference", "low", "high", "n"]
    return pd.DataFrame(rows, columns=columns)


def _answered(curve: Array) -> Flags:
    return np.asarray(np.isfinite(curve).all(axis=1))


def calibration_table(curves: dict[str, Array], cases: Cases, seed: int) -> pd.DataFrame:
    """Return one row a forecaster, check and bin with a row in it.

    ``check`` is ``pit`` or ``d_calibration`` (share in low to high; 0.1 expected), or
    ``reliability_W`` (of chances to clear by week W in low to high the mean is ``expected``, the
    share that did ``observed``, weighted for those lost before; ``n`` the rows).
    """
    rows: list[tuple[object, ...]] = []
    for name, curve in curves.items():
        use = _answered(curve)
        p, weeks, cleared = curve[use], cases.weeks[use], cases.cleared[use]
        if not len(p):
            continue
        value = pit(p, weeks, cleared=cleared, seed=seed)
        shares = np.histogram(value, bins=BINS, range=(0, 1))[0] / len(p)
        inside = cleared & (weeks <= p.shape[1])
        even = d_calibration(1 - np.minimum(curve_at(p, weeks), 1.0), inside, BINS)
        for check, share, p_value in (
            ("pit", shares, np.nan),
            ("d_calibration", even.mass / len(p), even.p_value),
        ):
            rows += [
                (name, check, i / BINS, (i + 1) / BINS, 1 / BINS, float(share[i]), len(p), p_value)
                for i in range(BINS)
            ]
        for week in BRIER_WEEKS:
            if week <= cases.horizon:
                rows += _reliability(name, p[:, week - 1], weeks, cleared, week, cases)
    columns = ["forecaster", "check", "low", "high", "expected", "observed", "n", "p_value"]
    return pd.DataFrame(rows, columns=columns)


def _reliability(
    name: str, chance: Array, weeks: Array, cleared: Flags, week: int, cases: Cases
) -> list[tuple[object, ...]]:
    did = cleared & (weeks <= week)
    followed = did | (weeks > week)
    moment = np.where(did, weeks, float(week))
    g = np.where(did, cases.censoring.before(moment), cases.censoring.at(moment))
    weight = np.divide(1.0, g, out=np.zeros_like(g), where=followed)
    bin_of = np.minimum((chance * BINS).astype(int), BINS - 1)
    rows: list[tuple[object, ...]] = []
    for i in np.unique(bin_of[followed]).tolist():
        mine = (bin_of == i) & followed
        expected, observed = (float(np.average(x[mine], weights=weight[mine]))
                              for x in (chance, did))  # fmt: skip
        rows.append((name, f"reliability_{week}", i / BINS, (i + 1) / BINS, expected, observed,
                     int(mine.sum()), np.nan))  # fmt: skip
    return rows


def check_resamples(n_resamples: int) -> None:
    """Refuse a number of resamples that makes no sense, before any fit is made."""
    if n_resamples < 1:
        raise BacktestError(f"n_resamples = {n_resamples}; give one resample or more")


def cluster_multiplicities(
    clusters: ArrayLike, n_resamples: int = 500, *, seed: int | np.random.Generator = 0
) -> Array:
    """Draw clusters (athletes) with replacement; return how often each row then counts, (B, n).

    Cluster bootstrap: C. Field, A. Welsh (2007), J. R. Statist. Soc. B 69:369-390.
    """
    _, member = np.unique(np.asarray(clusters), return_inverse=True)
    if not member.size or n_resamples < 1:
        raise BacktestError("resampling needs one row or more and one resample or more")
    k = int(member.max()) + 1
    drawn = np.random.default_rng(seed).multinomial(k, np.full(k, 1 / k), size=n_resamples)
    return drawn[:, member].astype(float)


def resampled_means(values: ArrayLike, multiplicity: ArrayLike, weights: ArrayLike) -> Array:
    """Weighted mean ``sum(w v) / sum(w)`` in each resample, (B,); NaN where w sums to 0."""
    w = np.asarray(weights, float)
    times = np.asarray(multiplicity, float)
    total, summed = times @ w, times @ (w * np.asarray(values, float))
    return np.divide(summed, total, out=np.full(len(times), np.nan), where=total > 0)


def percentile_range(resampled: ArrayLike, level: float = 0.9) -> tuple[float, float]:
    """Central ``level`` range of resampled values that could be formed; NaN twice if none could."""
    if not 0 < level < 1:
        raise BacktestError(f"level {level} must lie between 0 and 1")
    values = np.asarray(resampled, float)
    formed = values[np.isfinite(values)]
    if not formed.size:
        return float("nan"), float("nan")
    low, high = np.quantile(formed, [(1 - level) / 2, (1 + level) / 2])
    return float(low), float(high)
