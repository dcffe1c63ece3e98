"""The day loop of a simulated cohort, vectorised over athletes and rungs."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecast.ladder import Ladder
from forecast.simulate.emission import DrawnSets, Marks, draw_sets
from forecast.simulate.laws import Cells, Law, State
from forecast.simulate.population import Attendance, Population
from forecast.types import Array, Flags, Ints

UNLOGGED_DAYS = 140
"""Athletes may have trained for up to this many days before the log begins."""
NEVER = 10**7
LONG_AGO = -(10**6)
SHARE_OF_RUNGS = 0.8
"""With several open rungs a session leaves out each of them with the other chance."""
UPKEEP = 0.5
"""Chance that a cleared rung is still trained on a day of its consolidation period."""


@dataclass(frozen=True, slots=True)
class DaySessions:
    """Sessions; ``cell`` = athlete x rungs + rung, arrays of one length."""

    day: Ints
    cell: NDArray[np.intp]
    level: Array
    gain: Array
    sore: Flags
    sets: DrawnSets


@dataclass(frozen=True, slots=True)
class Course:
    """All that happened: days from the start of the log (athletes, rungs); ``NEVER`` if not at all.

    ``cleared`` is far in the past for rungs already behind an athlete.
    """

    opens: Ints
    cleared: Ints
    started: Ints
    sessions: DaySessions


@dataclass(frozen=True, slots=True)
class PlanArrays:
    """The ladder as arrays."""

    needs: tuple[tuple[int, ...], ...]
    min_days: Ints
    confirm: Ints
    target: np.ndarray
    whole: Flags
    load: np.ndarray


def plan_arrays(ladder: Ladder) -> PlanArrays:
    """Return the ladder as arrays in rung order."""
    marks = [rung.criterion for rung in ladder.rungs]
    return PlanArrays(
        needs=tuple(tuple(ladder.position(k) for k in rung.needs) for rung in ladder.rungs),
        min_days=np.array([int(np.ceil(7 * rung.min_weeks)) for rung in ladder.rungs]),
        confirm=np.array([m.confirm_sessions for m in marks]),
        target=np.array([float(m.target) for m in marks]),
        whole=np.array([m.measure == "reps" for m in marks]),
        load=np.array([m.load_kg or 0.0 for m in marks]),
    )


def habits_of(athletes: pd.DataFrame) -> dict[str, np.ndarray]:
    """Return the columns of the athletes that their sets depend on, as arrays."""
    names = ("coarse", "hold_unit", "noise", "usual_sets", "stops", "notes_stopped")
    return {name: athletes[name].to_numpy() for name in names}


def marks_for(
    plan: PlanArrays, habits: dict[str, np.ndarray], who: NDArray[np.intp], rung: NDArray[np.intp]
) -> Marks:
    """Return targets and habits (``habits_of``) for sessions of athletes ``who`` on ``rung``."""
    target = plan.target[rung]
    # nobody times to 5 s where the target is not a multiple of it
    coarse = habits["coarse"][who] & (target >= 10) & (target % 5 == 0)
    hold_unit = np.where(coarse, 5.0, habits["hold_unit"][who])
    return Marks(
        target=target,
        whole=plan.whole[rung],
        unit=np.where(plan.whole[rung], 1.0, hold_unit),
        load=plan.load[rung],
        noise=habits["noise"][who],
        usual_sets=habits["usual_sets"][who],
        stops=habits["stops"][who],
        notes_stopped=habits["notes_stopped"][who],
    )


def _entry(rng: np.random.Generator, plan: PlanArrays, begin: Ints) -> tuple[Ints, Ints]:
    """Where athletes stand on their first day: rungs already behind them, rungs open."""
    n_rungs = len(plan.needs)
    weight = 0.75 ** np.arange(n_rungs // 2 + 1)
    behind = rng.choice(weight.size, begin.size, p=weight / weight.sum())
    done = np.arange(n_rungs) < behind[:, None]
    ready = np.stack([done[:, list(needs)].all(axis=1) for needs in plan.needs], axis=1)
    opens = np.where(ready & ~done, begin[:, None], NEVER)
    return opens.astype(np.int64), np.where(done, LONG_AGO, NEVER).astype(np.int64)


def _starting_state(
    rng: np.random.Generator, law: Law, population: Population, athletes: pd.DataFrame, first: int
) -> State:
    """State of all cells (athletes x rungs, flattened) as if each opened on day 0."""
    n, n_rungs = shape = len(athletes), population.rung_effects.size
    usual = population.log_pace + athletes["pace_effect"].to_numpy()[:, None]
    spread = population.spell_sd * rng.standard_normal(shape)
    log_pace = usual + population.rung_effects + spread
    gap = population.usual_gap * np.exp(population.gap_sd * rng.standard_normal(shape))
    cells = Cells(
        gap=gap.ravel(),
        pace=np.exp(log_pace).ravel(),
        trait=np.repeat(athletes["trait"].to_numpy(), n_rungs),
        rate=np.repeat(athletes["rate"].to_numpy(), n_rungs),
        day=np.full(n * n_rungs, float(first)),
    )
    return law.initial(rng, cells)


def run_course(
    ladder: Ladder, law: Law, population: Population, athletes: pd.DataFrame,
    attendance: Attendance, first: int, days: int,
    sources: tuple[np.random.Generator, np.random.Generator],
) -> Course:  # fmt: skip
    """Run all athletes day by day from before the log to its end; nobody lapses here.

    ``athletes`` hold ``begin`` and ``log_from`` in days from the start of the log, which is day
    ``first`` from 1 January 1970. ``sources`` of chance: for paths, and for sets.
    """
    path_rng, set_rng = sources
    plan, habits = plan_arrays(ladder), habits_of(athletes)
    n, n_rungs = len(athletes), len(plan.needs)
    begin, log_from = athletes["begin"].to_numpy(), athletes["log_from"].to_numpy()
    opens, cleared = _entry(path_rng, plan, begin)
    started = np.full((n, n_rungs), NEVER, dtype=np.int64)
    state = _starting_state(path_rng, law, population, athletes, first)
    run = np.zeros((n, n_rungs), dtype=np.int64)
    coming, rows = attendance.begin((n,)), np.arange(n, dtype=np.intp)
    records = []
    for day in range(-UNLOGGED_DAYS, days):
        coming, here = attendance.step(coming, rows, first + day, path_rng)
        # sessions before the log cannot be part of a run that the log shows
        run[log_from == day] = 0
        going = (opens <= day) & (cleared >= NEVER)
        upkeep = (opens <= day) & (cleared < day) & (day < cleared + plan.min_days)
        cell = np.flatnonzero(going | upkeep)
        who, rung = np.divmod(cell, n_rungs)
        share = np.where(going.sum(axis=1)[who] > 1, SHARE_OF_RUNGS, 1.0)
        share = np.where(upkeep.ravel()[cell], UPKEEP, share)
        trained = here[who] & (path_rng.random(cell.size) < share)
        # one day acts on the open cells; fresh ones only start their clock
        now = {name: values[cell] for name, values in state.items()}
        fresh = opens.ravel()[cell] == day
        now["day"] = np.where(fresh, float(first + day), now["day"])
        moved = law.advance(now, np.where(fresh, 0.0, 1.0), trained, path_rng)
        for name, values in moved.items():
            state[name][cell] = values
        who, rung = who[trained], rung[trained]
        moved = {name: values[trained] for name, values in moved.items()}
        level, marks = law.level(moved), marks_for(plan, habits, who, rung)
        sets = draw_sets(set_rng, population, level, marks, law.form_df)
        sore, today = coming["sore"][who].astype(bool), np.full(who.size, day)
        records.append(DaySessions(today, cell[trained], level, law.gain(moved), sore, sets))
        # the pass rule, and what opens next
        started[who, rung] = np.minimum(started[who, rung], day)
        run[who, rung] = np.where(sets.counts.any(axis=1), run[who, rung] + 1, 0)
        new = (run[who, rung] >= plan.confirm[rung]) & (cleared[who, rung] >= NEVER)
        cleared[who[new], rung[new]] = day
        for athlete in np.unique(who[new]):
            _open_next(plan, opens[athlete], cleared[athlete], day, path_rng)
    return Course(opens, cleared, started, _joined(records))


def _joined(records: list[Any]) -> Any:
    """Return sessions, or their sets, one after the other."""
    joined = {}
    for one in fields(records[0]):
        values = [getattr(record, one.name) for record in records]
        joined[one.name] = _joined(values) if one.name == "sets" else np.concatenate(values)
    return type(records[0])(**joined)


def _open_next(
    plan: PlanArrays, opens: Ints, cleared: Ints, day: int, rng: np.random.Generator
) -> None:
    """Open the rungs of an athlete of which all that they need are cleared, in place."""
    for later, needs in enumerate(plan.needs):
        done = cleared[list(needs)]
        if opens[later] >= NEVER and cleared[later] >= NEVER and (done < NEVER).all():
            ready = np.max(done + plan.min_days[list(needs)])
            opens[later] = max(ready, day) + rng.geometric(0.25)
