"""Is the order right? Rungs cleared before the ones they need, and athletes who had to go back."""

from __future__ import annotations

import numpy as np
import pandas as pd
from statsmodels.duration.hazard_regression import PHReg
from statsmodels.stats.proportion import proportion_confint

from forecast.cohort.audit.moves import all_moves, needed_steps, rung_days
from forecast.cohort.covariates import ENTRY_SHIFT
from forecast.histories import CLEARED, Histories

MIN_ATHLETES = 8
SKIPPED_SHARE = 0.25
"""An order is in doubt when surely more than this share cleared the later rung first."""
MIN_CLEARED_EACH = 5
RETURN_DAYS = 14
RETURN_SESSIONS = 2
"""Going back: at least two sessions on the earlier rung within a fortnight off the later one."""

ORDER_COLUMNS = (
    "rung", "next_rung", "cleared_next", "cleared_first", "share", "share_low", "share_high",
    "hazard_ratio", "low", "high", "verdict",
)  # fmt: skip
RETURN_COLUMNS = (
    "rung", "next_rung", "moves", "went_back", "share", "share_low", "share_high",
    "below_target", "weeks_back",
)  # fmt: skip


def order_table(histories: Histories, level: float) -> pd.DataFrame:
    """Table, for each rung and each that needs it, how often the later one came first.

    Columns ``ORDER_COLUMNS``: of ``cleared_next`` athletes who cleared the later rung,
    ``cleared_first`` had not cleared the earlier one by then (among those seen on it or begun
    without it); ``share`` with its Wilson interval; ``hazard_ratio`` of clearing the later rung
    for those who began it without the earlier one against the others, missing where fewer than
    five of each have cleared it. A rung already behind an athlete when the log began looks
    skipped too, so athletes whose first rung in the log is the later one are left out.
    """
    rows = [_order_row(histories, rung, later, level) for rung, later in needed_steps(histories)]
    return pd.DataFrame(rows, columns=list(ORDER_COLUMNS))


def _order_row(histories: Histories, rung: str, later: str, level: float) -> dict[str, object]:
    spells = histories.spells
    first = spells.groupby("athlete")["start"].transform("min")
    after = spells[(spells["rung"] == later) & (spells["start"] > first) & ~spells["under_way"]]
    cleared_on = spells[spells["rung"] == rung].set_index("athlete")["cleared_on"]
    seen_on = set(cleared_on.index)
    after = after[after["athlete"].isin(seen_on)]
    earlier = pd.Series(cleared_on.reindex(after["athlete"]).to_numpy(), index=after.index)
    done = after["outcome"] == CLEARED
    before = done & ~(earlier <= after["cleared_on"])
    n, k = int(done.sum()), int(before.sum())
    share, low, high = _share(k, n, level)
    ratio = _ratio(after, ~(earlier <= after["start"]), level)
    doubtful = n >= MIN_ATHLETES and low > SKIPPED_SHARE and not ratio[2] < 1
    verdict = "order looks wrong" if doubtful else "as planned"
    return {
        "rung": rung, "next_rung": later, "cleared_next": n, "cleared_first": k,
        "share": share, "share_low": low, "share_high": high,
        "hazard_ratio": ratio[0], "low": ratio[1], "high": ratio[2],
        "verdict": verdict if n >= MIN_ATHLETES else "not enough data",
    }  # fmt: skip


def _share(k: int, n: int, level: float) -> tuple[float, float, float]:
    """Share k of n with its Wilson interval; missing where there are none."""
    if not n:
        return np.nan, np.nan, np.nan
    return (k / n, *proportion_confint(k, n, alpha=1 - level, method="wilson"))


def _ratio(after: pd.DataFrame, without: pd.Series, level: float) -> tuple[float, float, float]:
    """Hazard ratio of those who began without the earlier rung, one spell an athlete."""
    cleared = after["outcome"] == CLEARED
    if min((cleared & without).sum(), (cleared & ~without).sum()) < MIN_CLEARED_EACH:
        return np.nan, np.nan, np.nan
    fit = PHReg(
        np.maximum(after["weeks"].to_numpy(dtype=float), 2 * ENTRY_SHIFT),
        without.to_numpy(dtype=float)[:, None],
        status=cleared.to_numpy(dtype=float),
        ties="efron",
    ).fit()
    low, high = fit.conf_int(alpha=1 - level)[0]
    return float(np.exp(fit.params[0])), float(np.exp(low)), float(np.exp(high))


def return_table(histories: Histories, level: float) -> pd.DataFrame:
    """Table, for each step of the ladder, how many athletes had to go back.

    Columns ``RETURN_COLUMNS``: of ``moves`` to the later rung, ``went_back`` trained the earlier
    one again (two sessions or more) while off the later one for a fortnight or more;
    ``below_target`` of them then missed its target in every session; ``weeks_back`` the median
    weeks off the later rung. Keeping a cleared rung up beside the next one is not going back.
    """
    moves = all_moves(histories)
    if moves.empty:
        counts = pd.DataFrame(columns=["rung", "next_rung", "moves"])
        returns = pd.DataFrame(columns=["rung", "next_rung", "move", "weeks", "below"])
    else:
        counts = moves.groupby(["rung", "next_rung"]).size().rename("moves").reset_index()
        returns = _returns(histories, moves)
    rows = []
    for rung, later in needed_steps(histories):
        n = int(counts.loc[_same(counts, rung, later), "moves"].sum())
        back = returns[_same(returns, rung, later)]
        k = back["move"].nunique()
        rows.append(
            (
                rung, later, n, k, *_share(k, n, level),
                int(back.groupby("move")["below"].all().sum()),
                back["weeks"].median() if k else np.nan,
            )
        )  # fmt: skip
    return pd.DataFrame(rows, columns=list(RETURN_COLUMNS))


def _same(table: pd.DataFrame, rung: str, later: str) -> pd.Series:
    return (table["rung"] == rung) & (table["next_rung"] == later)


def _returns(histories: Histories, moves: pd.DataFrame) -> pd.DataFrame:
    """One row a return: stretches on the earlier rung between two sessions on the later one."""
    days = rung_days(histories)[["athlete", "rung", "date", "meets"]]
    keys = moves[["athlete", "rung", "next_rung", "moved_on", "end"]].reset_index(names="move")
    early = keys.merge(days, on=["athlete", "rung"]).assign(later=False)
    late = keys.merge(days.rename(columns={"rung": "next_rung"}), on=["athlete", "next_rung"])
    both = pd.concat([early, late.assign(later=True)], ignore_index=True)
    both = both[(both["date"] >= both["moved_on"]) & (both["date"] <= both["end"])]
    # On a day of both, the later rung was trained too: it goes last and ends the stretch.
    both = both.sort_values(["move", "date", "later"]).reset_index(drop=True)
    both["stretch"] = both.groupby("move")["later"].cumsum() - both["later"].astype(int)
    both["later_date"] = both["date"].where(both["later"])
    both["earlier_sessions"] = ~both["later"]
    both["met"] = both["meets"] & both["earlier_sessions"]
    table = both.groupby(["move", "rung", "next_rung", "stretch"], as_index=False).agg(
        sessions=("earlier_sessions", "sum"),
        until=("date", "max"),
        met=("met", "any"),
        later_date=("later_date", "max"),
    )
    since = table.groupby("move")["later_date"].shift(1)
    table["weeks"] = (table["until"] - since).dt.days / 7.0
    away = (table["sessions"] >= RETURN_SESSIONS) & (table["weeks"] >= RETURN_DAYS / 7.0)
    found = table[away].assign(below=lambda t: ~t["met"])
    return found[["rung", "next_rung", "move", "weeks", "below"]]
