"""Does the criterion audit's estimate hold what was planted?

    python tests/bench/criterion_audit.py --seeds 10

Invented athletes climb a chain of rungs. Each is kept on a cleared rung for a while (some by the
calendar, some until a certain value), and their pace on the next rung suffers by how far their
usual best set of the last three sessions falls short of a value m*, in log units; above it nothing
changes. Everything the audit sees is a log of rounded sets and a model fitted to it. The true
factor is what a mark 10 % higher would have done to the weeks on the next rung of those who moved
on. With ``--effect 0`` it is 1; with ``--mark 9`` more margin pays for ever.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np
import pandas as pd

from forecast.cohort import criterion_audit
from forecast.ladder import Criterion, Ladder, Rung
from forecast.log import REJECTED_COLUMNS, SET_COLUMNS, TrainingLog
from forecast.model import ReadinessForecaster
from forecast.words.cohort import FEWER, MORE

SETS = 3
FORM_SD, SET_SD = 0.08, 0.07
BEST_OF_SETS = 0.8463 * SET_SD  # expected largest of three standard normals (Teichroew 1956)
DAY0 = pd.Timestamp("2023-01-02")


@dataclass(frozen=True)
class Planted:
    """A world: ``mark`` log margin that is enough, ``effect`` on log pace per unit short of it."""

    athletes: int = 120
    rungs: int = 5
    mark: float = 0.25
    effect: float = 2.5
    target: float = 20.0
    sessions: int = 330
    confirm: int = 1
    athlete_sd: float = 0.35
    spell_sd: float = 0.3
    gap: float = 0.6
    weeks: float = 9.0


def plan(world: Planted) -> Ladder:
    keys = [f"step_{i + 1}" for i in range(world.rungs)]
    return Ladder(
        "An invented chain of holds",
        tuple(
            Rung(
                key, f"Hold {i + 1}", "holds",
                Criterion("seconds", world.target, world.confirm),
                needs=(keys[i - 1],) if i else (),
            )
            for i, key in enumerate(keys)
        ),
    )  # fmt: skip


class Club:
    """State of all athletes, moved on session by session."""

    def __init__(self, world: Planted, seed: int) -> None:
        self.world, self.rng = world, np.random.default_rng(seed)
        n, rng = world.athletes, self.rng
        self.trait = world.athlete_sd * rng.standard_normal(n)
        self.days_between = rng.uniform(2.0, 4.5, n)
        # Athletes join over three years; the record ends for all of them after five.
        self.day = rng.integers(20, 1095, n).astype(float)
        self.lapse = self.day + 30 + rng.exponential(1600.0, n)
        self.rung = np.zeros(n, dtype=int)
        self.done = np.zeros(n, dtype=bool)
        self.records: list[pd.DataFrame] = []
        self.reserve: list[np.ndarray] = []
        self.level = np.empty(n)
        self.pace = np.empty(n)
        self.run = np.zeros(n, dtype=int)
        self.cleared_day = np.full(n, np.nan)
        self.wait = np.zeros(n)
        self.ask = np.zeros(n)
        self.usual = np.full((n, 3), np.nan)
        self.begin(np.arange(n), np.zeros(n))

    def begin(self, who: np.ndarray, short: np.ndarray) -> None:
        """Start a rung; ``short`` is how far the last one fell short of the mark."""
        world, rng = self.world, self.rng
        draw = rng.standard_normal((2, len(who)))
        self.level[who] = -world.gap * np.exp(0.3 * draw[0])
        pace = np.log(world.gap / world.weeks) + self.trait[who] + world.spell_sd * draw[1]
        self.pace[who] = np.exp(pace - world.effect * short)
        self.run[who] = 0
        self.cleared_day[who] = np.nan
        self.usual[who] = np.nan
        by_value = rng.random(len(who)) < 0.5
        self.wait[who] = np.where(by_value, 0.0, 7 * rng.exponential(4.0, len(who)))
        self.ask[who] = np.where(by_value, rng.uniform(0.0, 0.5, len(who)), -np.inf)

    def session(self) -> None:
        world, rng = self.world, self.rng
        gap = np.maximum(np.round(self.days_between * rng.gamma(4.0, 0.25, world.athletes)), 1.0)
        self.day += gap
        weeks = np.minimum(gap, 12.0) / 7.0
        wiggle = 0.02 * np.sqrt(weeks) * rng.standard_normal(world.athletes)
        self.level += self.pace * weeks + wiggle
        form = FORM_SD * rng.standard_normal(world.athletes)
        sets = self.level[:, None] + form[:, None]
        sets = sets + SET_SD * rng.standard_normal((world.athletes, SETS))
        value = np.round(world.target * np.exp(sets))
        here = np.flatnonzero(~self.done & (self.day < np.minimum(self.lapse, 1825)))
        self.write(here, value)
        self.move(here, value.max(axis=1))

    def write(self, here: np.ndarray, value: np.ndarray) -> None:
        self.records.append(
            pd.DataFrame(
                {
                    "who": np.repeat(here, SETS),
                    "day": np.repeat(self.day[here], SETS).astype(int),
                    "rung": np.repeat(self.rung[here], SETS),
                    "set": np.tile(np.arange(1, SETS + 1), len(here)),
                    "value": value[here].ravel(),
                }
            )
        )

    def move(self, here: np.ndarray, best: np.ndarray) -> None:
        """Apply the criterion, then the coach's patience, then open the next rung."""
        world = self.world
        self.run[here] = np.where(best[here] >= world.target, self.run[here] + 1, 0)
        new = here[(self.run[here] >= world.confirm) & np.isnan(self.cleared_day[here])]
        self.cleared_day[new] = self.day[new]
        now = self.level[here] + BEST_OF_SETS
        self.usual[here] = np.column_stack([self.usual[here, 1:], now])
        since = self.day[here] - self.cleared_day[here]
        ready = here[(since >= self.wait[here]) & (now >= self.ask[here])]
        reserve = np.nanmean(self.usual[ready], axis=1)
        self.reserve.append(reserve[self.rung[ready] + 1 < world.rungs])
        self.rung[ready] += 1
        self.done[ready] = self.rung[ready] >= world.rungs
        on = ~self.done[ready]
        self.begin(ready[on], np.maximum(world.mark - reserve[on], 0.0))


def planted_log(world: Planted, seed: int) -> tuple[TrainingLog, float]:
    """Return the log of one invented club, and the true factor of a mark 10 % higher."""
    club = Club(world, seed)
    for _ in range(world.sessions):
        club.session()
    reserve = np.concatenate(club.reserve)
    short, held = (np.maximum(world.mark - reserve - step, 0.0) for step in (0.0, np.log(1.1)))
    factor = float(np.exp(world.effect * (held - short)).mean())
    frame = pd.concat(club.records, ignore_index=True)
    ladder = plan(world)
    sets = pd.DataFrame(
        {
            "athlete": "a" + frame["who"].astype(str).str.zfill(4),
            "date": DAY0 + pd.to_timedelta(frame["day"], unit="D"),
            "rung": np.asarray(ladder.keys)[frame["rung"]],
            "set": frame["set"],
            "value": frame["value"],
            "clean": True,
            "assisted": False,
            "assist": "none",
            "load_kg": np.nan,
            "stopped": "failed",
            "effort": np.nan,
            "pain": np.nan,
            "note": "",
            "file": "planted",
            "row": np.arange(2, len(frame) + 2),
        }
    ).astype(SET_COLUMNS)
    log = TrainingLog(
        sets=sets.sort_values(["athlete", "date", "rung", "set"]).reset_index(drop=True),
        rejected=pd.DataFrame({name: [] for name in REJECTED_COLUMNS}),
        warnings=(),
        roster=pd.DataFrame(index=pd.Index([], name="athlete", dtype="str")),
        ladder=ladder,
        rows_in=len(sets),
    )
    return log, factor


def one_seed(world: Planted, seed: int) -> dict[str, object]:
    """Audit one club: the true factor, the estimate and its range, and the verdicts."""
    log, factor = planted_log(world, seed)
    end = DAY0 + pd.Timedelta(days=1826)
    model = ReadinessForecaster(random_state=seed).fit_engines(log, end)
    audit = criterion_audit(model.view(log, end), level=0.8, seed=seed)
    row = audit.rungs.iloc[0]
    return {
        "seed": seed,
        "moves": audit.n_moves,
        "true": factor,
        "factor": float(row["next_factor"]),
        "low": float(row["next_factor_low"]),
        "high": float(row["next_factor_high"]),
        "inside": bool(row["next_factor_low"] <= factor <= row["next_factor_high"]),
        "fewer": int((audit.rungs["verdict"] == FEWER).sum()),
        "more": int((audit.rungs["verdict"] == MORE).sum()),
        "steps": len(audit.rungs),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=50)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--athletes", type=int, default=120)
    parser.add_argument("--rungs", type=int, default=5)
    parser.add_argument("--mark", type=float, default=0.25)
    parser.add_argument("--effect", type=float, default=2.5)
    parser.add_argument("--confirm", type=int, default=1)
    parser.add_argument("--out", default="")
    options = parser.parse_args()
    world = Planted(
        athletes=options.athletes, rungs=options.rungs, mark=options.mark,
        effect=options.effect, confirm=options.confirm,
    )  # fmt: skip
    table = pd.DataFrame(
        [one_seed(world, options.first + number) for number in range(options.seeds)]
    )
    if options.out:
        table.to_csv(options.out, index=False)
    print(table.round(3).to_string(index=False))
    print(table.drop(columns="seed").mean().round(3).to_string())


if __name__ == "__main__":
    main()
