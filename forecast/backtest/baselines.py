"""Forecasters to beat, from a spreadsheet's straight line to a survival forest.

A baseline is a function of what was known at a cut (``AtCut``) and returns one curve an open spell.
The regressions take landmark rows: plain figures that a coach could work out by hand.
"""

from __future__ import annotations

import importlib.util
import warnings
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.optimize import minimize
from statsmodels.regression.mixed_linear_model import MixedLM
from statsmodels.tools.sm_exceptions import ConvergenceWarning

from forecast.errors import FitError
from forecast.histories import CLEARED, Histories
from forecast.survival import kaplan_meier
from forecast.types import Array
from forecast.words import backtest as wording

LEVEL_FLOOR = 0.5
"""A miss (best of 0) enters a log level as half a unit: below one second or repetition."""
RUNG_EVENTS = 5
"""A rung cleared fewer times than this borrows the cohort curve of all rungs together."""
MIN_EVENTS, MIN_SESSIONS = 10, 20
"""Landmarks that end in a clearing, and counting sessions, below which no regression is fitted."""
FIRST_DAY, STEP_DAYS = 7, 21
RECENT_DAYS, SLOPE_DAYS, RATE_DAYS = 28, 70, 56
RIDGE = 1.0
"""Penalty on standardised effects, worth one athlete's word that the effect is about 0."""
TREES, LEAF = 200, 15
DRAWS = 400
FEATURES: tuple[str, ...] = (
    "level_recent", "level_best", "slope", "rate", "log_age", "idle", "met", "none_counted",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class AtCut:
    """All that is known at a cut date.

    ``open_spells`` are to be forecast: rows of ``histories.spells`` by athlete and rung, with
    ``spell`` (row number there) beside them; ``horizon_weeks`` is the length H of each curve.
    """

    histories: Histories
    open_spells: pd.DataFrame
    as_of: pd.Timestamp
    horizon_weeks: int
    seed: int

    @property
    def weeks(self) -> Array:
        """Weeks 1 to H, shape (H,)."""
        return np.arange(1.0, self.horizon_weeks + 1)


@dataclass(frozen=True, slots=True)
class CutForecast:
    """Curves of one forecaster (``athlete, rung, week, p_cleared``), and notes on exceptions."""

    curve: pd.DataFrame
    notes: tuple[str, ...] = ()


Baseline = Callable[[AtCut], CutForecast]


def at_cut(
    histories: Histories, as_of: pd.Timestamp, horizon_weeks: int = 52, seed: int = 0
) -> AtCut:
    """Gather what a baseline may see."""
    spells = histories.spells.reset_index(names="spell")
    still = spells[spells["spell"].isin(histories.open_spells.index)]
    still = still.sort_values(["athlete", "rung"]).reset_index(drop=True)
    return AtCut(histories, still, as_of, horizon_weeks, seed)


def long_curve(at: AtCut, p_cleared: Array) -> pd.DataFrame:
    """Lay curves (n, H) of the open spells out as a long frame."""
    n, horizon = p_cleared.shape
    keys = at.open_spells[["athlete", "rung"]].loc[np.repeat(np.arange(n), horizon)]
    return keys.reset_index(drop=True).assign(
        week=np.tile(np.arange(1, horizon + 1), n), p_cleared=p_cleared.ravel()
    )


def counting_sessions(at: AtCut) -> pd.DataFrame:
    """Return sessions with a counting set: ``spell, date, days, best, target, level``.

    ``days`` runs from the spell's first session; ``level`` is log(best / target).
    """
    sessions = at.histories.sessions.dropna(subset=["best"]).reset_index(drop=True)
    ladder = at.histories.ladder
    target = sessions["rung"].map({r.key: r.criterion.target for r in ladder.rungs}).astype(float)
    start = at.histories.spells["start"].reindex(sessions["spell"]).to_numpy()
    best = sessions["best"].astype(float)
    level = np.log(np.maximum(best, np.minimum(LEVEL_FLOOR, target / 2)) / target)
    days = (sessions["date"] - start).dt.days.astype(float)
    return sessions[["spell", "date"]].assign(days=days, best=best, target=target, level=level)


def straight_line(at: AtCut) -> CutForecast:
    """Draw the least-squares line through each session's best counting set on to the target.

    From that week on the chance is 1, before it 0. A line that had crossed before the cut date says
    "next week", one that does not rise "not within the horizon"; the notes count these.
    """
    sessions = counting_sessions(at)
    sessions["weeks"] = (sessions["date"] - at.as_of).dt.days / 7.0
    centre = sessions.groupby("spell")[["weeks", "best"]].transform("mean")
    across, up = sessions["weeks"] - centre["weeks"], sessions["best"] - centre["best"]
    sums = sessions.assign(xx=across**2, xy=across * up).groupby("spell")
    line = sums.agg(
        {"weeks": "mean", "best": "mean", "target": "first", "xx": "sum", "xy": "sum"}
    ).reindex(at.open_spells["spell"])
    rising = ((line["xx"] > 0) & (line["xy"] > 0)).to_numpy()
    slope = np.divide(line["xy"], line["xx"], out=np.ones(len(line)), where=rising)
    crossing = line["weeks"] + (line["target"] - line["best"]) / slope
    crossing = np.where(rising, np.maximum(crossing, 0.0), np.inf)
    flat = int(np.sum(~np.isfinite(crossing)))
    curve = (at.weeks[None, :] >= crossing[:, None]).astype(float)
    notes = (wording.no_rising_line(flat, len(crossing)),) if flat else ()
    return CutForecast(long_curve(at, curve), notes)


def cohort_curve(at: AtCut) -> CutForecast:
    """Forecast from how long others took on the rung: ``1 - S(s + w) / S(s)``.

    s is the time served, S the Kaplan-Meier curve of the rung's spells, lapses censored; with fewer
    than ``RUNG_EVENTS`` clearings that of all rungs together. Past the last time anybody was
    followed it goes on at the mean rate of clearings a week.
    """
    every = at.histories.spells
    weeks = np.maximum(every["weeks"], 1 / 7)  # a spell of one day counts as one day
    spells = every[["rung"]].assign(weeks=weeks, cleared=every["outcome"] == CLEARED)
    if not spells["cleared"].any():
        raise FitError("no rung has been cleared before the cut, so there is no cohort curve")
    events = spells.groupby("rung")["cleared"].sum()
    rungs = at.open_spells["rung"]
    thin = rungs.map(events).fillna(0) < RUNG_EVENTS
    served = ((at.as_of - at.open_spells["start"]).dt.days / 7.0).to_numpy()
    p_cleared = np.empty((len(rungs), at.horizon_weeks))
    beyond = 0
    for key, rows in rungs.mask(thin, "").groupby(rungs.mask(thin, "")).indices.items():
        group = spells[spells["rung"] == key] if key else spells
        p_cleared[rows], outside = _conditional(group, served[rows], at.weeks)
        beyond += outside
    notes = [wording.beyond(beyond)] if beyond else []
    if thin.any():
        names = sorted(rungs[thin].unique())
        notes.insert(0, wording.borrowed(int(thin.sum()), RUNG_EVENTS, names))
    return CutForecast(long_curve(at, p_cleared), tuple(notes))


def _conditional(spells: pd.DataFrame, served: Array, weeks: Array) -> tuple[Array, int]:
    """Chance of clearing within each of ``weeks`` after ``served``, and how many were beyond."""
    curve = kaplan_meier(None, spells["weeks"], spells["cleared"])
    rate = spells["cleared"].sum() / spells["weeks"].sum()
    # The last step to zero rests on one athlete: stop just before it.
    last = curve.time[-1] if curve.survival[-1] <= 0 else curve.end
    grid = np.concatenate([served[:, None], served[:, None] + weeks], axis=1)
    inside = np.minimum(grid, last)
    hazard = -np.log(np.where(inside >= last, curve.just_before(inside), curve.at(inside)))
    hazard = hazard + rate * np.maximum(grid - last, 0.0)
    return -np.expm1(-(hazard[:, 1:] - hazard[:, :1])), int(np.sum(served >= last))


def training_rows(at: AtCut) -> pd.DataFrame:
    """Return landmark rows of every spell: ``FEATURES``, ``rung``, ``weeks`` to go, ``cleared``."""
    spells = at.histories.spells.reset_index(names="spell")
    length = (spells["end"] - spells["start"]).dt.days
    number = np.maximum(0, np.ceil((length - FIRST_DAY) / STEP_DAYS)).astype(int)
    rows = spells.loc[np.repeat(spells.index, number), ["spell", "rung", "start", "end", "outcome"]]
    step = rows.groupby("spell").cumcount()
    landmark = rows["start"] + pd.to_timedelta(FIRST_DAY + STEP_DAYS * step, unit="D")
    rows = rows.assign(landmark=landmark).reset_index(drop=True)
    rows["weeks"] = (rows["end"] - rows["landmark"]).dt.days / 7.0
    rows["cleared"] = rows["outcome"] == CLEARED
    return features_at(at, rows)


def open_rows(at: AtCut) -> pd.DataFrame:
    """Return the landmark row of each open spell at the cut, in their order."""
    rows = at.open_spells[["spell", "rung", "start"]].assign(landmark=at.as_of)
    return features_at(at, rows.reset_index(drop=True))


def features_at(at: AtCut, rows: pd.DataFrame) -> pd.DataFrame:
    """Add ``FEATURES`` to rows of ``spell, rung, start, landmark``, from sessions before it.

    ``level_recent`` and ``level_best`` are log(best / target) over four weeks and ever, or the
    lowest on record; ``slope`` the least-squares gain a week over ten weeks, 0 for fewer than three
    sessions or under a week; ``idle`` weeks since the last session.
    """
    out = rows.copy()
    out["row"] = np.arange(len(out))
    age = (out["landmark"] - out["start"]).dt.days
    every = _joined(out, at.histories.sessions[["spell", "date", "meets"]])
    counting = _joined(out, counting_sessions(at)[["spell", "date", "level"]])
    recent = counting[counting["ago"] <= RECENT_DAYS]
    best = counting.groupby("row")["level"].max().reindex(out["row"])
    lowest = counting["level"].min() if len(counting) else -2.0
    out["none_counted"] = best.isna().to_numpy().astype(float)
    out["level_best"] = best.fillna(lowest).to_numpy()
    latest = recent.groupby("row")["level"].max().reindex(out["row"])
    out["level_recent"] = latest.fillna(best).fillna(lowest).to_numpy()
    slope = np.zeros(len(out))
    pairs = counting[counting["ago"] <= SLOPE_DAYS].assign(week=lambda pairs: -pairs["ago"] / 7.0)
    mean = pairs.groupby("row")[["week", "level"]].transform("mean")
    across = pairs["week"] - mean["week"]
    sums = pairs.assign(xx=across**2, xy=across * (pairs["level"] - mean["level"]), one=1.0)
    total = sums.groupby("row")[["xx", "xy", "one"]].sum()
    weeks = sums.groupby("row")["week"].agg(["min", "max"])
    usable = total[(total["one"] >= 3) & (weeks["max"] - weeks["min"] >= 1.0)]
    slope[usable.index.to_numpy()] = np.clip(usable["xy"] / usable["xx"], -0.5, 0.5)
    out["slope"] = slope
    lately = every[every["ago"] <= RATE_DAYS].groupby("row").size().reindex(out["row"])
    out["rate"] = lately.fillna(0).to_numpy() / (np.clip(age.to_numpy(), 7, RATE_DAYS) / 7.0)
    out["log_age"] = np.log1p(age / 7.0)
    out["idle"] = (every.groupby("row")["ago"].min() / 7.0).reindex(out["row"]).to_numpy()
    met = every[every["ago"] <= RECENT_DAYS].groupby("row")["meets"].sum()
    out["met"] = met.reindex(out["row"]).fillna(0).to_numpy(float)
    return out


def _joined(rows: pd.DataFrame, sessions: pd.DataFrame) -> pd.DataFrame:
    """Pair each landmark with the sessions of its spell before it; ``ago`` in days."""
    pairs = rows[["row", "spell", "landmark"]].merge(sessions, on="spell")
    pairs["ago"] = (pairs["landmark"] - pairs["date"]).dt.days
    return pairs[pairs["ago"] > 0]


@dataclass(frozen=True, slots=True)
class WeibullFit:
    """Effects on log weeks, intercept first: ``log T = x b + scale * W``, W standard Gumbel (min).

    ``log_likelihood`` is at the maximum, without the penalty, on the scale of weeks.
    """

    effects: Array
    scale: float
    log_likelihood: float


def weibull_landmark(at: AtCut) -> CutForecast:
    """Forecast by Weibull regression of weeks to go on level, slope, attendance, age and rung.

    Curves are ``1 - exp(-(w / exp(x b))**(1 / scale))``.
    """
    train, now = training_rows(at), open_rows(at)
    events = int(train["cleared"].sum())
    if events < MIN_EVENTS:
        raise FitError(
            f"Weibull regression needs {MIN_EVENTS} landmarks that end in a clearing; "
            f"there are {events} before {at.as_of.date()}"
        )
    design, asked = _design(train, now)
    fit = fit_weibull(design, train["weeks"].to_numpy(), train["cleared"].to_numpy(), ridge=RIDGE)
    mean_log = fit.effects[0] + asked @ fit.effects[1:]
    z = (np.log(at.weeks)[None, :] - mean_log[:, None]) / fit.scale
    return CutForecast(long_curve(at, -np.expm1(-np.exp(np.minimum(z, 50.0)))))


def fit_weibull(x: Array, weeks: Array, cleared: Array, *, ridge: float = 0.0) -> WeibullFit:
    """Maximise the right-censored Weibull likelihood, less ``ridge / 2`` times the effects squared.

    ``x`` (n, k) has no intercept, which is not penalised. J. Kalbfleisch, R. Prentice (2002), The
    Statistical Analysis of Failure Time Data, 2nd ed., section 3.6.
    """
    design = np.column_stack([np.ones(len(x)), x])
    log_weeks, done = np.log(weeks), np.asarray(cleared, float)
    penalty = np.r_[0.0, np.full(x.shape[1], ridge)]

    def loss(theta: Array) -> tuple[float, Array]:
        b, log_scale = theta[:-1], theta[-1]
        z = (log_weeks - design @ b) / np.exp(log_scale)
        risk = np.exp(np.minimum(z, 50.0))
        fit = np.sum(done * (z - log_scale) - risk) - np.sum(penalty * b**2) / 2
        score = risk - done  # minus the derivative of the fit by z
        by_b = design.T @ score / np.exp(log_scale) - penalty * b
        by_scale = np.sum(score * z) - done.sum()
        return -fit, -np.r_[by_b, by_scale]

    start = np.r_[log_weeks.mean(), np.zeros(x.shape[1]), 0.0]
    best = minimize(loss, start, jac=True, method="L-BFGS-B", options={"maxiter": 1000})
    steep = np.max(np.abs(best.jac)) / max(1.0, done.sum())
    if not np.all(np.isfinite(best.x)) or steep > 1e-2:
        raise FitError(f"the Weibull regression did not converge: {best.message}")
    b = best.x[:-1]
    log_likelihood = -best.fun + np.sum(penalty * b**2) / 2 - np.sum(done * log_weeks)
    return WeibullFit(b, float(np.exp(best.x[-1])), float(log_likelihood))


def _design(train: pd.DataFrame, now: pd.DataFrame) -> tuple[Array, Array]:
    """Standardised figures and rung indicators of the training rows and of the rows asked."""
    rungs = sorted(train["rung"].unique())
    both = []
    for rows in (train, now):
        dummies = (rows["rung"].to_numpy()[:, None] == np.array(rungs)[None, :]).astype(float)
        both.append(np.column_stack([rows[list(FEATURES)].to_numpy(float), dummies]))
    mean, sd = both[0].mean(axis=0), both[0].std(axis=0)
    sd = np.where(sd > 0, sd, 1.0)
    return (both[0] - mean) / sd, (both[1] - mean) / sd


def survival_forest(at: AtCut) -> CutForecast:
    """Forecast by a random survival forest (H. Ishwaran et al. 2008, Ann. Appl. Stat. 2:841-860).

    Past the longest time in training the curve stays flat: a forest does not extrapolate.
    """
    if importlib.util.find_spec("sksurv") is None:
        raise FitError("not installed: the survival forest needs `pip install rungwise[forest]`")
    from sksurv.ensemble import RandomSurvivalForest
    from sksurv.util import Surv

    train, now = training_rows(at), open_rows(at)
    if train["cleared"].sum() < MIN_EVENTS:
        raise FitError(f"the survival forest needs {MIN_EVENTS} landmarks that end in a clearing")
    order = {key: place for place, key in enumerate(at.histories.ladder.keys)}
    x, asked = (
        np.column_stack([rows[list(FEATURES)].to_numpy(float), rows["rung"].map(order)])
        for rows in (train, now)
    )
    y = Surv.from_arrays(train["cleared"].to_numpy(), np.ceil(train["weeks"].to_numpy()))
    forest = RandomSurvivalForest(
        n_estimators=TREES, min_samples_leaf=LEAF, max_features="sqrt", n_jobs=1,
        random_state=at.seed,
    ).fit(x, y)  # fmt: skip
    steps = forest.predict_survival_function(asked, return_array=True)
    place = np.searchsorted(forest.unique_times_, at.weeks, side="right")
    surviving = np.column_stack([np.ones(len(asked)), steps])[:, place]
    return CutForecast(long_curve(at, 1.0 - surviving))


@dataclass(frozen=True, slots=True)
class Lines:
    """A fitted random intercept and slope by spell; time is ``(days - centre) / spread``.

    ``random`` (2, 2) is the covariance of spells' departures from the cohort's ``fixed`` (2,) line,
    ``residual`` the variance of a session about its spell's.
    """

    fixed: Array
    random: Array
    residual: float
    centre: float
    spread: float


def mixed_model(at: AtCut) -> CutForecast:
    """Forecast by ``log(best / target) = (a + a_i) + (b + b_i) t + e``, then simulated sessions.

    Lines are drawn given the spell's own sessions, sessions come at the rate of the last eight
    weeks, each with a residual and the spell's chance of a counting set; the first run of enough
    sessions at or above the target clears. N. Laird, J. Ware (1982), Biometrics 38:963-974.
    """
    sessions = counting_sessions(at)
    lines, notes = fit_lines(sessions)
    rng = np.random.default_rng(at.seed)
    mean, root = spell_lines(lines, sessions, at.open_spells["spell"].to_numpy())
    drawn = rng.standard_normal((len(mean), DRAWS, 2))
    line = mean[:, None, :] + np.einsum("sij,sdj->sdi", root, drawn)
    cleared = _clearing_weeks(at, lines, line, rng)
    curve = (cleared[:, :, None] <= at.weeks).mean(axis=1)
    return CutForecast(long_curve(at, curve), notes)


def fit_lines(sessions: pd.DataFrame) -> tuple[Lines, tuple[str, ...]]:
    """Fit the mixed model by restricted likelihood to ``spell, days, level`` rows; with notes.

    Time is centred and scaled first: on raw days the optimiser stops early without an error.
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
    notes = (wording.warned(boundary[-1].message),) if boundary else ()
    fixed, random = np.asarray(fit.fe_params, float), np.asarray(fit.cov_re, float)
    return Lines(fixed, random, float(fit.scale), centre, spread), notes


def spell_lines(lines: Lines, sessions: pd.DataFrame, spells: Array) -> tuple[Array, Array]:
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


def _clearing_weeks(at: AtCut, lines: Lines, line: Array, rng: np.random.Generator) -> Array:
    """Simulate day by day; weeks to clearing of each draw (s, d), infinite past the horizon."""
    spells = at.open_spells
    confirm = {r.key: r.criterion.confirm_sessions for r in at.histories.ladder.rungs}
    need = spells["rung"].map(confirm).to_numpy()[:, None]
    sessions = at.histories.sessions
    ago = (at.as_of - sessions["date"]).dt.days
    lately = sessions[ago <= RATE_DAYS].groupby("spell").size().reindex(spells["spell"]).fillna(0)
    days = np.clip((at.as_of - spells["start"]).dt.days.to_numpy(), 7, RATE_DAYS)
    # One session more in the window keeps an athlete who paused from never training again.
    attend = np.minimum((lately.to_numpy() + 1) / (days + 7), 1)
    counted = sessions["best"].notna()
    own = counted.groupby(sessions["spell"]).agg(["sum", "size"]).reindex(spells["spell"]).fillna(0)
    counts = ((own["sum"] + 4 * float(counted.mean())) / (own["size"] + 4)).to_numpy()
    served = (at.as_of - spells["start"]).dt.days.to_numpy()
    run = np.repeat(spells["run"].to_numpy()[:, None], line.shape[1], axis=1)
    cleared = np.full(line.shape[:2], np.inf)
    noise = np.sqrt(lines.residual)
    for day in range(at.horizon_weeks * 7):
        time = (served + day - lines.centre) / lines.spread
        level = line[:, :, 0] + line[:, :, 1] * time[:, None]
        level += noise * rng.standard_normal(level.shape)
        there = rng.random(level.shape) < attend[:, None]
        meets = (level >= 0) & (rng.random(level.shape) < counts[:, None])
        run = np.where(there, np.where(meets, run + 1, 0), run)
        done = there & (run >= need) & ~np.isfinite(cleared)
        cleared[done] = (day + 1) / 7.0
    return cleared


BASELINES: dict[str, Baseline] = {
    "straight_line": straight_line,
    "cohort_curve": cohort_curve,
    "weibull_landmark": weibull_landmark,
    "mixed_model": mixed_model,
    "survival_forest": survival_forest,
}
"""Every baseline by name, in the order tables show them."""
