"""Hold verdicts, forecasts and the watch to the truth: alien worlds, and the package's own laws.

For each world and seed the coach's log is written to a file, read, and fitted at a blind cut.

    python tests/bench/verdict.py --jobs 2
    python tests/bench/verdict.py --worlds reserve loads --seeds 3 --out new.jsonl
    python tests/bench/verdict.py --laws all --no-watch
    python tests/bench/verdict.py --worlds spurts --more
    python tests/bench/verdict.py --laws all --no-forecasts

Verdicts, at the cut and twice in the year after, of every rung truly open with two logged
sessions or more, one of them in the last six weeks. *Still* is whose true level rose over those
weeks by no more, a week, than takes a year to the target from where the athlete truly stands, or
half a per cent; *slipping* who lost more than half a per cent a week. Printed by world: spells,
those without a figure, mean chance said, share true, Brier score of both, their ratio (to the
share of the whole group; ``ratio_own``: to each world's own), area under the curve, cover of the
gain's 80 % range, share ``unclear`` of records longer than 12 sessions.

Forecasts at the cut: CRPS in weeks up to 52 (less is better), a mean over many futures lived on
from the cut (in own laws the one that came), and cover of the pool's ranges; beside it the cohort
curve, and who knows how everybody truly stands (``true_state``). ``--more``: each engine alone,
other baselines, and where there is one a reference told the law. No answer counts as 'never'.
``--no-forecasts`` leaves them out and simulates few paths: verdicts, states and the watch do not
depend on paths.

The watch, over the year after the fit at its usual setting: alarms, and false ones, a year of
training, false ones a year of surely climbing (that is the figure to hold), stalls found.
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

import numpy as np
import pandas as pd
from alien import NEW, OLD, WORLDS, World, futures, make_world, true_change
from alien.landmark_logit import landmark_logit
from alien.likelihoods import LIKELIHOODS
from alien.own_laws import own_world
from alien.reference import informed_curves
from alien.scoring import (
    ENGINES,
    LANDMARK,
    LESS,
    WEEKS,
    Curves,
    each_verdict,
    forecast_table,
    plateau_table,
    reliability,
    score,
    states_table,
    verdict_table,
    with_verdicts,
)
from alien.watching import YEAR, dates_asked, tally

import forecast as fc
from forecast.backtest import BASELINES
from forecast.backtest.baselines import Baseline, at_cut
from forecast.errors import FitError
from forecast.histories import build_histories
from forecast.log import TrainingLog
from forecast.simulate import LAWS

LAPSE_WEEKS = 26.0
"""For the baselines: whoever is only away is asked about too."""

COPIES = 60
FEW_PATHS = {"draws": 2, "paths": 64}
LEAST_SESSIONS, LATELY = 2, pd.Timedelta(weeks=6)
VERDICT = ("state", "p_flat", "p_climbing", "p_slipping")
RANGE = {"gain_lately_low": "gain_low", "gain_lately_high": "gain_high"}


@dataclass(frozen=True, slots=True)
class Job:
    """One world to score."""

    name: str
    seed: int
    athletes: int
    cuts: int
    watch: bool
    more: bool
    ahead: bool = True

    @property
    def group(self) -> str:
        """Say where the world comes from."""
        return "own" if self.name in LAWS else "new" if self.name in NEW else "old"


def asked_lately(world: World, date: pd.Timestamp) -> pd.DataFrame:
    """Return ``true_change`` of the rungs a verdict is wanted of on ``date``."""
    seen = world.sets[world.sets["logged"] & (world.sets["date"] < date)]
    by = seen.drop_duplicates(["athlete", "rung", "date"]).groupby(["athlete", "rung"])["date"]
    days = pd.DataFrame({"logged_sessions": by.size(), "last": by.max()}).reset_index()
    enough = (days["logged_sessions"] >= LEAST_SESSIONS) & (days["last"] >= date - LATELY)
    rows = true_change(world, date).merge(days[enough], on=["athlete", "rung"])
    return rows[rows["change"].notna()].drop(columns="last")


def asked_at_cut(world: World, ahead: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of ``ahead`` of rungs with a logged session, whose athlete is still here."""
    seen = world.sets[world.sets["logged"] & (world.sets["date"] < world.cut)]
    gone = world.athletes.loc[world.athletes["left"] < world.cut, "athlete"]
    begun = seen[["athlete", "rung"]].drop_duplicates()
    return ahead[~ahead["athlete"].isin(gone)].merge(begun, on=["athlete", "rung"])


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
    by_rung = rows.groupby(["athlete", "rung"], observed=True)["p_cleared"]
    return {(str(a), str(r)): chance.to_numpy() for (a, r), chance in by_rung}


def baseline_curves(
    log: TrainingLog, cut: pd.Timestamp, names: tuple[str, ...]
) -> tuple[dict[str, Curves], list[str]]:
    """Ask the baselines; one that can't be fitted is reported."""
    known = at_cut(build_histories(log, cut, lapse_weeks=LAPSE_WEEKS), cut, WEEKS, 0)
    every: dict[str, Baseline] = {"landmark_logit": landmark_logit, **BASELINES}
    curves, troubles = {}, []
    for name in names:
        try:
            curves[name] = curves_of(every[name](known).curve)
        except FitError as error:
            troubles.append(f"{name}: {error}")
    return curves, troubles


def true_state_curves(ahead: pd.DataFrame) -> tuple[Curves, pd.DataFrame]:
    """Return chances by every second future, and the other futures."""
    grid = np.arange(1, WEEKS + 1)
    half = ahead["future"] % 2 == 0
    curves = {
        key: (own.to_numpy()[:, None] <= grid).mean(axis=0)
        for key, own in ahead[half].groupby(["athlete", "rung"])["weeks"]
    }
    return curves, ahead[~half]


def forecast_cases(job: Job, world: World, log: TrainingLog, ahead: pd.DataFrame, model):
    """Score all forecasts at the cut; also say which baseline could not be fitted."""
    asked = asked_at_cut(world, ahead)
    names = (*LANDMARK, *LESS) if job.more else LESS[:1]
    curves, troubles = baseline_curves(log, world.cut, names)
    answers = model.forecast_each(log, world.cut, ENGINES if job.more else ENGINES[:1])
    curves |= {engine: curves_of(answer.curve) for engine, answer in answers.items()}
    if job.more and job.name in LIKELIHOODS:
        rungs = asked[["athlete", "rung"]].drop_duplicates()
        curves["reference"] = informed_curves(world, rungs, weeks=WEEKS)
    cases = [score(own, asked).assign(forecaster=name) for name, own in curves.items()]
    if "future" in asked:
        told, others = true_state_curves(asked)
        cases.append(score(told, others).assign(forecaster="true_state"))
    return pd.concat(cases), troubles


def verdict_cases(world: World, log: TrainingLog, model, cuts: int) -> pd.DataFrame:
    """Ask the fitted model for its verdicts at the cut and later, beside the truth."""
    parts = []
    for k in range(cuts):
        date = world.cut + pd.Timedelta(weeks=2 * (k * YEAR // (2 * cuts)))
        summary = model.forecast(log, date).summary.rename(columns=RANGE)
        keep = [c for c in (*VERDICT, *RANGE.values(), "sessions") if c in summary]
        asked = asked_lately(world, date)
        keys = ["athlete", "rung"]
        parts.append(asked.merge(summary[[*keys, *keep]], on=keys, how="left").assign(cut=k))
    return pd.concat(parts)


def run(job: Job) -> dict:
    """Make the world, fit, ask, score; all that the tables need, ready for JSON."""
    began = time.perf_counter()
    if job.name in LAWS:
        world, log, ahead = own_world(job.name, job.athletes, job.seed)
    else:
        world = make_world(WORLDS[job.name], job.athletes, job.seed)
        log = read_world(world)
        ahead = futures(world, copies=COPIES, weeks=WEEKS) if job.ahead else None
    paths = {} if job.ahead else FEW_PATHS
    model = fc.ReadinessForecaster(WEEKS, 0, **paths).fit(log, world.cut)
    result = {**asdict(job), "group": job.group, "troubles": []}
    tables = {"verdicts": verdict_cases(world, log, model, job.cuts)}
    if job.ahead:
        tables["forecasts"], result["troubles"] = forecast_cases(job, world, log, ahead, model)
    for name, cases in tables.items():
        result[name] = json.loads(cases.to_json(orient="records"))
    if job.watch:
        tables = ((date, model.plateaus(log, date)) for date in dates_asked(world))
        counts = asdict(tally(world, tables))
        result["tally"] = counts.pop("stalls") | counts
    return result | {"seconds": time.perf_counter() - began}


def run_all(jobs: list[Job], workers: int, out: Path | None) -> tuple[list[dict], bool]:
    """Run what is not in ``out`` yet; say whether any world broke."""
    lines = out.read_text().splitlines() if out is not None and out.exists() else []
    have = {Job(**{k: r[k] for k in Job.__dataclass_fields__}): r for r in map(json.loads, lines)}
    results = {job: have[job] for job in jobs if job in have}
    left, broke = [job for job in jobs if job not in have], False
    with _pool(workers) as pool:
        waiting = {pool.submit(run, job): job for job in left}
        for future in as_completed(waiting):
            job, error = waiting[future], future.exception()
            where = f"{job.name}, seed {job.seed}"
            if error is not None:
                broke = True
                print(f"{where} broke:", *traceback.format_exception(error), file=sys.stderr)
                continue
            results[job] = result = future.result()
            for line in (f"{result['seconds']:.0f} s", *result["troubles"]):
                print(f"{where}: {line}", file=sys.stderr, flush=True)
            if out is not None:
                with out.open("a") as file:
                    file.write(json.dumps(result) + "\n")
    return [results[job] for job in jobs if job in results], broke


def _pool(workers: int) -> Executor:
    """Processes for several workers; one works here."""
    if workers == 1:
        return ThreadPoolExecutor(1)
    return ProcessPoolExecutor(workers, mp_context=get_context("spawn"))


def gathered(results: list[dict], name: str) -> pd.DataFrame:
    """Return the cases of all worlds, each with its world, group and seed."""
    parts = [
        pd.DataFrame(r[name] if isinstance(r[name], list) else [r[name]]).assign(
            world=r["name"], group=r["group"], seed=r["seed"]
        )
        for r in results
        if name in r
    ]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def report(results: list[dict]) -> str:
    """Write all tables."""
    verdicts = with_verdicts(gathered(results, "verdicts"))
    tables = {
        "Verdicts: is the true six-week gain too small?": verdict_table(verdicts),
        "Each chance on its own truth": each_verdict(verdicts),
        "Reliability by tenth of the chance of standing still or slipping": reliability(verdicts),
        "States of records longer than 12 sessions": states_table(verdicts),
    }
    forecasts = gathered(results, "forecasts")
    if len(forecasts):
        tables["Forecasts at the cut, CRPS in weeks"] = forecast_table(forecasts)
    tallies = gathered(results, "tally")
    if len(tallies):
        tables["Plateau watch, the year after the fit"] = plateau_table(tallies)
    return "\n".join(
        f"{title}\n{table.round(3).to_string()}\n" for title, table in tables.items() if len(table)
    )


def parse(argv: list[str] | None = None) -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    known = [*WORLDS, "all", "old", "new", "none"]
    parser.add_argument("--worlds", nargs="+", choices=known, default=["all"], metavar="WORLD")
    parser.add_argument("--laws", nargs="+", choices=[*LAWS, "all"], default=[], metavar="LAW")
    parser.add_argument("--seeds", type=int, default=1, help="worlds of each kind")
    parser.add_argument("--first-seed", type=int, default=1)
    parser.add_argument("--athletes", type=int, default=40)
    parser.add_argument("--cuts", type=int, default=3, help="dates on which verdicts are asked")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--no-watch", action="store_true", help="no false alarms, no stalls")
    parser.add_argument("--more", action="store_true", help="engines alone, baselines, reference")
    parser.add_argument("--no-forecasts", action="store_true", help="verdicts and watch alone")
    parser.add_argument("--out", type=Path, help="JSON lines, one a world; also where to go on")
    asked = parser.parse_args(argv)
    groups = {"all": tuple(WORLDS), "old": OLD, "new": NEW, "none": ()}
    names = [n for word in asked.worlds for n in groups.get(word, (word,))]
    names += list(LAWS) if "all" in asked.laws else asked.laws
    seeds = range(asked.first_seed, asked.first_seed + asked.seeds)
    asked.todo = [
        Job(
            name,
            seed,
            asked.athletes,
            asked.cuts,
            not asked.no_watch,
            asked.more,
            not asked.no_forecasts,
        )
        for name in dict.fromkeys(names)
        for seed in seeds
    ]
    return asked


def main(argv: list[str] | None = None) -> int:
    """Run the bench; 1 if any world broke."""
    asked = parse(argv)
    results, broke = run_all(asked.todo, asked.jobs, asked.out)
    if results:
        with pd.option_context("display.width", 250, "display.max_columns", None):
            print(report(results))
    return int(broke or not results)


if __name__ == "__main__":
    sys.exit(main())
