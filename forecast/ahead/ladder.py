"""The whole ladder: chances and dates for every rung still ahead, up to the top."""

from __future__ import annotations

import numpy as np
import pandas as pd

from forecast.ahead.climbing import Climbing, learn_climbing
from forecast.ahead.duration import Settings, Walk
from forecast.ahead.ground import Ground, Rhythm, survey, weekly_sessions
from forecast.ahead.result import LadderAhead, check_horizon, check_rate, days_ahead
from forecast.ahead.standing import stand
from forecast.ahead.tables import assemble
from forecast.ahead.walk import walk
from forecast.log.days import as_day
from forecast.log.training_log import TrainingLog
from forecast.readiness import Fitted, LogView, ReadinessForecast, as_view
from forecast.types import Array

MOST_PATHS, MOST_DRAWS = 512, 16
"""Paths and draws of the constants that a walk takes at most. The engine's own forecast weighs many
draws by how well they explain a spell; here all count alike, and more would only take time."""


def climbing_of(
    model: Fitted, log: TrainingLog, as_of: pd.Timestamp | str | None = None
) -> Climbing:
    """Learn from a log what ``ladder_ahead`` needs beyond the fitted engines.

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
    """
    view = model.view(log, as_of)
    return _learnt_from(view if as_of is not None else model.view(log, model.as_of_))


def known_climbing(view: LogView) -> Climbing:
    """Return how the ladder is climbed: as the model learnt it, else learnt from the view's log.

    Learnt up to the earlier of the view's cut date and that of the fit.
    """
    model = view.model
    known: Climbing | None = getattr(model, "climbing_", None)
    if known is not None:
        return known
    return _learnt_from(view if view.as_of <= model.as_of_ else model.view(view.log, model.as_of_))


def _learnt_from(view: LogView) -> Climbing:
    return learn_climbing(
        view.growth, view.histories, seed=view.model.random_state, tracked=view.tracked
    )


def ladder_ahead(
    model: Fitted | LogView,
    log: TrainingLog | None = None,
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
        A fitted forecaster, or its view of a log, which has a log and a cut date already.
    log
        The log, of the same ladder as the one fitted on.
    as_of
        Cut date; the day after the last set where left out.
    horizon_weeks
        Weeks to look ahead, at most 1040.
    target_date
        A date to turn the question round: the chance of the top by then, and the gain a week it
        would take. Text is ISO 8601 (``2027-05-01``): an order of day and month is never guessed.
    sessions_per_week
        Sessions a week on a rung while training, instead of what each athlete does lately.
        What follows from it is association, not cause: see ``what_if``.
    climbing
        What ``climbing_of`` learnt; as the model learnt it where left out, and learnt from
        ``log``, up to the earlier of ``as_of`` and the cut date of the fit, where it has none.
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
    """
    horizon_weeks = check_horizon(horizon_weeks)
    rate = None if sessions_per_week is None else check_rate(sessions_per_week)
    day = None if target_date is None else as_day(target_date, "target_date")
    view = as_view(model, log, as_of)
    ground, known, current = look_up(view, climbing=climbing)
    if day is not None:
        days_ahead(day, current.as_of, horizon_weeks, "target_date")
    settings = settings_of(view.model, horizon_weeks, independent)
    gone = walk(ground, settings, pooled=known)
    if rate is not None:
        gone = walk_at(ground, settings, known, gone, rate)
    return assemble(ground, settings, gone, current, view.model, day, as_now=rate is None)


def settings_of(model: Fitted, horizon_weeks: int, independent: bool = False) -> Settings:
    """Return how the model's settings ask for the ladder to be walked."""
    return Settings(
        paths=min(model.paths, MOST_PATHS),
        draws=min(model.draws, MOST_DRAWS),
        seed=model.random_state,
        most_days=7 * horizon_weeks,
        independent=independent,
    )


def look_up(
    model: Fitted | LogView,
    log: TrainingLog | None = None,
    as_of: pd.Timestamp | str | None = None,
    climbing: Climbing | None = None,
) -> tuple[Ground, dict[tuple[int, int], Array], ReadinessForecast]:
    """Return where everybody stands, the pooled chances of open rungs by week, the forecast."""
    view = as_view(model, log, as_of)
    current = view.forecast()
    if climbing is None:
        climbing = view.once(known_climbing)
    standing = stand(view.histories, sorted(set(current.summary["athlete"])))
    ground = survey(
        view.growth, view.tracked, view.histories, climbing, standing, view.model.random_state
    )
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
    return walk(ground, settings, pooled=pooled, rhythm=rhythm, like=base)


def rhythm_at(ground: Ground, settings: Settings, sessions_per_week: float) -> Rhythm:
    """Return the rhythm of so many sessions a week, the gain with it as the log shows."""
    now = weekly_sessions(ground.gaps)
    share = sessions_per_week / now
    climbing = ground.climbing
    z = np.random.default_rng([settings.seed, 8]).standard_normal(settings.paths)
    elasticity = climbing.elasticity + climbing.elasticity_sd * z
    return Rhythm(scale=1.0 / share, gain=share[:, None] ** elasticity)
