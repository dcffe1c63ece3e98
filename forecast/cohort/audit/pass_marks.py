"""The audit of pass marks, rung by rung and over the whole ladder."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import statsmodels.api as sm
from statsmodels.stats.multitest import multipletests

from forecast.cohort.audit.hinge import HingeFit, MovesData, effect_interval, fit_hinge
from forecast.cohort.audit.interval_regression import fit_intervals
from forecast.ladder import Ladder
from forecast.types import Array

ALL_RUNGS = "(all rungs)"
MIN_MOVES = 40
MIN_CLEARED = 20
MIN_ATHLETES = 20
MIN_CLEARED_PER_STEP = 4
"""Moves to a next rung that fewer have cleared since can't be used: it has no usual time yet."""
MIN_LAPSES = 10
MIN_SPREAD = 0.03
"""Standard deviation of log margins below which everybody moved on at one and the same value."""
WORTH = 1.25
"""An effect this large over the middle half of the margins would matter; one that can't be told
from none although it may be larger than this is 'not enough data', not 'no sign'."""

EFFECTS = (
    "weeks_factor", "weeks_factor_low", "weeks_factor_high",
    "confirm_factor", "confirm_factor_low", "confirm_factor_high",
    "lapse_factor", "lapse_factor_low", "lapse_factor_high",
    "slope_below", "mark", "mark_low", "mark_high",
)  # fmt: skip
"""Columns that only rungs with enough data have."""

MARK, PAYS, NO_SIGN, TOO_FEW = "mark", "keeps paying", "no sign", "not enough data"


def audit_rungs(
    moves: pd.DataFrame, ladder: Ladder, *, alpha: float, level: float, seed: int
) -> tuple[pd.DataFrame, dict[str, HingeFit]]:
    """Audit each rung that leads on to others, then all rungs together.

    Arguments as in ``criterion_audit``. Returns one row a rung (columns in
    ``docs/method/cohort.md``), and the hinge behind each row that had enough data.
    """
    leading = {need for rung in ladder.rungs for need in rung.needs}
    rows, fits = [], {}
    for number, key in enumerate([*(k for k in ladder.keys if k in leading), ALL_RUNGS]):
        whole = moves if key == ALL_RUNGS else moves[moves["rung"] == key]
        part = _steps_with_enough(whole)
        row = {"rung": key, **_describe(whole), "moves_used": len(part)}
        shortage = what_is_short(part)
        if shortage is None:
            data = moves_data(part)
            fits[key] = fit_hinge(data, level=level, seed=seed + number)
            row |= _effects(part, data, fits[key], level)
        rows.append({**row, "shortage": shortage or ""})
    table = pd.DataFrame(rows)
    return _judge(table, alpha), fits


def _steps_with_enough(part: pd.DataFrame) -> pd.DataFrame:
    """Drop steps (rung to next rung) that too few have cleared to have a middle of their own."""
    step = part["rung"] + " > " + part["next_rung"]
    cleared = part["cleared"].groupby(step).transform("sum")
    return part.assign(step=step)[cleared >= MIN_CLEARED_PER_STEP].reset_index(drop=True)


def what_is_short(part: pd.DataFrame) -> str | None:
    """Say in words what keeps a rung from being audited; ``None`` when nothing does."""
    athletes = part["athlete_id"].nunique()
    for count, least, what in (
        (len(part), MIN_MOVES, "moves that can be used"),
        (int(part["cleared"].sum()), MIN_CLEARED, "of them cleared since"),
        (athletes, MIN_ATHLETES, "athletes"),
    ):
        if count < least:
            return f"{count} {what}, at least {least} are needed"
    if part["margin"].std() < MIN_SPREAD:
        return "everybody moved on at nearly the same value, so there is nothing to compare"
    return None


def moves_data(part: pd.DataFrame) -> MovesData:
    """Lay moves out for the regression: steps and the athlete's earlier pace as controls."""
    with np.errstate(divide="ignore"):
        lower = np.log(part["weeks_lower"].to_numpy(dtype=float))
        upper = np.log(part["weeks_upper"].to_numpy(dtype=float))
    steps = pd.get_dummies(part["step"], dtype=float).to_numpy()
    return MovesData(
        margin=usual_margin(part),
        lower=lower,
        upper=upper,
        controls=np.column_stack([steps, part["earlier"].to_numpy(dtype=float)]),
        cluster=part["athlete_id"].to_numpy(dtype=np.int64),
    )


def usual_margin(part: pd.DataFrame) -> Array:
    """Shrink margins to the middle of their step by how much of their spread is chance.

    Three sessions tell what an athlete can usually show only roughly; put in as they are, margins
    blur the bend and push it outward. Regression calibration: Carroll, Ruppert, Stefanski &
    Crainiceanu (2006), *Measurement Error in Nonlinear Models*, ch. 4.
    """
    middle = part.groupby("step")["margin"].transform("mean")
    away = part["margin"] - middle
    true = max(float(away.var() - part["margin_var"].mean()), 1e-6)
    return (middle + true / (true + part["margin_var"]) * away).to_numpy(dtype=float)


def _describe(part: pd.DataFrame) -> dict[str, object]:
    quantiles = np.exp(part["margin"].quantile([0.1, 0.5, 0.9]).to_numpy(dtype=float))
    return {
        "moves": len(part),
        "athletes": part["athlete_id"].nunique(),
        "cleared_next": int(part["cleared"].sum()),
        "lapsed_next": int(part["lapsed"].sum()),
        "margin_low": quantiles[0],
        "margin_mid": quantiles[1],
        "margin_high": quantiles[2],
        "confirming_mid": part["confirming"].median(),
    }


def _effects(part: pd.DataFrame, data: MovesData, fit: HingeFit, level: float) -> dict[str, object]:
    """Effects as factors on weeks (per 10 % of margin, per confirming session) and on lapse."""
    tenth = float(np.log(1.1))
    low, high = effect_interval(fit.linear, fit.linear_se, level)
    middle_half = float(np.subtract(*np.quantile(data.margin, [0.75, 0.25])))
    row: dict[str, object] = {
        **_factors(EFFECTS[:3], tenth * np.array([fit.linear, low, high])),
        "could_matter": float(-low * middle_half > np.log(WORTH)),
        "slope_below": fit.slope,
        "mark": np.exp(fit.mark),
        "mark_low": np.exp(fit.mark_low),
        "mark_high": np.exp(fit.mark_high),
        "p_effect": fit.p_effect,
        "p_bend": fit.p_bend,
        "p_claim": max(fit.p_effect, fit.p_bend),
    }
    row |= _confirming_effect(part, data, level)
    return row | _lapse_effect(part, level, tenth)


def _confirming_effect(part: pd.DataFrame, data: MovesData, level: float) -> dict[str, float]:
    """Factor on weeks of one more session that met the criterion before moving on."""
    names = EFFECTS[3:6]
    sessions = part["confirming"].to_numpy(dtype=float)
    if np.ptp(sessions) == 0:
        return dict.fromkeys(names, np.nan)
    design = np.column_stack([data.controls, np.log1p(sessions)])
    fit = fit_intervals(design, data.lower, data.upper)
    scores = pd.DataFrame(fit.scores).groupby(data.cluster).sum().to_numpy()
    bread = np.linalg.inv(fit.information)
    cov = bread @ (scores.T @ scores) @ bread
    gradient = np.zeros(len(fit.theta))
    gradient[-2:] = fit.sigma, -fit.theta[-2] * fit.sigma**2
    effect, error = float(fit.coefficients[-1]), float(np.sqrt(gradient @ cov @ gradient))
    # Effects are on the log of 1 + sessions: from the middle number of sessions to one more.
    middle = float(np.median(sessions))
    one_more = float(np.log((2.0 + middle) / (1.0 + middle)))
    low, high = effect_interval(effect, error, level)
    return _factors(names, one_more * np.array([effect, low, high]))


def _lapse_effect(part: pd.DataFrame, level: float, tenth: float) -> dict[str, float]:
    """Factor on the rate of lapse from the next rung per 10 % of margin; missing with few lapses.

    Poisson regression of lapse with the weeks seen as exposure, errors clustered by athlete.
    """
    names = EFFECTS[6:9]
    if part["lapsed"].sum() < MIN_LAPSES:
        return dict.fromkeys(names, np.nan)
    design = sm.add_constant(part[["margin", "earlier"]].to_numpy(dtype=float))
    fit = sm.GLM(
        part["lapsed"].to_numpy(dtype=float),
        design,
        family=sm.families.Poisson(),
        exposure=part["weeks_seen"].to_numpy(dtype=float),
    ).fit(cov_type="cluster", cov_kwds={"groups": part["athlete_id"].to_numpy()})
    low, high = effect_interval(float(fit.params[1]), float(fit.bse[1]), level)
    effects = np.array([float(fit.params[1]), low, high])
    return _factors(names, tenth * effects)


def _factors(names: Sequence[str], logs: Array) -> dict[str, float]:
    """An effect and the ends of its interval as factors.

    Where nothing is known of an effect its interval goes from 0 to infinity: no overflow.
    """
    with np.errstate(over="ignore"):
        return dict(zip(names, np.exp(logs).tolist(), strict=True))


def _judge(table: pd.DataFrame, alpha: float) -> pd.DataFrame:
    """Add Holm-adjusted p-values over the rungs audited, and the verdicts."""
    out = table.copy()
    # Where no rung could be audited these were never filled in.
    for name in (*EFFECTS, "p_effect", "p_bend", "p_claim", "could_matter"):
        if name not in out:
            out[name] = np.nan
    tested = out["p_claim"].notna().to_numpy()
    out["p_holm"] = np.nan
    out["p_effect_holm"] = np.nan
    if tested.any():
        for source, target in (("p_claim", "p_holm"), ("p_effect", "p_effect_holm")):
            values = out.loc[tested, source].to_numpy(dtype=float)
            out.loc[tested, target] = multipletests(values, method="holm")[1]
    claimed = out["p_holm"] <= alpha
    effect = out["p_effect_holm"] <= alpha
    vague = ~tested | (out["could_matter"].ne(0.0) & ~effect)
    out["verdict"] = np.select([claimed, vague, effect], [MARK, TOO_FEW, PAYS], NO_SIGN)
    return out
