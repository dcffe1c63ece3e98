"""The whole ladder: chances and dates for every rung still ahead, up to the top."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecast.ahead.climbing import Climbing, learn_climbing
from forecast.ahead.ground import Ground, survey
from forecast.ahead.result import LadderAhead, chances_by_day, days_ahead
from forecast.ahead.rhythm import Rhythm, weekly_sessions
from forecast.ahead.standing import stand
from forecast.ahead.target import target_table
from forecast.ahead.walk import Settings, Walk, walk
from forecast.errors import ForecastError
from forecast.growth import track
from forecast.growth.scale import to_ratio
from forecast.histories import build_histories
from forecast.log.training_log import TrainingLog
from forecast.readiness import ReadinessForecast, ReadinessForecaster
from forecast.readiness.reasons import confidence_words
from forecast.readiness.result import DIGITS, SUMMARY_COLUMNS, curve_table, time_columns

Array = NDArray[np.float64]

TIME_COLUMNS = (
    "weeks_low", "weeks_mid", "weeks_high", "date_low", "date_mid", "date_high", "p_4", "p_8",
    "p_12", "p_26",
)  # fmt: skip


def climbing_of(
    model: ReadinessForecaster, log: TrainingLog, as_of: pd.Timestamp | str | None = None
) -> Climbing:
    """Learn from a log what ``ladder_ahead`` needs beyond the fitted forecaster.

    Parameters
    ----------
    model
        A fitted forecaster.
    log
        The log it was fitted on.
    as_of
        Nothing dated on or after it is used; the cut date of the fit where left out.

    Raises
    ------
    NotFittedError
        ``fit`` was not called.
    HistoryError
        No set is dated before ``as_of``.
    FitError
        The recalibration could not be fitted.
    """
    engines = model._ready(log, "pool")
    cut = model.as_of_ if as_of is None else as_of
    histories = build_histories(
        log, cut, lapse_weeks=model.lapse_weeks, log_start=engines.log_start
    )
    return learn_climbing(
        engines.growth, histories, horizon_weeks=model.horizon_weeks, seed=model.random_state
    )


def ladder_ahead(
    model: ReadinessForecaster,
    log: TrainingLog,
    as_of: pd.Timestamp | str | None = None,
    *,
    horizon_weeks: int = 260,
    target_date: pd.Timestamp | str | None = None,
    sessions_per_week: float | None = None,
    climbing: Climbing | None = None,
    independent: bool = False,
) -> LadderAhead:
    """Forecast every rung still ahead of every athlete, rung after rung, to the top.

    All rungs of a path share one draw of the athlete (and of everything else that is uncertain
    for all of them), so that a slow path is slow all the way. A rung opens when all that it needs
    are cleared and their ``min_weeks`` have passed, after a delay as the log shows them; branches
    run side by side; rungs that everybody must clear first count in.

    Parameters
    ----------
    model
        A fitted forecaster.
    log
        The log, of the same ladder as the one fitted on.
    as_of
        Cut date; the day after the last set where left out.
    horizon_weeks
        Weeks to look ahead.
    target_date
        A date to turn the question round: the chance of the top by then, and the gain a week it
        would take.
    sessions_per_week
        Sessions a week on a rung while training, instead of what each athlete does lately.
        What follows from it is association, not cause: see ``what_if``.
    climbing
        What ``climbing_of`` learnt; learnt from ``log`` where left out, up to the earlier of
        ``as_of`` and the cut date of the fit.
    independent
        Let rungs share nothing: for comparison only, the range for the top is then too narrow.

    Raises
    ------
    NotFittedError
        ``fit`` was not called.
    ForecastError
        The ladder is not the one fitted on, or a number or date is out of range.
    HistoryError
        No set is dated before ``as_of``.
    FitError
        What the log teaches about climbing could not be fitted.
    """
    check_asked(horizon_weeks, sessions_per_week)
    ground, known, current = look_up(model, log, as_of, climbing)
    if target_date is not None:
        days_ahead(target_date, current.as_of, horizon_weeks)
    settings = settings_of(model, horizon_weeks, independent)
    gone = walk(ground, settings, pooled=known)
    if sessions_per_week is not None:
        gone = walk_at(ground, settings, known, gone, sessions_per_week)
    return assemble(
        ground, settings, gone, current, model, target_date, as_now=sessions_per_week is None
    )


def check_asked(horizon_weeks: int, sessions_per_week: float | None) -> None:
    """Refuse numbers out of range.

    Raises
    ------
    ForecastError
        ``horizon_weeks`` is no whole number of 1 or more, or ``sessions_per_week`` not in (0, 7].
    """
    if horizon_weeks < 1 or int(horizon_weeks) != horizon_weeks:
        raise ForecastError(
            f"horizon_weeks = {horizon_weeks!r}; give a whole number of weeks, 1 or more."
        )
    if sessions_per_week is not None and not 0.0 < sessions_per_week <= 7.0:
        raise ForecastError(
            f"sessions_per_week = {sessions_per_week!r}; give a number above 0, at most 7."
        )


def settings_of(
    model: ReadinessForecaster, horizon_weeks: int, independent: bool = False
) -> Settings:
    """Return how the model's settings ask for the ladder to be walked."""
    return Settings(
        paths=model.paths,
        draws=model.draws,
        seed=model.random_state,
        most_days=7 * int(horizon_weeks),
        learnt_weeks=model.horizon_weeks,
        independent=independent,
    )


def look_up(
    model: ReadinessForecaster,
    log: TrainingLog,
    as_of: pd.Timestamp | str | None,
    climbing: Climbing | None,
) -> tuple[Ground, dict[tuple[int, int], Array], ReadinessForecast]:
    """Return where everybody stands, the pooled chances of open rungs by week, the forecast."""
    current = model.forecast(log, as_of)
    engines = model.engines_
    if climbing is None:
        climbing = climbing_of(model, log, min(current.as_of, model.as_of_))
    histories = build_histories(
        log, current.as_of, lapse_weeks=model.lapse_weeks, log_start=engines.log_start
    )
    standing = stand(histories, sorted(set(current.summary["athlete"])))
    ground = survey(engines.growth, track(engines.growth, histories), histories, climbing, standing)
    return ground, _pooled_chances(ground, current), current


def _pooled_chances(ground: Ground, current: ReadinessForecast) -> dict[tuple[int, int], Array]:
    """By (athlete place, rung): chances by week 0, 1, ... of the open rungs."""
    who = {name: place for place, name in enumerate(ground.standing.names)}
    rung = {key: number for number, key in enumerate(ground.histories.ladder.keys)}
    weekly = current.curve["p_cleared"].to_numpy().reshape(-1, current.horizon_weeks)
    return {
        (who[athlete], rung[key]): np.concatenate([[0.0], chances])
        for athlete, key, chances in zip(
            current.summary["athlete"], current.summary["rung"], weekly, strict=True
        )
        if ground.standing.ahead[who[athlete], rung[key]]
    }


def walk_at(
    ground: Ground,
    settings: Settings,
    pooled: dict[tuple[int, int], Array],
    base: Walk,
    sessions_per_week: float,
) -> Walk:
    """Walk again at another rate of training, recalibrated as the walk at the present one."""
    rhythm = rhythm_at(ground, settings, sessions_per_week)
    return walk(ground, settings, pooled=pooled, maps=base.maps, rhythm=rhythm)


def rhythm_at(ground: Ground, settings: Settings, sessions_per_week: float) -> Rhythm:
    """Return the rhythm of so many sessions a week, the gain with it as the log shows."""
    now = weekly_sessions(ground.gaps)
    share = sessions_per_week / now
    climbing = ground.climbing
    z = np.random.default_rng([settings.seed, 8]).standard_normal(settings.paths)
    elasticity = climbing.elasticity + climbing.elasticity_sd * z
    return Rhythm(scale=1.0 / share, gain=share[:, None] ** elasticity)


def assemble(
    ground: Ground,
    settings: Settings,
    gone: Walk,
    current: ReadinessForecast,
    model: ReadinessForecaster,
    target_date: pd.Timestamp | str | None = None,
    *,
    as_now: bool = True,
) -> LadderAhead:
    """Put a walk into the public tables, by athlete and in ladder order.

    ``as_now`` says that the walk was at the present rate, so that open rungs read as forecast.
    """
    names = np.array(ground.standing.names, dtype=object)
    who, rung = np.nonzero(ground.standing.ahead)
    order = np.lexsort((rung, names[who].astype(str)))
    who, rung = who[order], rung[order]
    by_day = chances_by_day(gone.cleared[who, rung], settings.most_days)
    facts = _facts(ground, gone, names[who], who, rung, model.comparable_)
    summary = pd.concat([facts, time_columns(by_day, current.as_of)], axis=1)
    if as_now:
        summary = _as_forecast(summary, current, settings.most_days)
    weeks = settings.most_days // 7
    target = target_table(ground, settings, gone, current.as_of, target_date)
    return LadderAhead(
        summary=summary[list(SUMMARY_COLUMNS)],
        curve=curve_table(facts, by_day),
        target=target,
        by_day=by_day,
        as_of=current.as_of,
        horizon_weeks=weeks,
    )


def _facts(
    ground: Ground,
    gone: Walk,
    names: Array,
    who: NDArray[np.int64],
    rung: NDArray[np.int64],
    comparable: dict[str, int],
) -> pd.DataFrame:
    """Everything in a summary row but its times."""
    histories, standing = ground.histories, ground.standing
    rungs = [histories.ladder.rungs[r] for r in rung]
    row = standing.spell[who, rung]
    sessions = np.where(row >= 0, histories.spells["n_sessions"].to_numpy()[row], 0)
    power = ground.model.power
    latent = gone.start_level[who, rung] + ground.threshold[rung][:, None]
    ratio = np.maximum(to_ratio(latent, power), 1e-3)
    target = np.array([r.criterion.target for r in rungs])
    level = np.log(ratio).mean(axis=1)
    gain = (ratio**-power * gone.start_gain[who, rung]).mean(axis=1)
    facts = pd.DataFrame(
        {
            "athlete": pd.Series(names, dtype="str"),
            "rung": pd.Series([r.key for r in rungs], dtype="str"),
            "rung_name": pd.Series([r.name for r in rungs], dtype="str"),
            "sessions": sessions,
            "level": np.round(level, DIGITS),
            "level_value": np.round(target * np.exp(level), DIGITS),
            "target": target,
            "gain_per_week": np.round(gain, DIGITS),
            "p_next_session": np.round(gone.first[who, rung], DIGITS),
            "state": "unclear",
            "comparable": [comparable.get(r.key, 0) for r in rungs],
        }
    )
    facts["confidence"] = confidence_words(facts)
    facts["warnings"] = _warnings(ground, who, rung)
    return facts


def _warnings(ground: Ground, who: NDArray[np.int64], rung: NDArray[np.int64]) -> pd.Series:
    """What to know of each rung not begun: what it waits for, and what was only presumed."""
    keys = ground.histories.ladder.rungs
    standing, plan = ground.standing, ground.plan
    texts = []
    for athlete, r in zip(who, rung, strict=True):
        notes = []
        if standing.spell[athlete, r] < 0:
            waiting = [keys[n].name for n in plan.needs[r] if standing.ahead[athlete, n]]
            wait = f"opens after {' and '.join(waiting)}" if waiting else "open"
            notes.append(f"not begun ({wait})")
        presumed = [keys[n].name for n in plan.needs[r] if standing.presumed[athlete, n]]
        if presumed:
            notes.append(f"{' and '.join(presumed)}: not in the log, taken as done before it")
        texts.append("; ".join(notes))
    return pd.Series(texts, dtype="str")


def _as_forecast(summary: pd.DataFrame, current: ReadinessForecast, most_days: int) -> pd.DataFrame:
    """Open rungs read as in the forecast itself, wherever that reaches; beyond, as walked."""
    keys = pd.MultiIndex.from_frame(summary[["athlete", "rung"]])
    said = current.summary.set_index(["athlete", "rung"]).reindex(keys)
    is_open = said["rung_name"].notna().to_numpy()
    out = summary.copy()
    for name in SUMMARY_COLUMNS:
        if name in ("athlete", "rung", "p_never_in_horizon"):
            continue
        values = said[name].to_numpy()
        use = is_open & pd.notna(values)
        if name in TIME_COLUMNS and name.startswith(("weeks", "date")):
            weeks = said[name.replace("date", "weeks")].to_numpy()
            use &= ~(weeks > most_days / 7.0)
        elif name in TIME_COLUMNS:
            use &= out[name].notna().to_numpy()
        out[name] = out[name].where(~use, pd.Series(values, index=out.index))
    return out
