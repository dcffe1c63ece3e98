"""Are the pass marks and the order of the rungs right? What another mark would do, estimated."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
import pandas as pd
from scipy.stats import norm
from statsmodels.duration.survfunc import survdiff
from statsmodels.stats.proportion import proportion_confint

from forecast.cohort.records import Shown
from forecast.cohort.rungs import rung_weeks
from forecast.errors import FitError, check_level, check_seed, is_number
from forecast.growth import to_latent
from forecast.histories import CLEARED, Histories
from forecast.ladder import Criterion, Ladder
from forecast.log import TrainingLog
from forecast.readiness import Fitted, LogView, as_view
from forecast.types import Array
from forecast.words import cohort as wording

PRIOR_SD = np.array([0.4, 1.0, 0.4])
"""Prior spread, around none, of what a rung carries over to the next one: start per unit of margin,
log gain per unit of margin, and pace per unit of own pace (judgement)."""
WIDER, MISFIT = 1.5, 0.5
"""How much wider than the normal model says a range is, and how far off an effect may be besides,
as a part of its size: planted effects came out a quarter to a third too small, and differed from
club to club by more than the model said (``docs/method/cohort.md``)."""
DRAWS = 4000
WINDOW = 3
"""Latest sessions that a margin is the mean of: one lucky set says little (judgement)."""
OPEN_SPREAD = 0.5
"""Spread of log weeks where neither limit of the week by which half had cleared is known."""
LEAST_GAP = 0.05
"""An average athlete starts a rung at least this far below its mark (log units; judgement)."""
SURE = 0.9
"""Chance from which fewer weeks, or more, are said to be likely (judgement)."""
MIN_CLEARED, SKIPPED_SHARE = 8, 0.25
"""An order is in doubt where eight or more cleared the later rung, and surely more than this share
of them before the earlier one (judgement)."""


@dataclass(frozen=True, slots=True)
class CriterionAudit(Shown):
    """What another pass mark would do to the next rung, and whether the order is kept.

    ``rungs`` has one row a step from a rung to one that needs it: ``rung, next_rung, mark,
    other_mark`` (the mark now and the one asked about, in the rung's unit), ``moves`` (athletes
    seen to move on), ``margin_mid`` (middle of their usual day over the mark when they did),
    ``next_factor`` (weeks on the next rung, times), ``weeks_here`` and ``weeks_next`` (change of
    the weeks on this rung and on the next; missing where half have not cleared one of them), each
    with ``_low`` and ``_high``; ``p_fewer``, the chance of fewer weeks in all, and ``verdict``.
    ``order`` has one row a step: of ``cleared_next`` athletes who cleared the later rung,
    ``cleared_first`` had not cleared the earlier one by then; ``share`` with its Wilson interval;
    ``p_value`` of the log-rank test whether those who began without it took as long; ``verdict``.
    ``n_moves`` teach what a margin carries over, and have removed ``share_learnt`` (0 to 1) of the
    prior uncertainty about a quicker gain; ``change`` as a share of the mark.
    """

    rungs: pd.DataFrame
    order: pd.DataFrame
    n_moves: int
    share_learnt: float
    change: float
    ladder: Ladder
    level: float

    _says: ClassVar = wording.criterion_audit

    def frame(self) -> pd.DataFrame:
        """Return the rungs' table with a sentence beside each verdict (``text``)."""
        text = []
        for _, row in self.rungs.iterrows():
            rung, later = self.ladder.rung(row["rung"]), self.ladder.rung(row["next_rung"])
            text.append(wording.audit_step(row, rung.name, later.name, rung.criterion.measure))
        return self.rungs.assign(text=text)


def criterion_audit(
    model: Fitted | LogView, log: TrainingLog | None = None,
    as_of: pd.Timestamp | str | None = None, *,
    change: float = 0.1, level: float = 0.9, seed: int = 0,
) -> CriterionAudit:  # fmt: skip
    """Say what another pass mark would do to the next rung, for each step of the ladder.

    What the margin of a move (mean log of best over mark in the last three sessions up to it)
    carries over to the next rung is learnt from all moves of the log in the growth engine's own
    normal model, athletes' effects integrated out, and shrunk to nothing by ``PRIOR_SD`` (Lindley &
    Smith 1972, JRSS B 34:1), so that every club has an estimate whose range says how much its log
    taught. A higher mark raises the margin by as much and costs the time an average athlete takes
    for the difference. Factors become weeks by the week at which half had cleared each rung.

    Parameters
    ----------
    model, log, as_of
        A view, or a fitted forecaster, a log and its cut date, as ``readiness.as_view`` takes them.
    change
        How much higher the other mark is, as a share of the present one: -0.5 to 1, but 0.
    level, seed
        Level of all intervals, and seed of the draws behind them.

    Raises
    ------
    FitError
        ``level`` or ``change`` is out of range.
    """
    check_level("level", level)
    check_seed(seed)
    if not (is_number(change) and -0.5 <= change <= 1.0 and change):
        raise FitError(f"change = {change!r}; give a share from -0.5 to 1 that is not 0.")
    view, rng = as_view(model, log, as_of), np.random.default_rng(seed)
    histories, ladder = view.histories, view.histories.ladder
    mean, cov, moves = _carry_over(view)
    spread = WIDER**2 * cov + np.diag((MISFIT * mean) ** 2)
    drawn = rng.multivariate_normal(mean, spread, DRAWS, method="cholesky")
    gaps, weeks, rows = _gaps(view, rng), _usual_weeks(histories, level, rng), []
    for rung, later in _steps(ladder):
        seen = moves[(moves["rung"] == rung) & (moves["next_rung"] == later)]
        mark, other = _other_mark(ladder.rung(rung).criterion, change)
        step = float(to_latent(np.array(other / mark), view.growth.linear))
        start = gaps[ladder.position(later)]
        factor = np.maximum(start - drawn[:, 0] * step, 0.0) / start * np.exp(-drawn[:, 1] * step)
        here = weeks[rung] * step / gaps[ladder.position(rung)]
        there = weeks[later] * (factor - 1.0)
        p_fewer = float((here + there < 0).mean()) if np.isfinite(here + there).all() else np.nan
        verdict = wording.MORE if p_fewer <= 1 - SURE else wording.UNKNOWN
        verdict = wording.FEWER if p_fewer >= SURE else verdict
        row: dict[str, object] = {
            "rung": rung, "next_rung": later, "mark": mark, "other_mark": other,
            "moves": len(seen), "margin_mid": float(np.exp(seen["margin"].median())),
        }  # fmt: skip
        for name, values in (("next_factor", factor), ("weeks_here", here), ("weeks_next", there)):
            points = np.quantile(values, [0.5, (1 - level) / 2, (1 + level) / 2])
            row |= dict(zip((name, f"{name}_low", f"{name}_high"), points, strict=True))
        rows.append({**row, "p_fewer": p_fewer, "verdict": verdict})
    share_learnt = float(1.0 - cov[1, 1] / PRIOR_SD[1] ** 2)
    order = _order_table(histories, level)
    return CriterionAudit(
        pd.DataFrame(rows), order, len(moves), share_learnt, float(change), ladder, level
    )


def _other_mark(criterion: Criterion, change: float) -> tuple[float, float]:
    """The mark and the other one: whole repetitions, else to a tenth; at least one unit away."""
    unit = 1.0 if criterion.measure == "reps" else 0.1
    mark = float(criterion.target)
    away = max(round(mark * abs(change) / unit), 1) * unit
    return mark, round(mark + away, 1) if change > 0 else max(round(mark - away, 1), mark / 2)


def _usual_weeks(histories: Histories, level: float, rng: np.random.Generator) -> dict[str, Array]:
    """Draws of the week by which half had cleared each rung; missing where that was not reached."""
    draws = {key: np.full(DRAWS, np.nan) for key in histories.ladder.keys}
    halves = rung_weeks(histories, level).dropna(subset="weeks").sort_index()
    for key, week, low, high, _ in halves.itertuples():
        # Where one limit is open the other one says how far off the middle may be.
        ends = [np.log(high / week)] if np.isfinite(high) else []
        ends += [np.log(week / low)] if 0 < low < week else []
        spread = np.mean(ends) / norm.ppf((1 + level) / 2) if ends else OPEN_SPREAD
        draws[str(key)] = week * np.exp(spread * rng.standard_normal(DRAWS))
    return draws


def _steps(ladder: Ladder) -> list[tuple[str, str]]:
    """Pairs of a rung and one that needs it, in ladder order of the latter."""
    return [(need, rung.key) for rung in ladder.rungs for need in rung.needs]


def _moves(histories: Histories) -> pd.DataFrame:
    """Moves from a cleared rung to one that needs it and was begun since, by row of the spells."""
    spells = histories.spells.reset_index(names="spell")
    done = spells.loc[spells["outcome"] == CLEARED, ["athlete", "rung", "cleared_on", "spell"]]
    later = spells.loc[~spells["under_way"], ["athlete", "rung", "start", "spell"]]
    later = later.rename(columns={"rung": "next_rung", "spell": "next_spell"})
    steps = pd.DataFrame(_steps(histories.ladder), columns=["rung", "next_rung"])
    moves = done.merge(steps, on="rung").merge(later, on=["athlete", "next_rung"])
    moves = moves[moves["start"] >= moves["cleared_on"]]
    # Of several rungs needed, the one cleared last is the one that was moved on from.
    moves = moves.sort_values(["next_spell", "cleared_on", "spell"])
    return moves.drop_duplicates("next_spell", keep="last", ignore_index=True)


def _margins(histories: Histories, moves: pd.DataFrame) -> pd.Series:
    """Usual log of best over mark when moving on, by row of ``moves``; missing where none shows it.

    A best set stopped at the target does not show what was in reserve. Three sessions tell a margin
    only roughly, so margins are shrunk to the middle of their step by how much of their spread is
    chance (regression calibration: Carroll et al. 2006, Measurement Error in Nonlinear Models).
    """
    sets = pd.concat([histories.sets, histories.after_clearing])
    sets = sets[sets["counts"] & (sets["value"] > 0)].sort_values("value", kind="stable")
    best = sets.groupby(["athlete", "rung", "date"], as_index=False)[["value", "target", "stopped"]]
    joined = moves.reset_index(names="move").merge(best.last(), on=["athlete", "rung"])
    joined = joined[joined["date"] <= joined["start"]].sort_values(["move", "date"])
    joined = joined.groupby("move").tail(WINDOW)
    joined = joined[joined["stopped"] != "target"]
    shown = np.log(joined["value"] / joined["target"]).groupby(joined["move"])
    margin, count = shown.mean(), shown.size()
    # One scatter of a session for all: three sessions are too few for a scatter of one's own.
    scatter = (shown.var() * (count - 1)).sum() / max(float((count - 1).sum()), 1.0)
    step = [moves["rung"].reindex(margin.index), moves["next_rung"].reindex(margin.index)]
    away = margin - margin.groupby(step).transform("mean")
    true = max(float(away.var() - (scatter / count).mean()), 0.0) if len(away) > 1 else 0.0
    return (margin - away * (1.0 - true / (true + scatter / count))).reindex(moves.index)


def _carry_over(view: LogView) -> tuple[Array, Array, pd.DataFrame]:
    """What margins carry over: mean (3,) and covariance (3, 3), and the moves it is learnt from."""
    panel, linear, moves = view.tracked.panel, view.growth.linear, _moves(view.histories)
    moves = moves.assign(margin=_margins(view.histories, moves)).dropna(subset="margin")
    # Rungs differ in their usual margin; only differences on one step say what a margin does.
    latent = pd.Series(to_latent(np.exp(moves["margin"].to_numpy()), linear), moves.index)
    step = latent.groupby([moves["rung"], moves["next_rung"]])
    around = (latent - step.transform("mean")).to_numpy()
    at = moves["next_spell"].to_numpy(dtype=np.int64)
    usual = view.growth.fit.pooled.usual(panel.rung)
    design = np.zeros((panel.n_spells, 3, 3))
    design[at, 0, 0] = around
    design[at, 1:, 1] = around[:, None] * usual[at, 1:]
    design[at, 2, 2] = view.tracked.own_paces()[moves["spell"].to_numpy(dtype=np.int64)]
    mean, cov = view.tracked.regress(design, PRIOR_SD)
    return mean, cov, moves


def _gaps(view: LogView, rng: np.random.Generator) -> Array:
    """Draws of how far below each mark an average athlete starts, (R, DRAWS)."""
    pooled = view.growth.fit.pooled
    k = len(view.growth.fit.constants.pooling.rung)
    root = np.linalg.cholesky(pooled.common_cov + 1e-12 * np.eye(len(pooled.common_mean)))
    drawn = pooled.common_mean + rng.standard_normal((DRAWS, len(root))) @ root.T
    starts = drawn[:, 0] + drawn[:, k::k].T
    return np.maximum(-starts, LEAST_GAP)


def _order_table(histories: Histories, level: float) -> pd.DataFrame:
    """For each rung and each that needs it, how often the later one was cleared first."""
    spells = histories.spells
    # A rung behind an athlete when the log began looks skipped: who begins on the later is left out
    first = spells.groupby("athlete")["start"].transform("min")
    rows = []
    for rung, later in _steps(histories.ladder):
        cleared_on = spells[spells["rung"] == rung].set_index("athlete")["cleared_on"]
        after = spells[(spells["rung"] == later) & (spells["start"] > first) & ~spells["under_way"]]
        after = after[after["athlete"].isin(cleared_on.index)]
        earlier = pd.Series(cleared_on.reindex(after["athlete"]).to_numpy(), index=after.index)
        done = after["outcome"] == CLEARED
        n, k = int(done.sum()), int((done & ~(earlier <= after["cleared_on"])).sum())
        low, high = proportion_confint(k, n, 1 - level, "wilson") if n else (np.nan, np.nan)
        p_value, slower = _log_rank(after["weeks"], done, ~(earlier <= after["start"]))
        doubtful = low > SKIPPED_SHARE and not (slower and p_value < 1 - level)
        verdict = "order looks wrong" if doubtful else "as planned"
        verdict = verdict if n >= MIN_CLEARED else "not enough data"
        share = k / n if n else np.nan
        rows.append((rung, later, n, k, share, low, high, p_value, verdict))
    columns = ["rung", "next_rung", "cleared_next", "cleared_first", "share", "share_low",
               "share_high", "p_value", "verdict"]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


def _log_rank(weeks: pd.Series, cleared: pd.Series, without: pd.Series) -> tuple[float, bool]:
    """Log-rank test of those who began without the earlier rung, and whether they were slower."""
    if without.nunique() < 2 or not cleared.any():
        return np.nan, False
    rate = cleared.groupby(without).sum() / weeks.groupby(without).sum().clip(lower=1e-9)
    try:
        _, p_value = survdiff(weeks.to_numpy(), cleared.astype(int).to_numpy(), without.to_numpy())
    except np.linalg.LinAlgError:  # both took just as long: nothing varies that could be tested
        return np.nan, False
    return float(p_value), bool(rate[True] < rate[False])
