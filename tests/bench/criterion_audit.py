"""Does the criterion audit find a planted pass mark, and none where none was planted?

    python tests/bench/criterion_audit.py --seeds 50

Invented athletes climb a chain of rungs. Each is kept on a cleared rung for a while (some by the
calendar, some until a certain value), and their pace on the next rung suffers by how far their
usual best set of the last three sessions falls short of the pass mark m*, in log units; above it
nothing changes. Everything the audit
sees is a log of rounded sets. Run with ``--effect 0`` nothing is planted; with ``--mark 9`` more
margin pays for ever, and no mark may be named either.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass

import numpy as np
import pandas as pd

from forecast.cohort import criterion_audit
from forecast.histories import build_histories
from forecast.ladder import Criterion, Ladder, Rung
from forecast.log import REJECTED_COLUMNS, SET_COLUMNS, TrainingLog

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
        self.rung[ready] += 1
        self.done[ready] = self.rung[ready] >= world.rungs
        on = ~self.done[ready]
        self.begin(ready[on], np.maximum(world.mark - reserve[on], 0.0))


def planted_log(world: Planted, seed: int) -> TrainingLog:
    """Return the log of one invented club."""
    club = Club(world, seed)
    for _ in range(world.sessions):
        club.session()
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
    return TrainingLog(
        sets=sets.sort_values(["athlete", "date", "rung", "set"]).reset_index(drop=True),
        rejected=pd.DataFrame({name: [] for name in REJECTED_COLUMNS}),
        warnings=(),
        roster=pd.DataFrame(index=pd.Index([], name="athlete", dtype="str")),
        ladder=ladder,
        rows_in=len(sets),
    )


def one_seed(world: Planted, seed: int) -> dict[str, object]:
    """Audit one club: what was claimed, and whether the planted mark is inside."""
    end = DAY0 + pd.Timedelta(days=1826)
    audit = criterion_audit(build_histories(planted_log(world, seed), end), seed=seed)
    table = audit.rungs.set_index("rung")
    claimed = table[table["verdict"] == "mark"]
    true = np.exp(world.mark)
    inside = (claimed["mark_low"] <= true) & (true <= claimed["mark_high"])
    whole = table.iloc[-1]
    return {
        "seed": seed,
        "claims": len(claimed),
        "all_inside": bool(len(claimed) and inside.all()),
        "whole_claimed": bool(whole["verdict"] == "mark"),
        "whole_inside": bool(whole["mark_low"] <= true <= whole["mark_high"]),
        "mark": float(whole["mark"]),
        "low": float(whole["mark_low"]),
        "high": float(whole["mark_high"]),
        "p_effect": float(whole["p_effect"]),
        "p_bend": float(whole["p_bend"]),
        "moves": int(whole["moves"]),
        "rungs_claimed": len(claimed.drop(index="(all rungs)", errors="ignore")),
        "rungs_inside": int(inside.drop(index="(all rungs)", errors="ignore").sum()),
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
    found = table["whole_claimed"] & table["whole_inside"]
    print(
        json.dumps(
            {
                "seeds": len(table),
                "moves": float(table["moves"].mean()),
                "any claim": float((table["claims"] > 0).mean()),
                "whole ladder claimed": float(table["whole_claimed"].mean()),
                "planted mark inside": float(table["whole_inside"].mean()),
                "claimed and inside": float(found.mean()),
                "mean mark": float(np.log(table["mark"]).mean()),
                "rungs claimed": int(table["rungs_claimed"].sum()),
                "of them inside": int(table["rungs_inside"].sum()),
                "median width of the interval": float(
                    np.log(table["high"] / table["low"]).replace(np.inf, np.nan).median()
                ),
            },
            indent=1,
        )
    )


if __name__ == "__main__":
    main()
