"""Does the 80 % range for the date of the top rung hold it 80 times in 100?

For each law of progress and seed: make a cohort, cut its log at a blind date between 45 and 75 %
of the club's time, look up the ladder, and compare with when the top rung would have been cleared
had the athlete kept training. Each look is taken with rungs that share one athlete draw and, for
comparison, with climbing times drawn anew for each rung.

    python tests/bench/ladder_ahead.py --laws steady stalls --seeds 2 --athletes 60 --out ahead.csv

Prints, for the top rung and for every rung not yet open, the coverage of the 80 % range, the mean
of the probability integral transform (one half where the dates are neither early nor late), and
the middle width of the range in weeks. A date past the simulated time counts with the share of
the range that lies past it.
"""

# ruff: noqa: E402  (threads must be pinned, and the checkout found, before numpy is imported)
from __future__ import annotations

import argparse
import os
import sys
import time
from dataclasses import replace
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np
import pandas as pd

from forecast.ahead import chain, chances_by_day, look_up, settings_of, walk
from forecast.model import ReadinessForecaster
from forecast.simulate import LAWS, SimulatedCohort, simulate_cohort

WAYS = ("shared", "independent")


def pit_range(by_day: np.ndarray, day: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the ends of each outcome's probability integral transform.

    ``by_day`` (T, D + 1) chances; ``day`` (T,) outcomes, past D where not seen.
    """
    last = by_day.shape[1] - 1
    rows = np.arange(len(day))
    seen = day <= last
    at = np.clip(day, 0, last)
    low = np.where(at > 0, by_day[rows, np.maximum(at - 1, 0)], 0.0)
    high = by_day[rows, at]
    return np.where(seen, low, by_day[:, -1]), np.where(seen, high, 1.0)


def covered(low: np.ndarray, high: np.ndarray, share: float = 0.8) -> np.ndarray:
    """Return the part of each transform that lies inside the central range."""
    a, b = 0.5 - share / 2, 0.5 + share / 2
    inside = np.minimum(high, b) - np.maximum(low, a)
    point = (low >= a) & (low <= b)
    return np.where(high > low, np.clip(inside, 0, None) / np.maximum(high - low, 1e-12), point)


def true_days(cohort: SimulatedCohort, as_of: pd.Timestamp, keys: pd.DataFrame) -> np.ndarray:
    """Return days from the cut to the clearing had nobody lapsed; a large number for never."""
    truth = cohort.truth.set_index(["athlete", "rung"])["cleared_no_lapse"]
    cleared = truth.reindex(pd.MultiIndex.from_frame(keys[["athlete", "rung"]]))
    days = (cleared - as_of).dt.days.to_numpy(dtype=float)
    return np.where(np.isnan(days), 10**6, days).astype(np.int64)


def run_world(law: str, seed: int, athletes: int, follow_up: int, paths: int) -> pd.DataFrame:
    """Make one world and score every way of looking up its ladder."""
    cohort = simulate_cohort(law, athletes, seed=seed, weeks=104, follow_up=follow_up)
    share = np.random.default_rng([seed, 45]).uniform(0.45, 0.75)
    as_of = cohort.start + pd.Timedelta(days=int(share * 104 * 7))
    model = ReadinessForecaster(random_state=seed, paths=paths, draws=8).fit(cohort.log, as_of)
    ground, pooled, _ = look_up(model.view(cohort.log, as_of))
    horizon = min((cohort.end - as_of).days // 7, 260)
    base = settings_of(model, horizon)
    who, rung = np.nonzero(ground.standing.ahead)
    keys = pd.DataFrame(
        {
            "athlete": np.array(ground.standing.names)[who],
            "rung": np.array(ground.histories.ladder.keys)[rung],
        }
    )
    day = true_days(cohort, as_of, keys)
    gone = cohort.athletes.set_index("athlete")["lapsed_on"] < as_of
    use = (day > 0) & ~gone.reindex(keys["athlete"]).to_numpy()
    keys["later"] = [(a, r) not in pooled for a, r in zip(who, rung, strict=True)]
    keys["top"] = rung == ground.plan.n_rungs - 1
    rows = []
    taken = walk(ground, base, pooled=pooled)
    mixed = np.random.default_rng(base.seed).permuted(taken.climbing, axis=2)
    pace = np.ones(len(ground.standing.athletes))
    apart = chain(ground.plan, ground.standing, replace(taken, climbing=mixed), pace)
    for way, cleared in zip(WAYS, (taken.cleared, apart), strict=True):
        by_day = chances_by_day(cleared[who, rung], base.most_days)
        low, high = pit_range(by_day, day)
        ends = [(by_day >= p).argmax(axis=1) / 7.0 for p in (0.1, 0.9)]
        ends = [
            np.where(by_day[:, -1] >= p, e, np.nan) for e, p in zip(ends, (0.1, 0.9), strict=True)
        ]
        table = keys.assign(
            law=law,
            seed=seed,
            way=way,
            day=day,
            seen=day <= 7 * horizon,
            covered=covered(low, high),
            pit=0.5 * (low + high),
            width=np.minimum(np.nan_to_num(ends[1], nan=horizon), horizon)
            - np.nan_to_num(ends[0], nan=horizon),
        )
        rows.append(table[use])
    return pd.concat(rows, ignore_index=True)


def summarise(cases: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """Coverage, mean transform and middle width, by the given columns."""
    return cases.groupby(by, sort=False).agg(
        n=("covered", "size"),
        coverage_80=("covered", "mean"),
        pit=("pit", "mean"),
        below=("pit", lambda p: float((p < 0.1).mean())),
        above=("pit", lambda p: float((p > 0.9).mean())),
        width_80=("width", "median"),
        seen=("seen", "mean"),
    )


def main(argv: list[str] | None = None) -> int:
    """Run the bench."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--laws", nargs="+", default=list(LAWS), choices=LAWS, metavar="LAW")
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--athletes", type=int, default=60)
    parser.add_argument("--follow-up", type=int, default=208)
    parser.add_argument("--paths", type=int, default=256)
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args(argv)
    parts = []
    for seed in range(asked.first_seed, asked.first_seed + asked.seeds):
        for law in asked.laws:
            began = time.perf_counter()
            parts.append(run_world(law, seed, asked.athletes, asked.follow_up, asked.paths))
            print(f"{law} {seed}: {time.perf_counter() - began:.0f} s", file=sys.stderr, flush=True)
            if asked.out:
                pd.concat(parts, ignore_index=True).to_csv(asked.out, index=False)
    cases = pd.concat(parts, ignore_index=True)
    with pd.option_context("display.width", 200, "display.max_rows", None):
        for name, part in (("top rung", cases[cases["top"]]), ("later", cases[cases["later"]])):
            print(f"\n{name}\n{summarise(part, ['way']).round(3).to_string()}")
            print(summarise(part, ["way", "law"]).round(3).to_string())
    return 0


if __name__ == "__main__":
    sys.exit(main())
