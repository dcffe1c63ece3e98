"""Score the forecaster in alien worlds: clubs that share no code and no assumption with it.

For each world and seed: write the coach's log to a file, read it, fit at a blind cut, and ask of
every athlete for the open rung, if it has two sessions or more. Truth: weeks to clearing by the
literal pass rule, training going on. An athlete without an answer counts as 'never'.

    python tests/bench/alien_worlds.py --athletes 40 --seeds 1
    python tests/bench/alien_worlds.py --worlds heavy_days --seeds 3 --out heavy.jsonl
    python tests/bench/alien_worlds.py --held-back --athletes 80 --seeds 2 --jobs 2

The six worlds held back (``--held-back``) are for a last run: do not look at them while changing
the forecaster. With ``--out`` a run that was broken off goes on where it stopped; take
a new file after every change of the forecaster.

Prints one row a world. First: CRPS in weeks up to 52 (less is better) of the pool, each engine
alone, the baselines and, where there is one, a reference told the law; coverage of the pool's
central 50, 80 and 95 % ranges. Then the plateau watch over the year after the fit, at its usual
setting: alarms, and false ones, a year of training, false ones a year of surely climbing (that is
the figure to hold), and the share of stalls found. ``alien/`` says how each is counted.
"""

# ruff: noqa: E402  (threads must be pinned, and the checkout found, before numpy is imported)
from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import time
import traceback
from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor, as_completed
from dataclasses import asdict, dataclass
from multiprocessing import get_context
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
_ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(_ROOT), str(_ROOT / "tests" / "bench")]

import pandas as pd
from alien import DEVELOPMENT, HELD_BACK, WORLDS, World, make_world
from alien.landmark_logit import landmark_logit
from alien.likelihoods import LIKELIHOODS
from alien.reference import informed_curves
from alien.scoring import (
    ENGINES,
    LANDMARK,
    LESS,
    WEEKS,
    Curves,
    forecast_table,
    plateau_table,
    score,
)
from alien.watching import dates_asked, tally
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

import forecast as fc
from forecast.backtest import BASELINES
from forecast.backtest.baselines import Baseline, at_cut
from forecast.errors import FitError
from forecast.histories import build_histories
from forecast.log import TrainingLog

LAPSE_WEEKS = 26.0
"""For the baselines: whoever is only away is asked about too."""

LEAST_SESSIONS = 2


@dataclass(frozen=True, slots=True)
class Job:
    """One world to score."""

    name: str
    seed: int
    athletes: int
    plateau: bool
    reference: bool


def asked_at_cut(world: World) -> pd.DataFrame:
    """Return ``athlete, rung, weeks`` of every rung truly open at the cut.

    Two logged sessions or more; ``weeks`` is missing where the record ends first. Those who leave
    the club are left out: nobody knows what would have come of them.
    """
    known = world.sets[world.sets["logged"] & (world.sets["date"] < world.cut)]
    days = known.drop_duplicates(["athlete", "rung", "date"])
    count = days.groupby(["athlete", "rung"]).size().rename("sessions").reset_index()
    stays = world.athletes.loc[world.athletes["left"].isna(), "athlete"]
    rows = count[(count["sessions"] >= LEAST_SESSIONS) & count["athlete"].isin(stays)]
    rows = rows.merge(world.spells, on=["athlete", "rung"], validate="one_to_one")
    rows = rows[~(rows["cleared"] < world.cut)].reset_index(drop=True)
    rows["weeks"] = (rows["cleared"] - world.cut).dt.days / 7.0
    return rows[["athlete", "rung", "weeks"]]


def read_world(world: World) -> TrainingLog:
    """Write ladder and log to files, and read them as anybody's."""
    logged = world.sets[world.sets["logged"]].drop(columns="logged")
    with tempfile.TemporaryDirectory() as folder:
        ladder, sets = Path(folder) / "ladder.toml", Path(folder) / "sets.csv"
        ladder.write_text(world.ladder)
        logged.to_csv(sets, index=False)
        log = fc.read_log(sets, fc.read_ladder(ladder))
    if len(log.rejected):
        raise RuntimeError(f"{world.name}: {len(log.rejected)} rows rejected")
    return log


def curves_of(curve: pd.DataFrame) -> Curves:
    """Return the chance of weeks 1 to 52 by athlete and rung."""
    rows = curve[curve["week"].between(1, WEEKS)].sort_values(["athlete", "rung", "week"])
    grouped = rows.groupby(["athlete", "rung"], observed=True)["p_cleared"]
    return {(str(a), str(r)): chance.to_numpy() for (a, r), chance in grouped}


def baseline_curves(log: TrainingLog, cut: pd.Timestamp) -> tuple[dict[str, Curves], list[str]]:
    """Ask the baselines; one that can't be fitted is reported."""
    known = at_cut(build_histories(log, cut, lapse_weeks=LAPSE_WEEKS), cut, WEEKS, 0)
    every: dict[str, Baseline] = {"landmark_logit": landmark_logit, **BASELINES}
    found, troubles = {}, []
    for name in (*LANDMARK, *LESS):
        try:
            found[name] = curves_of(every[name](known).curve)
        except FitError as error:
            troubles.append(f"{name}: {error}")
    return found, troubles


def run(job: Job) -> dict:
    """Make the world, fit, forecast, watch, score; all that a row needs, ready for JSON."""
    began = time.perf_counter()
    world = make_world(WORLDS[job.name], job.athletes, job.seed)
    log, asked = read_world(world), asked_at_cut(world)
    found, troubles = baseline_curves(log, world.cut)
    model = fc.ReadinessForecaster(WEEKS, 0)
    # What the watch learns from a log is left out where it isn't asked.
    (model.fit if job.plateau else model.fit_engines)(log, world.cut)
    answers = model.forecast_each(log, world.cut, ENGINES)
    found |= {engine: curves_of(answer.curve) for engine, answer in answers.items()}
    if job.reference:
        found["reference"] = informed_curves(world, asked, weeks=WEEKS)
    cases = [score(curves, asked).assign(forecaster=name) for name, curves in found.items()]
    result = {
        "world": job.name,
        "seed": job.seed,
        "athletes": job.athletes,
        "cases": json.loads(pd.concat(cases).to_json(orient="records")),
        "troubles": troubles,
    }
    if job.plateau:
        tables = ((date, model.plateaus(log, date)) for date in dates_asked(world))
        result["plateau"] = asdict(tally(world, tables))
    return result | {"seconds": time.perf_counter() - began}


def run_all(jobs: list[Job], workers: int, out: Path | None) -> tuple[list[dict], bool]:
    """Run what is not in ``out`` yet; say whether any world broke."""
    results = _kept(jobs, out)
    have = {(r["world"], r["seed"]) for r in results}
    left = [job for job in jobs if (job.name, job.seed) not in have]
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn())
    broke = False
    with (
        _pool(workers) as pool,
        Progress(*columns, TimeElapsedColumn(), console=Console(stderr=True)) as bar,
    ):
        task = bar.add_task("alien worlds", total=len(left))
        waiting = {pool.submit(run, job): job for job in left}
        for future in as_completed(waiting):
            job, error = waiting[future], future.exception()
            if error is not None:
                broke = True
                bar.console.print(f"{job.name}, seed {job.seed} broke:", highlight=False)
                bar.console.print("".join(traceback.format_exception(error)), markup=False)
            else:
                results.append(future.result())
                _report(bar, results[-1])
                if out is not None:
                    with out.open("a") as file:
                        file.write(json.dumps(results[-1]) + "\n")
            bar.advance(task)
    order = {(job.name, job.seed): place for place, job in enumerate(jobs)}
    return sorted(results, key=lambda r: order[r["world"], r["seed"]]), broke


def _pool(workers: int) -> Executor:
    """Processes for several workers; one works here."""
    if workers == 1:
        return ThreadPoolExecutor(1)
    return ProcessPoolExecutor(workers, mp_context=get_context("spawn"))


def _report(bar: Progress, result: dict) -> None:
    where = f"{result['world']}, seed {result['seed']}"
    bar.console.print(f"{where}: {result['seconds']:.0f} s", highlight=False)
    for trouble in result["troubles"]:
        bar.console.print(f"{where}: {trouble}", highlight=False)


def _kept(jobs: list[Job], out: Path | None) -> list[dict]:
    """Return the results in ``out`` that have all this run asks for, the latest of each."""
    if out is None or not out.exists():
        return []
    wanted = {(job.name, job.seed, job.athletes): job for job in jobs}
    kept = {}
    for line in out.read_text().splitlines():
        result = json.loads(line)
        key = (result["world"], result["seed"], result["athletes"])
        job = wanted.get(key)
        told = any(case["forecaster"] == "reference" for case in result["cases"])
        if job and ("plateau" in result or not job.plateau) and (told or not job.reference):
            kept[key] = result
    return list(kept.values())


def parse(argv: list[str] | None = None) -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--worlds", nargs="+", choices=WORLDS, metavar="WORLD")
    parser.add_argument("--held-back", action="store_true", help="the worlds for a last run")
    parser.add_argument("--seeds", type=int, default=1, help="worlds of each kind")
    parser.add_argument("--first-seed", type=int, default=1)
    parser.add_argument("--athletes", type=int, default=80)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--no-plateau", action="store_true", help="forecasts only")
    parser.add_argument("--no-reference", action="store_true", help="none told the law")
    parser.add_argument("--out", type=Path, help="JSON lines, one a world; also where to go on")
    asked = parser.parse_args(argv)
    asked.worlds = asked.worlds or (HELD_BACK if asked.held_back else DEVELOPMENT)
    hidden = [name for name in asked.worlds if name in HELD_BACK]
    if hidden and not asked.held_back:
        parser.error(f"{', '.join(hidden)}: held back for a last run; add --held-back to run it")
    return asked


def main(argv: list[str] | None = None) -> int:
    """Run the bench; 1 if any world broke."""
    asked = parse(argv)
    seeds = range(asked.first_seed, asked.first_seed + asked.seeds)
    jobs = [
        Job(
            name,
            seed,
            asked.athletes,
            not asked.no_plateau,
            not asked.no_reference and name in LIKELIHOODS,
        )
        for name in asked.worlds
        for seed in seeds
    ]
    results, broke = run_all(jobs, asked.jobs, asked.out)
    if results:
        with pd.option_context("display.width", 250, "display.max_columns", None):
            print(forecast_table(results).round(2).to_string())
            if not asked.no_plateau:
                print("\nPlateau watch, a year after the fit")
                print(plateau_table(results).round(2).to_string())
    return int(broke or not results)


if __name__ == "__main__":
    sys.exit(main())
