"""A linear mixed model of log level by spell, drawn on with its noise until it clears."""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
import pandas as pd
from statsmodels.regression.mixed_linear_model import MixedLM
from statsmodels.tools.sm_exceptions import ConvergenceWarning

from forecast.backtest.baselines.at_cut import AtCut, CutForecast, counting_sessions, long_curve
from forecast.errors import FitError
from forecast.types import Array

DRAWS = 400
MIN_SESSIONS = 20
RATE_DAYS = 56


@dataclass(frozen=True, slots=True)
class Lines:
    """A fitted random intercept and slope by spell; time is ``(days - centre) / spread``.

    ``fixed`` (2,) are the cohort's intercept and slope, ``random`` (2, 2) the covariance of the
    spells' departures, ``residual`` the variance of a session about its spell's line.
    """

    fixed: Array
    random: Array
    residual: float
    centre: float
    spread: float


def mixed_model(known: AtCut) -> CutForecast:
    """Forecast by ``log(best / target) = (a + a_i) + (b + b_i) t + e``, then simulated sessions.

    Lines are drawn from their law given the spell's own sessions (400 draws a spell), sessions come
    at the rate of the last eight weeks, each with a residual and the spell's chance of a counting
    set; the first run of enough sessions at or above the target clears. Crossing the bare line
    instead would ignore good days. Raises ``FitError`` if there are fewer than 20 sessions or two
    spells, or the fit does not converge. N. Laird, J. Ware (1982), Biometrics 38:963-974.
    """
    sessions = counting_sessions(known)
    lines, notes = fit_lines(sessions)
    rng = np.random.default_rng(known.seed)
    mean, root = _spell_lines(lines, sessions, known.open_spells["spell"].to_numpy())
    drawn = rng.standard_normal((len(mean), DRAWS, 2))
    line = mean[:, None, :] + np.einsum("sij,sdj->sdi", root, drawn)
    cleared = _clearing_weeks(known, lines, line, rng)
    curve = (cleared[:, :, None] <= known.weeks).mean(axis=1)
    return CutForecast(long_curve(known, curve), notes)


def fit_lines(sessions: pd.DataFrame) -> tuple[Lines, tuple[str, ...]]:
    """Fit the mixed model by restricted likelihood to ``spell, days, level`` rows.

    Time is centred and scaled first: on raw days the optimiser stops early without an error.
    Returns the fit and notes, such as a variance on its boundary; errors as in ``mixed_model``.
    """
    if len(sessions) < MIN_SESSIONS or sessions["spell"].nunique() < 2:
        raise FitError(f"the mixed model needs {MIN_SESSIONS} counting sessions in two spells")
    centre, spread = float(sessions["days"].mean()), float(sessions["days"].std())
    if not spread > 0:
        raise FitError("the mixed model needs sessions on different days of a spell")
    time = (sessions["days"].to_numpy() - centre) / spread
    design = np.column_stack([np.ones(len(time)), time])
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        model = MixedLM(sessions["level"].to_numpy(), design, sessions["spell"], exog_re=design)
        fit = model.fit(reml=True, method=["lbfgs", "bfgs"], do_cg=True)
    if not fit.converged:
        raise FitError("the mixed model did not converge")
    boundary = [w for w in caught if issubclass(w.category, ConvergenceWarning)]
    notes = (f"the mixed model warned: {boundary[-1].message}",) if boundary else ()
    lines = Lines(
        np.asarray(fit.fe_params, float),
        np.asarray(fit.cov_re, float),
        float(fit.scale),
        centre,
        spread,
    )
    return lines, notes


def _spell_lines(lines: Lines, sessions: pd.DataFrame, spells: Array) -> tuple[Array, Array]:
    """Mean (s, 2) and Cholesky root (s, 2, 2) of each spell's line given its sessions.

    With A = Z'Z / residual and D the random covariance, the law given the data has covariance
    (I + D A)^-1 D, which holds for a singular D too.
    """
    time = (sessions["days"] - lines.centre) / lines.spread
    gap = sessions["level"] - lines.fixed[0] - lines.fixed[1] * time
    sums = pd.DataFrame(
        {"n": 1.0, "t": time, "tt": time**2, "g": gap, "tg": time * gap, "spell": sessions["spell"]}
    )
    total = sums.groupby("spell").sum().reindex(spells).fillna(0.0)
    n, t, tt = (total[name].to_numpy() for name in ("n", "t", "tt"))
    a = np.stack([np.stack([n, t], -1), np.stack([t, tt], -1)], -2) / lines.residual
    cov = np.linalg.solve(np.eye(2) + lines.random @ a, np.broadcast_to(lines.random, a.shape))
    cov = (cov + np.swapaxes(cov, 1, 2)) / 2
    pull = total[["g", "tg"]].to_numpy() / lines.residual
    mean = lines.fixed + np.einsum("sij,sj->si", cov, pull)
    value, vector = np.linalg.eigh(cov)
    return mean, vector * np.sqrt(np.maximum(value, 0.0))[:, None, :]


def _clearing_weeks(known: AtCut, lines: Lines, line: Array, rng: np.random.Generator) -> Array:
    """Simulate day by day; weeks to clearing of each draw (s, d), infinite past the horizon."""
    spells = known.open_spells
    ladder = known.histories.ladder
    confirm = {r.key: r.criterion.confirm_sessions for r in ladder.rungs}
    need = spells["rung"].map(confirm).to_numpy()[:, None]
    attend, counts = _attendance(known)
    served = (known.as_of - spells["start"]).dt.days.to_numpy()
    run = np.repeat(spells["run"].to_numpy()[:, None], line.shape[1], axis=1)
    cleared = np.full(line.shape[:2], np.inf)
    noise = np.sqrt(lines.residual)
    for day in range(known.horizon_weeks * 7):
        time = (served + day - lines.centre) / lines.spread
        level = line[:, :, 0] + line[:, :, 1] * time[:, None]
        level += noise * rng.standard_normal(level.shape)
        there = rng.random(level.shape) < attend[:, None]
        meets = (level >= 0) & (rng.random(level.shape) < counts[:, None])
        run = np.where(there, np.where(meets, run + 1, 0), run)
        done = there & (run >= need) & ~np.isfinite(cleared)
        cleared[done] = (day + 1) / 7.0
    return cleared


def _attendance(known: AtCut) -> tuple[Array, Array]:
    """Chance of a session on a day, and of a counting set in it, by open spell."""
    sessions = known.histories.sessions
    spells = known.open_spells
    ago = (known.as_of - sessions["date"]).dt.days
    lately = sessions[ago <= RATE_DAYS].groupby("spell").size()
    days = np.clip((known.as_of - spells["start"]).dt.days.to_numpy(), 7, RATE_DAYS)
    # One session more in the window keeps an athlete who paused from never training again.
    attend = np.minimum((lately.reindex(spells["spell"]).fillna(0).to_numpy() + 1) / (days + 7), 1)
    counted = sessions["best"].notna()
    usual = float(counted.mean())
    own = counted.groupby(sessions["spell"]).agg(["sum", "size"]).reindex(spells["spell"]).fillna(0)
    return attend, ((own["sum"] + 4 * usual) / (own["size"] + 4)).to_numpy()
