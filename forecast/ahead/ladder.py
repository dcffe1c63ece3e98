"""The whole ladder: chances and dates for every rung ahead, at the present rate or another."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from scipy.stats import norm

from forecast import words
from forecast.ahead import rules
from forecast.ahead.standing import Climbing, carry_regressors, ladder_plan, learn_climbing, stand
from forecast.ahead.tables import LadderAhead, WhatIf, assemble, chances_by_day, days_ahead
from forecast.ahead.walk import Ground, Pooled, Rhythm, Settings, Walk, walk
from forecast.errors import ForecastError, is_number
from forecast.growth import to_latent, to_ratio, walker_of
from forecast.histories import day_number, running_count
from forecast.log import TrainingLog, as_day
from forecast.readiness import Fitted, LogView, as_view, time_columns
from forecast.row import AHEAD_COLUMNS, Row, rows_table
from forecast.types import WEEK, Array

WHAT_IF_COLUMNS = [
    "athlete", "rung", "rung_name", "sessions_per_week", "as_now", "weeks_low", "weeks_mid",
    "weeks_high", "date_mid", "p_12", "p_26", "p_never_in_horizon",
]  # fmt: skip
MARK_COLUMNS = [
    "athlete", "rung", "rung_name", "target", "as_now", "met_on", "weeks_low", "weeks_mid",
    "weeks_high", "date_low", "date_mid", "date_high", "p_4", "p_8", "p_12", "p_26",
    "p_never_in_horizon",
]  # fmt: skip


def check_horizon(horizon_weeks: object) -> int:
    """Return the weeks to look ahead, or say what is wrong with them."""
    weeks = horizon_weeks
    if is_number(weeks) and 1 <= weeks <= rules.MOST_HORIZON and int(weeks) == weeks:
        return int(weeks)
    raise ForecastError(
        f"horizon_weeks = {horizon_weeks!r}; give a whole number of weeks, 1 to "
        f"{rules.MOST_HORIZON}."
    )


def check_rate(sessions_per_week: object) -> float:
    """Return a rate of training, or say what is wrong with it."""
    if is_number(sessions_per_week) and 0 < sessions_per_week <= rules.MOST_RATE:
        return float(sessions_per_week)
    raise ForecastError(
        f"sessions_per_week = {sessions_per_week!r}; give a number above 0, at most "
        f"{rules.MOST_RATE:g}."
    )


def _listed(values: object) -> tuple[Any, ...]:
    """Return the entries of a list, none of what is not a list."""
    is_list = isinstance(values, Iterable) and not isinstance(values, str | bytes)
    return tuple(values) if is_list else ()  # type: ignore[arg-type]


def check_rates(sessions_per_week: object) -> tuple[float, ...]:
    """Return rates of training to compare, or say what is wrong with them."""
    if rates := _listed(sessions_per_week):
        return tuple(check_rate(rate) for rate in rates)
    raise ForecastError(
        f"sessions_per_week = {sessions_per_week!r}; give a list of one rate or more, such as "
        "[2, 3, 4]."
    )


def ladder_ahead(
    model: Fitted | LogView, log: TrainingLog | None = None,
    as_of: pd.Timestamp | str | None = None, *, horizon_weeks: int = 260,
    target_date: pd.Timestamp | str | None = None, sessions_per_week: float | None = None,
) -> LadderAhead:  # fmt: skip
    """Forecast every rung still ahead of every athlete, rung after rung, to the top.

    All rungs of a path share one draw of the athlete (and of everything else that is uncertain
    for all of them), so that a slow path is slow all the way. A rung opens when all that it needs
    are cleared and their ``min_weeks`` have passed, after a delay as the log shows them; branches
    run side by side. Raises ``NotFittedError`` if ``fit`` was not called, ``HistoryError`` if no
    set is dated before ``as_of``, ``ForecastError`` if the ladder is not the one fitted on, or a
    number or date is out of range.

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
        walked = walk_at(ground, settings, pooled, walked, rate / rates_now(ground, current))
    return assemble(ground, settings, walked, current, view, day, as_now=rate is None)


def what_if(
    model: Fitted | LogView, log: TrainingLog | None = None,
    as_of: pd.Timestamp | str | None = None, athlete: str = "", *,
    sessions_per_week: Sequence[float] = (2.0, 3.0, 4.0), horizon_weeks: int = 260,
) -> WhatIf:  # fmt: skip
    """Look up one athlete's ladder at several rates of training.

    The present rate is that of the row: sessions a week on the rung lately, breaks left out; of a
    rung not begun that of the one trained last. Ordinary gaps between sessions are scaled by the
    rate asked for over it, from the cut on; layoffs stay as long, and come as often a week. What
    the record says of the athlete stays too. Gain moves with the rate as the log shows over all its
    spells: the part of training that the growth engine's clock counts by the session, and what is
    left to the rate beyond that (an elasticity, shrunk to none), its uncertainty included.

    Parameters
    ----------
    model, log, as_of, horizon_weeks
        As in ``ladder_ahead``, and so are the errors.
    athlete
        Whose ladder; ``ForecastError`` if that is nobody's, or nothing lies ahead.
    sessions_per_week
        Rates to compare with the present one.
    """
    view = as_view(model, log, as_of)
    horizon_weeks, rates = check_horizon(horizon_weeks), check_rates(sessions_per_week)
    if not isinstance(athlete, str) or athlete not in view.log.athletes:
        raise ForecastError(f"{athlete!r} is not in the log; its athletes are in log.athletes.")
    ground, pooled, current = look_up_alone(view, athlete)
    if not current:
        raise ForecastError(f"Nothing lies ahead of {athlete!r}: no rung is open.")
    now, keys = rates_now(ground, current), ground.histories.ladder.keys
    settings = settings_of(view.model, horizon_weeks)
    base = walk(ground, settings, pooled=pooled)
    table = assemble(ground, settings, base, current, view).summary
    lately = [round(float(now[0, keys.index(key)]), 2) for key in table["rung"]]
    tables = [table.assign(sessions_per_week=lately, as_now=True)]
    for rate in rates:
        walked = walk_at(ground, settings, pooled, base, rate / now)
        table = assemble(ground, settings, walked, current, view, as_now=False).summary
        tables.append(table.assign(sessions_per_week=rate, as_now=False))
    usual = float(now[0, -1])
    # Training that the clock counts over half a year at twice the sessions, to that as now.
    weeks, none, both = np.array([26.0]), np.zeros(1), np.array([2.0 * usual, usual])
    twice, once = view.growth.fit.constants.clock.ahead(weeks, none, none, both)
    climbing = ground.climbing
    half = float(norm.ppf(0.9)) * climbing.elasticity_sd
    low, mid, high = (
        float(twice / once) * 2.0 ** (climbing.elasticity + off) - 1.0 for off in (-half, 0.0, half)
    )
    table = pd.concat(tables, ignore_index=True)[WHAT_IF_COLUMNS]
    return WhatIf(table, words.ahead.other_rates(low, mid, high, usual))


def weekly_sessions(gaps: Array) -> Array:
    """(T,) sessions a week outside layoffs, from (T, G) gap tables."""
    ordinary = gaps <= rules.LAYOFF_DAYS
    days = np.where(ordinary, gaps, 0.0).sum(axis=1)
    return np.asarray(WEEK * ordinary.sum(axis=1) / np.maximum(days, 1.0))


def rates_now(ground: Ground, current: Sequence[Row]) -> Array:
    """(A, R) sessions a week lately by the rows; on other rungs as on the one trained last."""
    rates = np.tile(weekly_sessions(ground.walker.gaps)[:, None], ground.standing.behind.shape[1])
    place = {name: number for number, name in enumerate(ground.standing.names)}
    tried = [row for row in current if row.seen.sessions and row.seen.per_week > 0]
    for row in sorted(tried, key=lambda row: (-row.seen.weeks_since, row.seen.sessions)):
        rates[place[row.athlete]] = row.seen.per_week
    for row in tried:
        rung = ground.histories.ladder.position(row.rung.key)
        rates[place[row.athlete], rung] = row.seen.per_week
    return rates


def known_climbing(view: LogView) -> Climbing:
    """How the ladder is climbed: as the model learnt it, else as the log shows up to its fit."""
    model = view.model
    if model.climbing_ is not None:
        return model.climbing_
    if view.as_of > model.as_of_:
        view = model.view(view.log, model.as_of_)
    return learn_climbing(view.tracked, view.histories, seed=model.random_state)


def settings_of(model: Fitted, horizon_weeks: int) -> Settings:
    """Return how the model's settings ask for the ladder to be walked."""
    return Settings(
        paths=min(model.paths, rules.MOST_PATHS),
        draws=min(model.draws, rules.MOST_DRAWS),
        seed=model.random_state,
        most_days=int(WEEK) * horizon_weeks,
    )


def look_up(
    view: LogView, climbing: Climbing | None = None
) -> tuple[Ground, Pooled, tuple[Row, ...]]:
    """Return where everybody stands, the pooled chances of open rungs by week, the forecast."""
    current, tracked, histories = view.rows_of("pool"), view.tracked, view.histories
    climbing = climbing or view.once(known_climbing)
    standing = stand(histories, sorted({row.athlete for row in current}))
    margin, own_pace = carry_regressors(tracked, histories)
    ground = Ground(
        histories=histories, climbing=climbing, standing=standing,
        plan=ladder_plan(histories.ladder),
        walker=walker_of(tracked, standing.athletes, histories.ladder),
        cut=int(day_number(pd.Series([histories.as_of]))[0]),
        margin=np.nan_to_num(margin - climbing.margin), own_pace=own_pace,
    )  # fmt: skip
    who = {name: place for place, name in enumerate(standing.names)}
    rung = {key: number for number, key in enumerate(histories.ladder.keys)}
    curve = view.curve(despite_hold=True).groupby(["athlete", "rung"], sort=False)["p_cleared"]
    pooled = {
        (who[athlete], rung[key]): np.concatenate([[0.0], chances.to_numpy()])
        for (athlete, key), chances in curve
        if standing.ahead[who[athlete], rung[key]]
    }
    return ground, pooled, current


def look_up_alone(view: LogView, athlete: str) -> tuple[Ground, Pooled, tuple[Row, ...]]:
    """Return the same of one athlete, by how the whole club climbs."""
    sets = view.log.sets
    alone = replace(view.log, sets=sets[sets["athlete"] == athlete].reset_index(drop=True))
    # The club's day: the one after its last set, not after the athlete's.
    return look_up(view.model.view(alone, view.as_of), view.once(known_climbing))


def walk_at(ground: Ground, settings: Settings, pooled: Pooled, base: Walk, times: Array) -> Walk:
    """Walk again at ``times`` (A, R) the sessions a week, recalibrated as the walk ``base``."""
    climbing = ground.climbing
    z = np.random.default_rng([settings.seed, 8]).standard_normal(settings.paths)
    elasticity = climbing.elasticity + climbing.elasticity_sd * z
    rhythm = Rhythm(scale=1.0 / times, gain=times[:, :, None] ** elasticity)
    return walk(ground, settings, pooled=pooled, rhythm=rhythm, like=base)


def what_if_mark(
    model: Fitted | LogView, log: TrainingLog | None = None,
    as_of: pd.Timestamp | str | None = None, athlete: str = "", rung: str = "", *,
    targets: Sequence[float],
) -> WhatIf:  # fmt: skip
    """Forecast one rung that an athlete is on at other pass marks.

    The same sessions to come are put to each mark, and the recalibration is that of the present
    one, so that a lower mark is never cleared later and the present mark reads as forecast. What
    the athlete has shown counts toward each mark as the pass rule says, sessions in a row included.
    ``table`` has a row a mark, the present one first (``as_now``), columns ``MARK_COLUMNS``, weeks
    and chances as in ``ReadinessForecast.summary``. ``met_on`` is the day on which a mark was
    cleared already, missing where it was not; its weeks are 0.

    Parameters
    ----------
    model, log, as_of
        As in ``ladder_ahead``, and so are the errors.
    athlete, rung
        Whose rung, by name and key; it must be open, with a session on it.
    targets
        Marks to compare with the present one, in its unit, a quarter of it to four times.
    """
    view = as_view(model, log, as_of)
    summary = rows_table(view.rows_of("pool"))
    mine = summary[(summary["athlete"] == athlete) & (summary["sessions"] > 0)]
    row = mine[mine["rung"] == rung]
    if row.empty:
        on = ", ".join(mine["rung"]) or "no rung"
        raise ForecastError(f"{athlete!r} is not on {rung!r}; with sessions on it: {on}.")
    now, place = row.iloc[0].to_dict(), view.log.ladder.position(rung)
    low, high = now["target"] / rules.WIDEST, now["target"] * rules.WIDEST
    marks = _listed(targets)
    if not marks or not all(is_number(mark) and low <= mark <= high for mark in marks):
        raise ForecastError(
            f"targets = {targets!r}; give a list of one mark or more, from {low:g} to {high:g}."
        )
    ground, pooled, _ = look_up_alone(view, athlete)
    settings = settings_of(view.model, view.model.horizon_weeks)
    base = walk(ground, settings, pooled=pooled, only=place)
    rows: list[dict[str, Any]] = [{**now, "as_now": True, "met_on": None}]
    for mark in map(float, marks):
        there, met_on = _at_mark(ground, place, mark / now["target"])
        walked = walk(there, settings, pooled=pooled, like=base, only=place)
        cleared = walked.cleared[0, place] if met_on is None else np.zeros(settings.paths)
        times = time_columns(chances_by_day(cleared[None], settings.most_days), view.as_of)
        rows.append({**times.iloc[0], "target": mark, "as_now": False, "met_on": met_on})
    same = {name: now[name] for name in ("athlete", "rung", "rung_name")}
    table = pd.DataFrame(rows).assign(**same)
    table["met_on"] = pd.to_datetime(table["met_on"])
    if pd.notna(now["on_hold"]):
        blank = [name for name in MARK_COLUMNS if name in AHEAD_COLUMNS]
        table = table.assign(**{name: table[name].mask(table["athlete"].notna()) for name in blank})
    return WhatIf(table[MARK_COLUMNS].reset_index(drop=True), words.ahead.OTHER_MARK)


def _at_mark(ground: Ground, rung: int, times: float) -> tuple[Ground, pd.Timestamp | None]:
    """The ground were the rung's mark so many ``times`` what it is, and when it was met then."""
    histories, tracked = ground.histories, ground.walker.tracked
    row = int(ground.standing.spell[0, rung])
    criterion, sessions = histories.ladder.rungs[rung].criterion, histories.sessions
    mine = sessions[sessions["spell"] == row].sort_values("date", kind="stable")
    meets = mine["best"] >= times * criterion.target - 1e-9
    run = running_count(mine.assign(meets=meets))
    done = mine["date"][run >= criterion.confirm_sessions]
    panel, linear = tracked.panel, tracked.model.linear
    threshold, met = panel.threshold.copy(), panel.met.copy()
    # Half a unit below is written as the mark, whatever the mark: see ``growth.pass_ratio``.
    threshold[row] = to_latent(to_ratio(threshold[row], linear) + times - 1.0, linear)
    met[mine.index] = meets.to_numpy()
    spells = histories.spells.copy()
    spells.loc[spells.index[row], "run"] = int(run[-1])
    tracked = replace(tracked, panel=replace(panel, threshold=threshold, met=met))
    walker = replace(ground.walker, tracked=tracked)
    there = replace(ground, walker=walker, histories=replace(histories, spells=spells))
    return there, done.iloc[0] if len(done) else None
