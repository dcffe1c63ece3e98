"""Groups of athletes (by coach, by start year) side by side: do they clear at the same pace."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import chi2, norm

from forecast.cohort.covariates import clustered_cox
from forecast.cohort.records import Records, as_histories, group_of, spell_times
from forecast.cohort.time_to_clear import TimeToClear, time_to_clear
from forecast.errors import FitError, HistoryError
from forecast.log.given import check_level

FloatArray = NDArray[np.float64]

MIN_ATHLETES = 3
MIN_CLEARED = 5


@dataclass(frozen=True, slots=True)
class GroupComparison:
    """Groups of athletes side by side.

    Attributes
    ----------
    by
        Roster column, or ``start_year``.
    table
        One row a group: ``group, athletes, spells, cleared, lapsed, median_weeks, hazard_ratio,
        low, high`` (of clearing, within rungs, against the largest group, which has 1).
    log_rank, df, p_log_rank
        Log-rank statistic stratified by rung; it takes spells as independent.
    wald, p_wald
        The same question from the Cox regression with errors clustered by athlete: the one to
        go by, as spells of one athlete are alike.
    curves
        Time to clear by group over all rungs.
    set_aside
        Groups too small to compare.
    level
        Level of the intervals.
    """

    by: str
    table: pd.DataFrame
    log_rank: float
    df: int
    p_log_rank: float
    wald: float
    p_wald: float
    curves: TimeToClear = field(repr=False)
    set_aside: tuple[Hashable, ...]
    level: float

    def frame(self) -> pd.DataFrame:
        """Return the table."""
        return self.table.copy()

    @property
    def text(self) -> str:
        """What the comparison says, and what it can't."""
        told = "differ" if self.p_wald <= 1 - self.level else "can't be told apart"
        lines = [
            f"Groups by {self.by} {told} in how soon they clear the same rungs "
            f"(p = {self.p_wald:.3f}, clustered by athlete)."
        ]
        if self.set_aside:
            lines.append(f"Too small to compare: {', '.join(map(str, self.set_aside))}.")
        if self.by == "start_year":
            lines.append("Later starters have been followed for a shorter time.")
        lines.append(
            "Groups differ in other ways too (who joins whom, when, with what behind them): this "
            "is association and no verdict on a coach or a year. The curves lump rungs together, "
            "so a group further up the ladder looks slower there; the hazard ratios do not."
        )
        return " ".join(lines)


def compare_groups(
    records: Records,
    by: str,
    *,
    as_of: pd.Timestamp | str | None = None,
    level: float = 0.9,
) -> GroupComparison:
    """Compare the time to clear between groups of athletes, within rungs.

    Parameters
    ----------
    records, as_of
        A log and its cut date, or histories.
    by
        A roster column such as ``coach``, or ``"start_year"``.
    level
        Level of the intervals.

    Raises
    ------
    HistoryError
        The column is unknown, empty, or is the rung itself.
    FitError
        Fewer than two groups have three athletes and five cleared spells, or ``level`` is out of
        range.

    Notes
    -----
    Log-rank stratified by rung (Mantel 1966; Klein & Moeschberger 2003, section 7.5) and Cox
    regression stratified by rung with clustered errors (Lin & Wei 1989).
    """
    if by == "rung":
        raise HistoryError("Rungs are compared by time_to_clear; by = a roster column here.")
    check_level("level", level)
    histories = as_histories(records, as_of)
    times = spell_times(histories)
    table = times.table.assign(group=group_of(histories, by, times.table))
    table = table[table["group"].notna()]
    sizes = table.groupby("group").agg(
        athletes=("athlete_id", "nunique"),
        spells=("athlete", "size"),
        cleared=("cleared", "sum"),
        lapsed=("outcome", lambda ends: int((ends == "lapsed").sum())),
    )
    enough = (sizes["athletes"] >= MIN_ATHLETES) & (sizes["cleared"] >= MIN_CLEARED)
    if enough.sum() < 2:
        raise FitError(
            f"Not enough data to compare by {by}: {int(enough.sum())} group(s) have at least "
            f"{MIN_ATHLETES} athletes and {MIN_CLEARED} cleared spells; two are needed."
        )
    used = table[table["group"].isin(sizes.index[enough])]
    base = sizes[enough]["athletes"].idxmax()
    others = [group for group in sizes.index[enough] if group != base]
    effects, wald = _cox(used, others, level)
    curves = time_to_clear(histories, by, level=level)
    out = sizes[enough].reset_index()
    medians = curves.groups.set_index("group")["median_weeks"]
    out["median_weeks"] = out["group"].map(medians)
    for name in ("hazard_ratio", "low", "high"):
        out[name] = out["group"].map({**effects[name], base: 1.0}).astype(float)
    codes = pd.Categorical(used["group"], categories=[base, *others]).codes.astype(np.int64)
    statistic = stratified_log_rank(
        used["entry"].to_numpy(dtype=float),
        used["exit"].to_numpy(dtype=float),
        used["cleared"].to_numpy(dtype=float),
        codes,
        used["rung_index"].to_numpy(dtype=np.int64),
    )
    return GroupComparison(
        by=by,
        table=out,
        log_rank=statistic,
        df=len(others),
        p_log_rank=float(chi2.sf(statistic, len(others))),
        wald=wald,
        p_wald=float(chi2.sf(wald, len(others))),
        curves=curves,
        set_aside=tuple(sizes.index[~enough]),
        level=level,
    )


def _cox(
    used: pd.DataFrame, others: list[Hashable], level: float
) -> tuple[dict[str, dict[Hashable, float]], float]:
    """Hazard ratios against the largest group, and the Wald statistic of all of them at 0."""
    x = np.column_stack([(used["group"] == group).to_numpy(dtype=float) for group in others])
    fit = clustered_cox(used, x)
    z = float(norm.ppf((1 + level) / 2))
    params, errors = np.asarray(fit.params), np.asarray(fit.bse)
    effects = {
        "hazard_ratio": dict(zip(others, np.exp(params), strict=True)),
        "low": dict(zip(others, np.exp(params - z * errors), strict=True)),
        "high": dict(zip(others, np.exp(params + z * errors), strict=True)),
    }
    cov = np.atleast_2d(fit.cov_params())
    return effects, float(params @ np.linalg.solve(cov, params))


def stratified_log_rank(
    entry: FloatArray,
    exit: FloatArray,
    event: FloatArray,
    group: NDArray[np.int64],
    stratum: NDArray[np.int64],
) -> float:
    """Return Mantel's statistic for groups 0 to k - 1, summed over strata.

    Parameters
    ----------
    entry, exit, event
        Shape (n,): at risk from just after ``entry``; ended (1) or last seen (0) at ``exit``.
    group, stratum
        Shape (n,): numbers of the group and of the stratum.

    Notes
    -----
    Klein & Moeschberger (2003), eq. 7.3.3-5 and section 7.5. statsmodels' ``survdiff`` has the
    same statistic, but fails where strata and entries are given together.
    """
    k = int(group.max()) + 1
    total, cov = np.zeros(k), np.zeros((k, k))
    member = group[:, None] == np.arange(k)
    for one in np.unique(stratum):
        here = stratum == one
        times = np.unique(exit[here & (event > 0)])
        at_risk = (entry[here, None] < times) & (exit[here, None] >= times)
        ended = (exit[here, None] == times) & (event[here, None] > 0)
        n_by = at_risk.T.astype(float) @ member[here]
        d_by = ended.T.astype(float) @ member[here]
        n, d = n_by.sum(axis=1), d_by.sum(axis=1)
        share = n_by / n[:, None]
        total += (d_by - d[:, None] * share).sum(axis=0)
        # With one at risk nothing can vary, whatever the group.
        factor = d * (n - d) / np.maximum(n - 1.0, 1.0)
        cov += np.diag(factor @ share) - (share * factor[:, None]).T @ share
    return float(total[1:] @ np.linalg.solve(cov[1:, 1:], total[1:]))
