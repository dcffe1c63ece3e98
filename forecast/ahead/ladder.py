"""The whole ladder: chances and dates for every rung ahead, at the present rate or another."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from scipy.stats import norm

from forecast.ahead.ground import Ground, Settings, survey
from forecast.ahead.learning import Climbing, learn_climbing
from forecast.ahead.standing import Rhythm, stand, weekly_sessions
from forecast.ahead.tables import (
    WHAT_IF_COLUMNS,
    LadderAhead,
    WhatIf,
    assemble,
    chances_by_day,
    check_horizon,
    check_rate,
    check_rates,
    days_ahead,
)
from forecast.ahead.walk import Walk, climb_one, walk
from forecast.errors import ForecastError, is_number
from forecast.growth import Clock, to_latent, to_ratio
from forecast.histories import running_count
from forecast.log import TrainingLog, as_day
from forecast.readiness import Fitted, LogView, as_view, time_columns
from forecast.row import AHEAD_COLUMNS, Row, rows_table
from forecast.types import Array

MOST_PATHS, MOST_DRAWS = 512, 16
"""Paths and draws of the constants that a walk takes at most. The engine's own forecast weighs many
draws by how well they explain a spell; here all count alike, and more would only take time."""


def ladder_ahead(
    model: Fitted | LogView,
    log: TrainingLog | None = None,
    as_of: pd.Timestamp | str | None = None,
    *,
    horizon_weeks: int = 260,
    target_date: pd.Timestamp | str | None = None,
    sessions_per_week: float | None = None,
) -> LadderAhead:
    """Forecast every rung still ahead of every athlete, rung after rung, to the top.

    All rungs of a path share one draw of the athlete (and of everything else that is uncertain
    for all of them), so that a slow path is slow all the way. A rung opens when all that it needs
    are cleared and their ``min_weeks`` have passed, after a delay as the log shows them; branches
    run side by side; rungs that everybody must clear first count in. How the ladder is climbed is
    taken as the model learnt it; a model that did not learns it from the log, up to the earlier of
    ``as_of`` and the cut date of its fit.

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
    ground, pooled, current = look_up(view)
    if day is not None:
        days_ahead(day, view.as_of, horizon_weeks, "target_date")
    settings = settings_of(view.model, horizon_weeks)
    walked = walk(ground, settings, pooled=pooled)
    if rate is not None:
        walked = walk_at(ground, settings, pooled, walked, rate)
    return assemble(ground, settings, walked, current, view, day, as_now=rate is None)


def what_if(
    model: Fitted | LogView,
    log: TrainingLog | None = None,
    as_of: pd.Timestamp | str | None = None,
    athlete: str = "",
    *,
    sessions_per_week: Sequence[float] = (2.0, 3.0, 4.0),
    horizon_weeks: int = 260,
) -> WhatIf:
    """Look up one athlete's ladder at several rates of training.

    Ordinary gaps between sessions on a rung are scaled to the rate asked for, from the cut on;
    layoffs stay as long, and come as often a week. What the record says of the athlete stays too.
    Gain moves with the rate as the log shows over all its spells: the part of training
    that the growth engine's clock counts by the session, and what is left to the rate beyond that
    (an elasticity, shrunk to none), its uncertainty included.

    Parameters
    ----------
    model, log, as_of, horizon_weeks
        As in ``ladder_ahead``, and so are the errors.
    athlete
        Whose ladder.
    sessions_per_week
        Rates to compare with the present one.

    Raises
    ------
    ForecastError
        The athlete is not in the log or has nothing ahead.
    """
    view = as_view(model, log, as_of)
    horizon_weeks, rates = check_horizon(horizon_weeks), check_rates(sessions_per_week)
    if not isinstance(athlete, str) or athlete not in view.log.athletes:
        raise ForecastError(f"{athlete!r} is not in the log; its athletes are in log.athletes.")
    climbing = view.once(known_climbing)
    ground, pooled, current = look_up_alone(view, athlete)
    if not current:
        raise ForecastError(f"Nothing lies ahead of {athlete!r}: no rung is open.")
    now = float(weekly_sessions(ground.gaps)[0])
    settings = settings_of(view.model, horizon_weeks)
    base = walk(ground, settings, pooled=pooled)
    parts = []
    for asked in (None, *rates):
        walked = base if asked is None else walk_at(ground, settings, pooled, base, asked)
        ahead = assemble(ground, settings, walked, current, view, as_now=asked is None)
        rate = round(now, 2) if asked is None else asked
        parts.append(ahead.summary.assign(sessions_per_week=rate, as_now=asked is None))
    table = pd.concat(parts, ignore_index=True)[list(WHAT_IF_COLUMNS)]
    twice = _training_of_twice(view.growth.fit.constants.clock, now)
    return WhatIf(table, _warning(climbing, twice, now))


def known_climbing(view: LogView) -> Climbing:
    """Return how the ladder is climbed: as the model learnt it, else learnt from the view's log.

    Learnt up to the earlier of the view's cut date and that of the fit.
    """
    model = view.model
    if model.climbing_ is not None:
        return model.climbing_
    if view.as_of > model.as_of_:
        view = model.view(view.log, model.as_of_)
    return learn_climbing(
        view.growth, view.histories, seed=model.random_state, tracked=view.tracked
    )


def settings_of(model: Fitted, horizon_weeks: int) -> Settings:
    """Return how the model's settings ask for the ladder to be walked."""
    return Settings(
        paths=min(model.paths, MOST_PATHS),
        draws=min(model.draws, MOST_DRAWS),
        seed=model.random_state,
        most_days=7 * horizon_weeks,
    )


def look_up(
    view: LogView, climbing: Climbing | None = None
) -> tuple[Ground, dict[tuple[int, int], Array], tuple[Row, ...]]:
    """Return where everybody stands, the pooled chances of open rungs by week, the forecast."""
    current = view.rows_of("pool")
    standing = stand(view.histories, sorted({row.athlete for row in current}))
    ground = survey(
        view.growth, view.tracked, view.histories, climbing or view.once(known_climbing), standing,
        view.model.random_state,
    )  # fmt: skip
    return ground, _pooled_chances(ground, view), current


def look_up_alone(
    view: LogView, athlete: str
) -> tuple[Ground, dict[tuple[int, int], Array], tuple[Row, ...]]:
    """Return the same of one athlete, by how the whole club climbs."""
    sets = view.log.sets
    alone = replace(view.log, sets=sets[sets["athlete"] == athlete].reset_index(drop=True))
    # The club's day: the one after its last set, not after the athlete's.
    return look_up(view.model.view(alone, view.as_of), view.once(known_climbing))


def _pooled_chances(ground: Ground, view: LogView) -> dict[tuple[int, int], Array]:
    """By (athlete place, rung): chances by week 0, 1, ... of the open rungs."""
    who = {name: place for place, name in enumerate(ground.standing.names)}
    rung = {key: number for number, key in enumerate(ground.histories.ladder.keys)}
    curve = view.curve(despite_hold=True).groupby(["athlete", "rung"], sort=False)["p_cleared"]
    return {
        (who[athlete], rung[key]): np.concatenate([[0.0], chances.to_numpy()])
        for (athlete, key), chances in curve
        if ground.standing.ahead[who[athlete], rung[key]]
    }


def walk_at(
    ground: Ground,
    settings: Settings,
    pooled: dict[tuple[int, int], Array],
    base: Walk,
    sessions_per_week: float,
) -> Walk:
    """Walk again at another rate of training, recalibrated as the walk at the present one.

    Gain goes with the rate as the log shows it.
    """
    share, climbing = sessions_per_week / weekly_sessions(ground.gaps), ground.climbing
    z = np.random.default_rng([settings.seed, 8]).standard_normal(settings.paths)
    elasticity = climbing.elasticity + climbing.elasticity_sd * z
    rhythm = Rhythm(scale=1.0 / share, gain=share[:, None] ** elasticity)
    return walk(ground, settings, pooled=pooled, rhythm=rhythm, like=base)


def _training_of_twice(clock: Clock, now: float) -> float:
    """Training that the clock counts over half a year at twice the sessions, to that as now."""
    weeks, none, rates = np.array([26.0]), np.zeros(1), np.array([2.0 * now, now])
    twice, once = clock.ahead(weeks, none, none, rates)
    return float(twice / once)


def _warning(climbing: Climbing, twice: float, now: float) -> str:
    """What belongs beside the table; ``twice`` is the training that twice the sessions are."""
    half = float(norm.ppf(0.9)) * climbing.elasticity_sd
    low, mid, high = (
        100.0 * (twice * 2.0 ** (climbing.elasticity + part) - 1.0) for part in (-half, 0.0, half)
    )
    return (
        "This is association, not cause. In this log, spells with twice the sessions a week show "
        f"{mid:+.0f} % gain a week (80 % range {low:+.0f} to {high:+.0f} %); whoever comes more "
        "often differs in other ways too, and nobody was assigned a rate. Lately it was about "
        f"{now:.1f} sessions a week on a rung. More is not safer: tendons adapt slowly to "
        "straight-arm loading, so change one thing at a time, stop at pain, and ask a qualified "
        "coach or a licensed clinician first. Local rules come first."
    )


MARK_COLUMNS = [
    "athlete", "rung", "rung_name", "target", "as_now", "met_on", "weeks_low", "weeks_mid",
    "weeks_high", "date_low", "date_mid", "date_high", "p_4", "p_8", "p_12", "p_26",
    "p_never_in_horizon",
]  # fmt: skip
WIDEST = 4.0
"""Times the present mark, or a part of it, that may be asked for: beyond, no set tells anything."""
WARNING = (
    "Only the mark is another: training, form and the athlete are taken to stay as they are, "
    "though people train toward a mark. A lower mark is cleared sooner by less ability, and "
    "what that costs on the next rung is not in these weeks. A pass mark is never a reason to "
    "hurry: tendons adapt over months, pain stops the session, and a qualified coach decides."
)


def what_if_mark(
    model: Fitted | LogView,
    log: TrainingLog | None = None,
    as_of: pd.Timestamp | str | None = None,
    athlete: str = "",
    rung: str = "",
    *,
    targets: Sequence[float],
) -> WhatIf:
    """Forecast one rung that an athlete is on at other pass marks.

    The same sessions to come are put to each mark, and the recalibration is that of the present
    one, so that a lower mark is never cleared later and the present mark reads as forecast. What
    the athlete has shown counts toward each mark as the pass rule says, sessions in a row
    included.

    Parameters
    ----------
    model, log, as_of
        As in ``ladder_ahead``.
    athlete, rung
        Whose rung, by name and key; it must be open, with a session on it.
    targets
        Marks to compare with the present one, in its unit, a quarter of it to four times.

    Returns
    -------
    WhatIf
        ``table``: one row a mark, the present one first (``as_now``), columns ``MARK_COLUMNS``;
        weeks and chances as in ``ReadinessForecast.summary``. ``met_on`` is the day on which a
        mark was cleared already, missing where it was not; its weeks are 0.

    Raises
    ------
    NotFittedError
        ``fit`` was not called.
    ForecastError
        The athlete is not on the rung, or a mark is out of range.
    HistoryError
        No set is dated before ``as_of``.
    """
    view = as_view(model, log, as_of)
    now = _open_row(view, athlete, rung)
    marks = _checked(targets, float(now["target"]))
    ground, pooled, _ = look_up_alone(view, athlete)
    settings, place = settings_of(view.model, view.model.horizon_weeks), now["rung_index"]
    base = climb_one(ground, settings, place, pooled=pooled)
    rows: list[dict[str, Any]] = []
    for mark in marks:
        there, met_on = _at_mark(ground, place, mark / now["target"])
        walked = climb_one(there, settings, place, pooled=pooled, like=base)
        cleared = walked.cleared[0, place] if met_on is None else np.zeros(settings.paths)
        times = time_columns(chances_by_day(cleared[None], settings.most_days), view.as_of)
        rows.append({**times.iloc[0], "target": mark, "as_now": False, "met_on": met_on})
    table = pd.DataFrame([{**now, "as_now": True, "met_on": None}, *rows])
    same = {name: now[name] for name in ("athlete", "rung", "rung_name")}
    table = table.assign(**same, met_on=pd.to_datetime(table["met_on"]))
    if pd.notna(now["on_hold"]):
        blank = [name for name in MARK_COLUMNS if name in AHEAD_COLUMNS]
        table = table.assign(**{name: table[name].mask(table["athlete"].notna()) for name in blank})
    return WhatIf(table[MARK_COLUMNS].reset_index(drop=True), WARNING)


def _open_row(view: LogView, athlete: str, rung: str) -> dict[str, Any]:
    """The forecast's row, with ``rung_index``; or say what the athlete is on."""
    summary = rows_table(view.rows_of("pool"))
    mine = summary[(summary["athlete"] == athlete) & (summary["sessions"] > 0)]
    row = mine[mine["rung"] == rung]
    if row.empty:
        on = ", ".join(mine["rung"]) or "no rung"
        raise ForecastError(f"{athlete!r} is not on {rung!r}; with sessions on it: {on}.")
    return {**row.iloc[0], "rung_index": view.log.ladder.position(rung)}


def _checked(targets: object, now: float) -> tuple[float, ...]:
    if isinstance(targets, Iterable) and not isinstance(targets, str | bytes):
        marks = tuple(targets)
        if marks and all(is_number(m) and now / WIDEST <= m <= now * WIDEST for m in marks):
            return tuple(float(mark) for mark in marks)
    raise ForecastError(
        f"targets = {targets!r}; give a list of one mark or more, from {now / WIDEST:g} to "
        f"{now * WIDEST:g}."
    )


def _at_mark(ground: Ground, rung: int, times: float) -> tuple[Ground, pd.Timestamp | None]:
    """The ground were the rung's mark so many ``times`` what it is, and when it was met then."""
    histories, tracked = ground.histories, ground.tracked
    row = int(ground.standing.spell[0, rung])
    criterion = histories.ladder.rungs[rung].criterion
    sessions = histories.sessions
    mine = sessions[sessions["spell"] == row].sort_values("date", kind="stable")
    meets = mine["best"] >= times * criterion.target - 1e-9
    run = running_count(mine.assign(meets=meets))
    done = mine["date"][run >= criterion.confirm_sessions]
    panel, linear = tracked.panel, ground.model.linear
    threshold, met = panel.threshold.copy(), panel.met.copy()
    place = row
    # Half a unit below is written as the mark, whatever the mark: see ``growth.pass_ratio``.
    ratio = to_ratio(threshold[place], linear) + times - 1.0
    threshold[place] = to_latent(ratio, linear)
    met[mine.index] = meets.to_numpy()
    spells = histories.spells.copy()
    spells.loc[spells.index[row], "run"] = int(run[-1])
    there = replace(
        ground,
        tracked=replace(tracked, panel=replace(panel, threshold=threshold, met=met)),
        histories=replace(histories, spells=spells),
    )
    return there, done.iloc[0] if len(done) else None
