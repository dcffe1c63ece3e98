"""Hold the forecaster to its bars in invented worlds: piecewise, resumable, paired by spell.

Worlds, cuts and truth are those of ``worlds.py``; here every spell's score is kept, so that
ranges come from resampling athletes and every comparison is on the same spells.

    python tests/bench/quality.py --cache quality.csv --seeds 20 --jobs 2
    python tests/bench/quality.py --cache quality.csv --laws steady --seeds 1 --athletes 14
    python tests/bench/quality.py --cache quality.csv --report-only

A world (law, seed, cohort size, lengths) already in the cache and scored by the same code is not
run again; one scored by other code is, unless ``--any-code``. Prints by law and cohort size every
forecaster's CRPS in weeks, its ratio to the reference told the law, coverage, D-calibration, the
model's paired ratio to each of the others, and each bar as held or missed.
"""

# ruff: noqa: E402  (threads must be pinned, and the checkout found, before numpy is imported)
from __future__ import annotations

import argparse
import hashlib
import os
import sys
import time
import traceback
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import astuple, dataclass, fields
from multiprocessing import get_context
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
_ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(_ROOT), str(_ROOT / "tests"), str(_ROOT / "tests" / "bench")]

import numpy as np
import pandas as pd
from quality_bars import INFORMED, LEVELS, law_bars, law_table, mean_bars, ratio_table
from reference.informed import informed_forecast
from worlds import blind_cut, true_outcomes

from forecast.backtest import BASELINES, ForecastsAtCut, forecast_at
from forecast.backtest.scores import coverage, crps_from_curve, curve_at
from forecast.backtest.scoring import curves_of, make_cases
from forecast.model import ReadinessForecaster
from forecast.simulate import LAWS, simulate_cohort

ROOMS = ("log", "histories", "growth", "survival", "readiness", "simulate", "backtest")
"""What a score depends on."""


@dataclass(frozen=True, slots=True, order=True)
class World:
    """What tells one world from another."""

    law: str
    athletes: int
    seed: int
    weeks: int
    horizon: int


KEY = [field.name for field in fields(World)]
LAPSE_RATE = 0.2
"""Athletes a year who stop for good."""


def code_mark() -> str:
    """Return a short hash of the source of every room that a score depends on."""
    digest = hashlib.sha256()
    for room in ROOMS:
        for path in sorted((_ROOT / "forecast" / room).rglob("*.py")):
            digest.update(path.read_bytes())
    return digest.hexdigest()[:12]


def score_world(world: World) -> pd.DataFrame:
    """Make the world, forecast at its blind cut, return a row a spell and forecaster.

    Columns ``forecaster, athlete, rung, waited, inside, crps, covered_50, covered_80, covered_95,
    survival``; ``survival`` is 1 - F at the clearing or the horizon, ``inside`` whether it was a
    clearing. Every spell is followed past the horizon, so nothing is weighted.
    """
    cohort = simulate_cohort(
        world.law,
        world.athletes,
        seed=world.seed,
        weeks=world.weeks,
        follow_up=world.horizon,
        lapse_rate=LAPSE_RATE,
    )
    as_of = blind_cut(cohort.start, world.weeks, world.seed)
    model = ReadinessForecaster(horizon_weeks=world.horizon, random_state=world.seed)
    answer = forecast_at(
        cohort.log,
        as_of,
        model=model,
        baselines=BASELINES,
        horizon_weeks=world.horizon,
        seed=world.seed,
    )
    _tell(world, answer)
    told = informed_forecast(cohort, as_of, horizon_weeks=world.horizon, seed=world.seed)
    forecasts = pd.concat(
        [answer.forecasts, told.assign(forecaster=INFORMED, as_of=as_of)], ignore_index=True
    )
    outcomes = true_outcomes(cohort, as_of, answer.asked)
    cases = make_cases(outcomes, world.horizon, 1, 0)
    keys = cases.frame[["athlete", "rung", "weeks"]].rename(columns={"weeks": "waited"})
    parts = [
        keys.assign(forecaster=name, **_spell_scores(curve, cases.weeks, cases.cleared))
        for name, curve in curves_of(forecasts, cases).items()
    ]
    return pd.concat(parts, ignore_index=True).dropna(subset=["crps"])


def _tell(world: World, answer: ForecastsAtCut) -> None:
    for row in answer.failures.itertuples():
        print(f"{world}: {row.forecaster}: {row.reason}", file=sys.stderr, flush=True)


def _spell_scores(curve: np.ndarray, weeks: np.ndarray, cleared: np.ndarray) -> dict:
    """Scores by spell; NaN where there is no curve."""
    horizon = curve.shape[1]
    use = np.isfinite(curve).all(axis=1)
    inside = cleared & (weeks <= horizon)
    p, w, c = curve[use], weeks[use], cleared[use]
    found = {"crps": crps_from_curve(p, w, horizon, cleared=c)}
    for level in LEVELS:
        found[f"covered_{level}"] = coverage(p, w, level / 100, horizon, cleared=c).covered
    found["survival"] = 1.0 - np.minimum(curve_at(p, w), 1.0)
    spread = {name: np.full(len(curve), np.nan) for name in found}
    for name, values in found.items():
        spread[name][use] = values
    return {"inside": inside, **spread}


def read_cache(path: Path) -> pd.DataFrame:
    """Return the complete worlds of the cache; a world cut short by a crash is left out."""
    if not path.exists():
        return pd.DataFrame(columns=[*KEY, "code", "rows"])
    table = pd.read_csv(path)
    size = table.groupby([*KEY, "code"])["law"].transform("size")
    return table[size == table["rows"]].reset_index(drop=True)


def run_missing(worlds: list[World], path: Path, jobs: int, code: str) -> list[str]:
    """Score worlds in ``jobs`` processes, each added to the cache as it ends; return what broke."""
    broken = []
    began = time.perf_counter()
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        waiting = {pool.submit(score_world, world): world for world in worlds}
        for done, future in enumerate(as_completed(waiting), start=1):
            world, error = waiting[future], future.exception()
            if error is None:
                _add(path, world, future.result(), code)
            else:
                broken.append(f"{world} broke:\n{''.join(traceback.format_exception(error))}")
            state = "broke" if error else "done"
            spent = time.perf_counter() - began
            print(f"[{done}/{len(worlds)}] {world} {state}, {spent:.0f} s", file=sys.stderr)
    return broken


def _add(path: Path, world: World, scores: pd.DataFrame, code: str) -> None:
    key = dict(zip(KEY, astuple(world), strict=True))
    table = scores.assign(**key, code=code, rows=len(scores))
    order = [*KEY, "code", "rows", *scores.columns]
    table[order].to_csv(path, mode="a", header=not path.exists(), index=False)


def report(rows: pd.DataFrame, n_resamples: int) -> list[tuple[bool, str]]:
    """Print tables by cohort size and law; return every bar with whether it was held."""
    verdicts = []
    for athletes, sized in rows.groupby("athletes"):
        by_law = {}
        for law, part in sized.groupby("law"):
            part = part.sort_values([*KEY, "athlete", "rung"], kind="stable")
            table, ratios = law_table(part, n_resamples), ratio_table(part, n_resamples)
            print(f"{law}, {athletes} athletes, {part['seed'].nunique()} worlds")
            print(table.round(3).to_string(), end="\n\n")
            by_law[str(law)] = ratios
            verdicts += law_bars(str(law), int(athletes), table, ratios)
        verdicts += mean_bars(int(athletes), by_law)
    return verdicts


def parse(argv: list[str] | None = None) -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cache", type=Path, required=True, help="CSV of scores, added to")
    parser.add_argument("--laws", nargs="+", default=list(LAWS), choices=LAWS, metavar="LAW")
    parser.add_argument("--seeds", type=int, default=20, help="worlds a law and size")
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--athletes", type=int, nargs="+", default=[80, 14])
    parser.add_argument("--weeks", type=int, default=104, help="length of the club's log")
    parser.add_argument("--horizon", type=int, default=52)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--resamples", type=int, default=1000)
    parser.add_argument("--any-code", action="store_true", help="take scores of other code too")
    parser.add_argument("--report-only", action="store_true", help="run nothing")
    return parser.parse_args(argv)


def main(argv: list[str] | None = None) -> int:
    """Run what is missing and report; 1 if a world broke or a bar was missed."""
    asked = parse(argv)
    worlds = [
        World(law, athletes, seed, asked.weeks, asked.horizon)
        for seed in range(asked.first_seed, asked.first_seed + asked.seeds)
        for law in asked.laws
        for athletes in asked.athletes
    ]
    code = code_mark()
    known = _known(asked.cache, code, asked.any_code)
    have = {World(*key) for key in known[KEY].drop_duplicates().itertuples(index=False)}
    missing = [world for world in worlds if world not in have]
    broken = []
    if missing and not asked.report_only:
        broken = run_missing(missing, asked.cache, asked.jobs, code)
        known = _known(asked.cache, code, asked.any_code)
    wanted = pd.DataFrame([astuple(world) for world in worlds], columns=KEY)
    rows = known.merge(wanted, on=KEY)
    for trouble in broken:
        print(trouble, file=sys.stderr)
    if rows.empty:
        print("No world asked for is in the cache.", file=sys.stderr)
        return 1
    verdicts = report(rows, asked.resamples)
    for held, text in verdicts:
        print(f"{'held  ' if held else 'MISSED'} {text}")
    print(f"{sum(held for held, _ in verdicts)} of {len(verdicts)} bars held.")
    return int(bool(broken) or not all(held for held, _ in verdicts))


def _known(path: Path, code: str, any_code: bool) -> pd.DataFrame:
    """Return the cache's usable rows: of this code, or the last scored where any will do."""
    table = read_cache(path)
    other = table["code"] != code
    if not any_code:
        return table[~other]
    if other.any():
        print(f"{other.sum()} of {len(table)} rows were scored by other code.", file=sys.stderr)
    last = table.groupby(KEY)["code"].transform("last")
    return table[table["code"] == last]


if __name__ == "__main__":
    sys.exit(main())
