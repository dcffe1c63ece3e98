"""An invented cohort: hidden truth and the clean sets a careful reader would have got of it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from forecast.errors import SimulationError
from forecast.ladder import Ladder
from forecast.ladder_file import read_ladder
from forecast.log import REJECTED_COLUMNS, TrainingLog, as_sets
from forecast.simulate.engine import (
    LONG_AGO,
    NEVER,
    UNLOGGED_DAYS,
    Course,
    DaySessions,
    run_course,
)
from forecast.simulate.laws import Law, law_class
from forecast.simulate.population import (
    Attendance,
    Population,
    draw_athletes,
    draw_attendance,
    draw_population,
)

LADDER_FILE = Path(__file__).with_name("ladder.toml")

_EPOCH = pd.Timestamp("1970-01-01")


def default_ladder() -> Ladder:
    """Return an invented ladder of 12 rungs in three stages: holds, repetitions, one with load.

    Its pass marks (5 to 20 s, 3 to 10 repetitions) and standards are common practice, no source.
    """
    return read_ladder(LADDER_FILE)


@dataclass(frozen=True)
class SimulatedCohort:
    """An invented cohort with everything a forecaster may see and all that it may not.

    ``sets`` are logged up to each athlete's lapse. ``truth`` has one row an athlete and rung begun,
    also those only begun had nobody lapsed: ``athlete, rung, started`` (first session, which may
    lie before the log), ``begun_before_log``, ``cleared``, ``cleared_no_lapse`` (had the athlete
    kept training); NaT if not within the time simulated. ``levels`` has one row a session, lapse or
    not: ``athlete, rung, date, level`` (log(capacity / target) before that day's form) and ``gain``
    (expected per week of training). ``athletes`` has one row each: hidden constants, ``log_from``,
    ``lapsed_on`` (NaT for never). ``end`` is the day after the last one simulated; ``law_object``,
    ``population`` and ``attendance`` are for the informed reference only.
    """

    ladder: Ladder
    sets: pd.DataFrame
    truth: pd.DataFrame
    levels: pd.DataFrame
    athletes: pd.DataFrame
    law: str
    start: pd.Timestamp
    end: pd.Timestamp
    law_object: Law
    population: Population
    attendance: Attendance

    @property
    def log(self) -> TrainingLog:
        """The sets as a ``TrainingLog``: nothing rejected, no roster."""
        return TrainingLog(
            sets=self.sets.copy(),
            rejected=pd.DataFrame({name: [] for name in REJECTED_COLUMNS}),
            warnings=(),
            roster=pd.DataFrame(index=pd.Index([], name="athlete", dtype="str")),
            ladder=self.ladder,
            rows_in=len(self.sets),
        )


@dataclass(frozen=True)
class Setting:
    """What kind of club a cohort trains in.

    ``ladder`` to climb (``default_ladder()`` if left out; seconds and repetitions only);
    ``under_way``, the share of athletes who trained before the log begins; ``prefix`` of athletes'
    codes; ``population`` to use instead of drawing one; ``rounding_seconds`` that holds are written
    to (a few athletes are timed to 5 s); ``sessions_per_week``, the range of athletes' usual ones.
    """

    ladder: Ladder | None = None
    under_way: float = 0.35
    prefix: str = "a"
    population: Population | None = None
    rounding_seconds: float = 1.0
    sessions_per_week: tuple[float, float] = (1.5, 4.0)


USUAL = Setting()


def simulate_cohort(
    law: str, n_athletes: int = 80, *, seed: int, weeks: int = 104, follow_up: int = 52,
    start: str = "2024-01-01", lapse_rate: float = 0.2, setting: Setting = USUAL,
) -> SimulatedCohort:  # fmt: skip
    """Simulate an invented cohort under one law of progress.

    Rungs are cleared by the literal rule: one clean, unassisted, loaded set at the target,
    ``confirm_sessions`` sessions running; the next rung opens when all it needs are cleared,
    ``min_weeks`` have passed and after a short random delay.

    Parameters
    ----------
    law, n_athletes
        One of ``LAWS``, and how many athletes, 1 or more.
    seed
        Same seed, same cohort; lapse dates do not disturb the rest of the draws.
    weeks, follow_up, start
        Weeks of the club's log, of which athletes join during the first 80 %, and weeks simulated
        beyond, for outcomes; first day of the log.
    lapse_rate, setting
        Share of athletes who lapse within a year of joining, in [0, 1); what kind of club it is.

    Raises
    ------
    SimulationError
        If the law is unknown, a number is out of range, or the ladder asks for something that
        is not simulated.

    Examples
    --------
    >>> cohort = simulate_cohort("steady", 5, seed=1, weeks=20, follow_up=10)
    >>> cohort.law, cohort.athletes.athlete.nunique()
    ('steady', 5)
    """
    plan, kind = setting.ladder or default_ladder(), law_class(law)
    _check(n_athletes, weeks, follow_up, lapse_rate, setting, plan)
    streams = [np.random.default_rng(s) for s in np.random.SeedSequence(seed).spawn(6)]
    constants = setting.population or draw_population(streams[0], len(plan.rungs))
    progress = kind.draw(streams[0])
    athletes = draw_athletes(
        streams[1], constants, n_athletes, setting.sessions_per_week, setting.prefix
    )
    athletes["hold_unit"] = setting.rounding_seconds
    first, days = (pd.Timestamp(start) - _EPOCH).days, (weeks + follow_up) * 7
    athletes["begin"], athletes["log_from"] = _joining(
        streams[1], n_athletes, weeks, setting.under_way
    )
    attendance = draw_attendance(streams[2], constants, athletes["rate"].to_numpy(), progress.style)
    course = run_course(
        plan, progress, constants, athletes, attendance, first, days, (streams[3], streams[4])
    )
    lapse = _lapses(streams[5], constants, athletes["log_from"].to_numpy(), lapse_rate)
    return SimulatedCohort(
        ladder=plan,
        sets=_set_table(course.sessions, plan, athletes, lapse, first),
        truth=_truth_table(course, plan, athletes, lapse, first),
        levels=_level_table(course.sessions, plan, athletes, first),
        athletes=_dated(athletes, lapse, first, days),
        law=progress.name,
        start=_EPOCH + pd.Timedelta(days=first),
        end=_EPOCH + pd.Timedelta(days=first + days),
        law_object=progress,
        population=constants,
        attendance=attendance,
    )


def _check(
    n_athletes: int, weeks: int, follow_up: int, lapse_rate: float, setting: Setting, plan: Ladder
) -> None:
    if n_athletes < 1 or weeks < 1 or follow_up < 0:
        raise SimulationError(
            f"n_athletes={n_athletes} and weeks={weeks} must be 1 or more, follow_up={follow_up} "
            "0 or more; correct the numbers."
        )
    if not 0 < setting.sessions_per_week[0] <= setting.sessions_per_week[1] <= 7:
        raise SimulationError(
            f"sessions_per_week={setting.sessions_per_week} must be a low and a high end in (0, 7]."
        )
    if setting.rounding_seconds <= 0:
        raise SimulationError(f"rounding_seconds={setting.rounding_seconds} must be above 0.")
    if not 0 <= lapse_rate < 1 or not 0 <= setting.under_way <= 1:
        raise SimulationError(
            f"lapse_rate={lapse_rate} must lie in [0, 1), under_way={setting.under_way} in [0, 1]."
        )
    for rung in plan.rungs:
        mark = rung.criterion
        if mark.measure not in ("seconds", "reps") or mark.load_bodyweight is not None:
            raise SimulationError(
                f"Rung {rung.key!r} is counted in {mark.measure} or asks for a share of body mass; "
                "only seconds and reps, with a load in kg or none, are simulated."
            )


def _joining(
    rng: np.random.Generator, n: int, weeks: int, under_way: float
) -> tuple[np.ndarray, np.ndarray]:
    """Day of the first session and day the log of each athlete starts, both from day 0."""
    early = rng.random(n) < under_way
    # most of those under way were there when the club began its log, some came from elsewhere
    at_start = early & (rng.random(n) < 0.7)
    spread = rng.integers(0, max(1, int(0.8 * weeks * 7)), n)
    log_from = np.where(at_start, 0, spread)
    before = np.where(early, rng.integers(7, UNLOGGED_DAYS, n), 0)
    return log_from - before, log_from


def _lapses(
    rng: np.random.Generator, population: Population, log_from: np.ndarray, lapse_rate: float
) -> np.ndarray:
    """Day of lapse from day 0: Lomax with the asked-for chance within the first year."""
    draws = rng.pareto(population.lapse_shape, log_from.size)
    if lapse_rate == 0:
        return np.full(log_from.size, np.inf)
    scale = 365.25 / ((1 - lapse_rate) ** (-1 / population.lapse_shape) - 1)
    # nobody is in the log without having come for a week
    return np.asarray(log_from + 7 + np.ceil(scale * draws))


def _dated(athletes: pd.DataFrame, lapse: np.ndarray, first: int, days: int) -> pd.DataFrame:
    """Return the athletes with dates instead of days from the start."""
    hidden = athletes.assign(lapsed_on=np.where(lapse < days, lapse, np.nan))
    for name in ("begin", "log_from", "lapsed_on"):
        date = _EPOCH + pd.to_timedelta(first + hidden[name], unit="D")
        hidden[name] = date.astype("datetime64[ns]")
    return hidden


def _date(day: np.ndarray, first: int) -> np.ndarray:
    """Dates of days counted from the start of the log; days that never come are NaT."""
    comes = (day < NEVER) & (day > LONG_AGO // 2)
    shifted = np.where(comes, first + day, 0).astype("int64").astype("timedelta64[D]")
    dates = np.datetime64(_EPOCH, "ns") + shifted.astype("timedelta64[ns]")
    return np.where(comes, dates, np.datetime64("NaT", "ns"))


def _named(
    ladder: Ladder, athletes: pd.DataFrame, who: np.ndarray, rung: np.ndarray, **columns: Any
) -> pd.DataFrame:
    """Return a table of athletes' rungs, by number, with further columns."""
    keys = {
        "athlete": athletes["athlete"].to_numpy()[who],
        "rung": np.array(ladder.keys, dtype=object)[rung],
    }
    return pd.DataFrame(keys | columns).astype({"athlete": "str", "rung": "str"})


def _level_table(
    days: DaySessions, ladder: Ladder, athletes: pd.DataFrame, first: int
) -> pd.DataFrame:
    """Return the latent level and gain at each session, lapse or not."""
    who, rung = np.divmod(days.cell, len(ladder.rungs))
    date = _date(days.day, first)
    table = _named(ladder, athletes, who, rung, date=date, level=days.level, gain=days.gain)
    return table.sort_values(["athlete", "date", "rung"], ignore_index=True)


def _truth_table(
    course: Course, ladder: Ladder, athletes: pd.DataFrame, lapse: np.ndarray, first: int
) -> pd.DataFrame:
    """Return when each rung was begun and cleared; those over before the log are left out."""
    log_from = athletes["log_from"].to_numpy()[:, None]
    who, rung = np.nonzero((course.started < NEVER) & (course.cleared >= log_from))
    started, cleared = course.started[who, rung], course.cleared[who, rung]
    return _named(
        ladder, athletes, who, rung, started=_date(started, first),
        begun_before_log=started < log_from[who, 0],
        cleared=_date(np.where(cleared < lapse[who], cleared, NEVER), first),
        cleared_no_lapse=_date(cleared, first),
    )  # fmt: skip


def _set_table(
    days: DaySessions, ladder: Ladder, athletes: pd.DataFrame, lapse: np.ndarray, first: int
) -> pd.DataFrame:
    """Return the logged sets with the columns of ``SET_COLUMNS``, in their order."""
    who, rung = np.divmod(days.cell, len(ladder.rungs))
    logged = (days.day >= athletes["log_from"].to_numpy()[who]) & (days.day < lapse[who])
    sets = days.sets
    row, place = np.nonzero(sets.done & logged[:, None])
    who, band, sore = who[row], sets.band[row, place], days.sore[row]
    # effort and pain, where they are noted, are made from the session, without new chance
    notes = athletes["notes_effort"].to_numpy()[who]
    near = np.clip(-days.level[row], 0.0, 1.5)
    effort = np.clip(np.floor(6.0 + 0.5 * place + 1.5 * near), 0, 10)
    pain = np.where(sore, 3.0 + (row % 3), np.where(row % 11 == 0, 1.0, 0.0))
    shown = {name: getattr(sets, name)[row, place] for name in ("value", "clean", "stopped")}
    table = _named(
        ladder, athletes, who, rung[row], date=_date(days.day[row], first), set=place + 1,
        **shown, assisted=band, assist=np.where(band, "band", "none"),
        load_kg=sets.load[row, place], effort=np.where(notes, effort, np.nan),
        pain=np.where(notes | sore, pain, np.nan), file="simulated", row=0,
    )  # fmt: skip
    table = as_sets(table).sort_values(["athlete", "date", "rung", "set"], ignore_index=True)
    table["row"] = np.arange(2, len(table) + 2)
    return table
