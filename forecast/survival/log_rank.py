"""Do groups of spells clear at the same pace? The log-rank test."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.stats import chi2
from statsmodels.duration.survfunc import survdiff

from forecast.errors import FitError
from forecast.survival.risk_sets import observed_spells, risk_table


@dataclass(frozen=True, slots=True)
class LogRankTest:
    """Result of ``log_rank``.

    Attributes
    ----------
    statistic, df, p_value
        Chi-square statistic, its degrees of freedom, and the upper tail probability.
    groups
        One row a group: ``n_spells``, ``observed`` ends and the number ``expected`` if all groups
        had the same hazard.
    """

    statistic: float
    df: int
    p_value: float
    groups: pd.DataFrame


def log_rank(
    entry: ArrayLike | None, exit: ArrayLike, event: ArrayLike, group: ArrayLike
) -> LogRankTest:
    """Test whether groups of spells end at the same hazard at all times.

    The statistic is statsmodels' ``survdiff``. It has little power against hazards that cross, and
    its p-value is for spells that are independent: several spells of one athlete are not.

    Parameters
    ----------
    entry
        Shape (n,), when each spell came under observation; ``None`` when all are seen from 0.
    exit
        Shape (n,), when it ended or was last seen open.
    event
        Shape (n,), whether it ended (true) or was still open (false).
    group
        Shape (n,), label of the group of each spell.

    Returns
    -------
    LogRankTest

    Raises
    ------
    FitError
        If times cannot be used, there are fewer than two groups, or no spell ended.

    Notes
    -----
    Source: Mantel (1966), Cancer Chemother. Rep. 50:163; Klein & Moeschberger (2003), section 7.3.
    """
    ended = np.asarray(event).astype(bool)
    spells = observed_spells(entry, exit, ended.astype(np.int64))
    labels = pd.Series(np.asarray(group))
    _check_groups(labels, ended)
    # survdiff can't look up infinite entries; -1 is before every exit, as -inf is.
    statistic, _ = survdiff(
        spells.exit,
        spells.kind,
        labels.to_numpy(),
        entry=np.maximum(spells.entry, -1.0),
    )
    kinds = sorted(labels.unique())
    return LogRankTest(
        statistic=float(statistic),
        df=len(kinds) - 1,
        p_value=float(chi2.sf(statistic, len(kinds) - 1)),
        groups=_observed_and_expected(entry, exit, ended, labels, kinds),
    )


def _check_groups(labels: pd.Series, ended: np.ndarray) -> None:
    """Refuse what has nothing to compare."""
    if labels.shape != ended.shape or labels.isna().any():
        raise FitError("Every spell needs a group label; some are missing.")
    if labels.nunique() < 2:
        raise FitError("There is one group only, so there is nothing to compare.")
    if not ended.any():
        raise FitError("No spell ended, so hazards can't be compared yet.")


def _observed_and_expected(
    entry: ArrayLike | None,
    exit: ArrayLike,
    ended: np.ndarray,
    labels: pd.Series,
    kinds: list[Hashable],
) -> pd.DataFrame:
    """Ends seen in each group, and those expected from its share of everybody at risk."""
    spells = observed_spells(entry, exit, ended.astype(np.int64))
    pooled = risk_table(spells)
    hazard = pooled.n_events[:, 0] / pooled.n_at_risk
    cumulative = np.concatenate([[0.0], np.cumsum(hazard)])
    # Expected ends of a spell are the hazard accumulated while it was watched.
    lived = (
        cumulative[np.searchsorted(pooled.time, spells.exit, side="right")]
        - cumulative[np.searchsorted(pooled.time, spells.entry, side="right")]
    )
    table = pd.DataFrame({"group": labels, "observed": ended, "expected": lived})
    return (
        table.groupby("group")
        .agg(
            n_spells=("observed", "size"),
            observed=("observed", "sum"),
            expected=("expected", "sum"),
        )
        .loc[kinds]
    )
