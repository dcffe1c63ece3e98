"""A statistician's questions: draws, what leans on what, priors, and predictive checks."""

from __future__ import annotations

from dataclasses import replace
from importlib.util import find_spec
from typing import Any, Literal, TypeAlias

import numpy as np
import pandas as pd
from joblib import Parallel, delayed
from scipy.stats import norm
from sklearn.base import clone

from forecast.errors import ForecastError, check_seed
from forecast.growth import PRIORS, to_log
from forecast.log import TrainingLog
from forecast.readiness import Fitted, LogView, as_view
from forecast.row import KEYS
from forecast.types import Array
from forecast.words import cohort as wording

AsOf: TypeAlias = pd.Timestamp | str | None
Model: TypeAlias = Fitted | LogView
POWER_DRAWS, POWER = 4000, 1.01
"""Draws of the constants, and the power that a prior or the likelihood is raised to."""
SENSITIVE = 0.05
"""Change of a posterior by doubling of the power from which it is named (Kallioinen et al.)."""
BIN_WEEKS, BINS = 4, 13
"""Weeks on the rung that sessions are counted together by, and the last such group."""


def draws(
    model: Model, log: TrainingLog | None = None, as_of: AsOf = None, *, count: int = 1000,
    seed: int = 0,
) -> pd.DataFrame:  # fmt: skip
    """Draw the level now and the weeks to clearing of every rung under way.

    Parameters
    ----------
    model, log, as_of
        A fitted forecaster with a log and a cut date, or a view.
    count
        Draws of each rung.
    seed
        Of the draws.

    Returns
    -------
    DataFrame
        ``draw, athlete, rung, level, weeks``: log(capacity / target) by the growth engine, and
        weeks by the pool, missing past the horizon; each from its own forecast, not jointly. Rungs
        on hold are left out.
    """
    check_seed(seed)
    view, rng = as_view(model, log, as_of), np.random.default_rng(seed)
    keys = view.histories.spells.iloc[view.under_way][KEYS].reset_index(drop=True)
    curves = {key: curve["p_cleared"] for key, curve in view.curve().groupby(KEYS, sort=False)}
    tables = []
    for place, key in enumerate(keys.itertuples(index=False, name=None)):
        if key in curves and view.at_cut is not None:
            mean, cov = view.at_cut.mean[place, 0], view.at_cut.cov[place, 0, 0]
            latent = mean + np.sqrt(cov) * rng.standard_normal(count)
            chance = np.concatenate([[0.0], curves[key]])
            weeks = np.interp(rng.random(count), chance, np.arange(len(chance)), right=np.nan)
            tables.append(pd.DataFrame({
                "draw": np.arange(count), "athlete": key[0], "rung": key[1],
                "level": to_log(latent, view.growth.linear), "weeks": weeks,
            }))  # fmt: skip
    columns = ["draw", *KEYS, "level", "weeks"]
    return pd.concat(tables, ignore_index=True) if tables else pd.DataFrame(columns=columns)


def as_inference_data(table: pd.DataFrame) -> Any:
    """Return ``draws`` as ArviZ ``InferenceData``: one chain, a coordinate ``spell``.

    Parameters
    ----------
    table
        What ``draws`` returned.

    Raises
    ------
    ForecastError
        ArviZ is not installed.
    """
    if find_spec("arviz") is None:
        raise ForecastError("ArviZ is not installed; `pip install rungwise[arviz]` brings it.")
    import arviz

    spell = table["athlete"] + ", " + table["rung"]
    wide = table.assign(spell=spell).pivot(index="draw", columns="spell")
    names = list(wide["level"].columns)
    values = {name: wide[name].to_numpy(float)[None] for name in ("level", "weeks")}
    dims = {name: ["spell"] for name in values}
    return arviz.from_dict(posterior=values, coords={"spell": names}, dims=dims)


def sensitivity(
    model: Model, log: TrainingLog | None = None, as_of: AsOf = None, *,
    leave: Literal["athlete", "session"] = "athlete", week: int = 12,
) -> pd.DataFrame:  # fmt: skip
    """Say how far each chance leans on one athlete, or on one of the athlete's own sessions.

    Parameters
    ----------
    model, log, as_of
        A fitted forecaster with a log and a cut date, or a view.
    leave
        ``athlete``: the forecaster is fitted again without each athlete in turn, shared over
        joblib's workers. ``session``: what was learnt is held, and each session on the open rung is
        taken out of its athlete's record.
    week
        Week whose chance is compared, within the horizon.

    Returns
    -------
    DataFrame
        ``left_out`` (athlete, or date), ``athlete, rung, chance, without, change``, the largest
        change first. Rungs on hold are left out.
    """
    view = as_view(model, log, as_of)
    if leave not in ("athlete", "session"):
        raise ForecastError(f"leave = {leave!r}; choose 'athlete' or 'session'.")
    if not 1 <= week <= view.model.horizon_weeks:
        raise ForecastError(f"week = {week!r}; give one from 1 to {view.model.horizon_weeks}.")
    known, whole = view.log.before(view.as_of), _chances(view, week)
    who, rung, day = (known.sets[column] for column in ("athlete", "rung", "date"))
    cases: list[tuple[Any, list[Any], pd.Series]] = []
    if leave == "athlete":
        names = sorted(who.unique())
        if len(names) < 2:
            raise ForecastError("Leaving one out takes two athletes or more in the log.")
        cases = [(name, [key for key in whole.index if key[0] != name], who != name)
                 for name in names]  # fmt: skip
    else:
        for name, key in whole.index:
            here = (who == name) & (rung == key)
            cases += [(date, [(name, key)], (who == name) & ~(here & (day == date)))
                      for date in day[here].unique()]  # fmt: skip
    answers = Parallel()(
        delayed(_without)(view, known, rows, leave == "athlete", week) for _, _, rows in cases
    )
    tables = [
        pd.DataFrame({"left_out": out, "chance": whole[keys], "without": chances.reindex(keys)})
        for (out, keys, _), chances in zip(cases, answers, strict=True)
    ]
    table = pd.concat(tables).dropna().rename_axis(KEYS).reset_index()
    table["change"] = table["without"] - table["chance"]
    table = table.sort_values("change", key=np.abs, ascending=False, kind="stable")
    return table[["left_out", *KEYS, "chance", "without", "change"]].reset_index(drop=True)


def _chances(view: LogView, week: int) -> pd.Series:
    curve = view.curve()
    return curve[curve["week"] == week].set_index(KEYS)["p_cleared"]


def _without(view: LogView, log: TrainingLog, rows: pd.Series, refit: bool, week: int) -> pd.Series:
    """Chances from some rows of the log; nothing where no set is left."""
    if not rows.any():
        return pd.Series(dtype=float, index=pd.MultiIndex.from_tuples([], names=KEYS))
    fewer = replace(log, sets=log.sets[rows].reset_index(drop=True))
    model: Any = view.model
    if refit:
        model = clone(model).fit_engines(fewer, view.as_of)
    return _chances(model.view(fewer, view.as_of), week)


def prior_sensitivity(model: Fitted, *, seed: int = 0) -> pd.DataFrame:
    """Say which constants of the growth engine rest on their priors, by power scaling.

    Prior and likelihood are raised to a power near 1 by weighting draws of the constants; how far
    each one's distribution moves is its cumulative Jensen-Shannon distance, a doubling of the
    power. N. Kallioinen, T. Paananen, P. Buerkner, A. Vehtari (2024), Statistics and Computing
    34:57. The posterior is the normal one that forecasts draw from.

    Parameters
    ----------
    model
        A fitted forecaster.
    seed
        Of the draws.

    Returns
    -------
    DataFrame
        ``constant, middle, prior, likelihood, diagnosis``, most sensitive to its prior first.
    """
    check_seed(seed)
    fit = model.engines_.growth.fit
    z = np.random.default_rng(seed).standard_normal((POWER_DRAWS, len(fit.names)))
    middle = fit.constants.vector(fit.names)
    drawn = middle + z @ fit.chol.T
    mean, sd = np.array([PRIORS[name][:2] for name in fit.names]).T
    prior = norm.logpdf(drawn, mean, sd).sum(axis=1)
    posterior = -0.5 * (z**2).sum(axis=1)
    moved = {"prior": prior, "likelihood": posterior - prior}
    table = pd.DataFrame({"constant": fit.names, "middle": middle})
    for name, log_density in moved.items():
        weights = [np.exp((power - 1.0) * (log_density - log_density.mean()))
                   for power in (POWER, 1.0 / POWER)]  # fmt: skip
        moves = [[cumulative_distance(column, one) for one in weights] for column in drawn.T]
        table[name] = np.mean(moves, axis=1) / np.log2(POWER)
    conflict, strong = table["likelihood"] > SENSITIVE, table["prior"] > SENSITIVE
    table["diagnosis"] = np.select([strong & conflict, strong], wording.POWER_SCALING, "")
    return table.sort_values("prior", ascending=False, kind="stable", ignore_index=True)


def cumulative_distance(values: Array, weight: Array) -> float:
    """Cumulative Jensen-Shannon distance of draws from the same draws weighted, 0 to 1.

    H.-V. Nguyen, J. Vreeken (2015), ECML PKDD 2015, LNCS 9285:173; the larger of that of the
    values and of their negatives, as in Kallioinen et al. (2024).
    """

    def distance(x: Array, w: Array) -> float:
        order = np.argsort(x, kind="stable")
        step = np.diff(x[order])
        plain = np.arange(1, len(x)) / len(x)
        scaled = np.cumsum(w[order] / w.sum())[:-1]
        both = plain + scaled
        each = plain * np.log2(2.0 * plain / both) + scaled * np.log2(2.0 * scaled / both)
        return float(np.sqrt(max(step @ each / (step @ both), 0.0)))

    return max(distance(values, weight), distance(-values, weight))


def predictive_density(
    model: Model, log: TrainingLog | None = None, as_of: AsOf = None
) -> pd.DataFrame:
    """Return the log density that each athlete's sessions had by the growth engine.

    One session ahead, given those before (prequential: A. P. Dawid 1984, J. R. Stat. Soc. A
    147:278), with constants learnt from all of them.

    Parameters
    ----------
    model, log, as_of
        A fitted forecaster with a log and a cut date, or a view.

    Returns
    -------
    DataFrame
        ``athlete, sessions, log_density, a_session``, the least well foreseen first.
    """
    view = as_view(model, log, as_of)
    tracked, histories = view.tracked, view.histories
    names = histories.spells["athlete"].to_numpy()[histories.sessions["spell"].to_numpy()]
    value = pd.Series(tracked.filtered.log_evidence).groupby(names)
    table = pd.DataFrame({"sessions": value.size(), "log_density": value.sum()})
    table["a_session"] = table["log_density"] / table["sessions"]
    return table.sort_values("a_session", kind="stable").rename_axis("athlete").reset_index()


def predictive_check(
    model: Model, log: TrainingLog | None = None, as_of: AsOf = None, *, count: int = 500,
    seed: int = 0,
) -> pd.DataFrame:  # fmt: skip
    """Hold sessions drawn from the growth engine against those logged, for ``charts``.

    Parameters
    ----------
    model, log, as_of
        A fitted forecaster with a log and a cut date, or a view.
    count
        Records drawn, each session from what was known before it.
    seed
        Of the draws.

    Returns
    -------
    DataFrame
        ``week`` on the rung (from which), ``sessions``, ``observed`` share that met the mark, and
        ``low, mid, high``: 10, 50 and 90 % points of the share in the records drawn.
    """
    check_seed(seed)
    view, rng = as_view(model, log, as_of), np.random.default_rng(seed)
    sessions, spells = view.histories.sessions, view.histories.spells
    begun = spells["start"].to_numpy()[sessions["spell"].to_numpy()]
    weeks = (sessions["date"] - begun).dt.days.to_numpy() / 7.0
    bin_of = np.minimum(weeks // BIN_WEEKS, BINS - 1).astype(int)
    chance = view.tracked.chance_met(np.arange(len(sessions)))
    bins, counts = np.unique(bin_of, return_counts=True)
    inside = (bin_of == bins[:, None]) / counts[:, None]
    shares = inside @ (rng.random((len(chance), count)) < chance[:, None])
    low, mid, high = np.quantile(shares, [0.1, 0.5, 0.9], axis=1)
    return pd.DataFrame({
        "week": bins * BIN_WEEKS, "sessions": counts, "low": low, "mid": mid, "high": high,
        "observed": inside @ sessions["meets"].to_numpy(float),
    })  # fmt: skip
