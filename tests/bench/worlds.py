"""Score the forecaster and the baselines in invented worlds whose future is known.

For each law of progress and seed: make a cohort, cut its log at a blind date between 45 and 75 %
of the club's time, forecast every spell then open, and score against what would have come had
the athlete kept training (follow-up is complete, so no weights are needed).

    python tests/bench/worlds.py --laws steady stalls --seeds 3 --athletes 60 --jobs 2
    python tests/bench/worlds.py --no-model --baselines straight_line cohort_curve
    python tests/bench/worlds.py --informed --out worlds.csv

Prints one row a law and forecaster: mean CRPS in weeks up to the horizon, its ratio to the
straight line and (with --informed) to the reference told the law, coverage of the 50, 80 and 95 %
ranges, Brier score at 12 weeks, log score, width of the 80 % range, seconds, spells.
"""

# ruff: noqa: E402  (threads must be pinned, and the checkout found, before numpy is imported)
from __future__ import annotations

import argparse
import os
import sys
import time
import traceback
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
_ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(_ROOT), str(_ROOT / "tests")]

import numpy as np
import pandas as pd

from forecast.backtest import BASELINES, ForecastsAtCut, chosen_baselines, forecast_at
from forecast.backtest.scoring import curves_of, make_cases, score_curves
from forecast.simulate import LAWS, SimulatedCohort, simulate_cohort

LINE = "straight_line"
COLUMNS = {
    "crps_weeks": "crps",
    "ratio": "ratio",
    "to_informed": "to_informed",
    "coverage_50": "cov50",
    "coverage_80": "cov80",
    "coverage_95": "cov95",
    "brier_12": "brier12",
    "log_score": "log",
    "width_80_weeks": "width80",
    "seconds": "seconds",
}


@dataclass(frozen=True, slots=True)
class World:
    """One world to score: everything a worker needs, and nothing it must share."""

    law: str
    seed: int
    athletes: int
    weeks: int
    horizon: int
    lapse_rate: float
    model: bool
    engines: bool
    informed: bool
    baselines: tuple[str, ...]
    options: tuple[tuple[str, object], ...]


@dataclass(frozen=True, slots=True)
class Report:
    """Scores of one world (a row a forecaster) and sentences about what went wrong in it."""

    scores: pd.DataFrame
    troubles: tuple[str, ...]


def blind_cut(start: pd.Timestamp, weeks: int, seed: int) -> pd.Timestamp:
    """Draw the cut date: uniform between 45 and 75 % of the club's time."""
    share = np.random.default_rng([seed, 45]).uniform(0.45, 0.75)
    return start + pd.Timedelta(days=int(share * weeks * 7))


def true_outcomes(
    cohort: SimulatedCohort, as_of: pd.Timestamp, asked: pd.DataFrame
) -> pd.DataFrame:
    """Say when each spell would have been cleared had the athlete kept training.

    Athletes who had lapsed before the cut are left out: what they did since is in no log.
    """
    truth = cohort.truth[["athlete", "rung", "cleared_no_lapse"]]
    rows = asked.merge(truth, on=["athlete", "rung"], validate="one_to_one")
    rows = rows.merge(cohort.athletes[["athlete", "lapsed_on"]], on="athlete")
    rows = rows[rows["lapsed_on"].isna() | (rows["lapsed_on"] >= as_of)]
    done = rows["cleared_no_lapse"].notna()
    end = rows["cleared_no_lapse"].fillna(cohort.end)
    weeks = (end - as_of).dt.days / 7.0
    if (weeks < 0).any():
        worst = rows.loc[weeks.idxmin()]
        raise RuntimeError(f"truth and log disagree: {worst.to_dict()} at {as_of}")
    return pd.DataFrame(
        {
            "as_of": as_of,
            "athlete": rows["athlete"],
            "rung": rows["rung"],
            "weeks": weeks,
            "cleared": done,
            "ended_by": np.where(done, "cleared", "open"),
        }
    ).reset_index(drop=True)


def run_world(world: World) -> Report:
    """Make the world, forecast at its blind cut, score."""
    cohort = simulate_cohort(
        world.law,
        world.athletes,
        seed=world.seed,
        weeks=world.weeks,
        follow_up=world.horizon,
        lapse_rate=world.lapse_rate,
    )
    as_of = blind_cut(cohort.start, world.weeks, world.seed)
    common = {"horizon_weeks": world.horizon, "seed": world.seed}
    answers, seconds = [], {}
    for name in world.baselines:
        began = time.perf_counter()
        answers.append(forecast_at(cohort.log, as_of, baselines=chosen_baselines([name]), **common))
        seconds[name] = time.perf_counter() - began
    if world.model:
        began = time.perf_counter()
        answers.append(_model_answer(world, cohort, as_of, common))
        seconds["model"] = time.perf_counter() - began
    forecasts = pd.concat([answer.forecasts for answer in answers], ignore_index=True)
    if world.informed:
        began = time.perf_counter()
        told = _informed(cohort, as_of, world)
        forecasts = pd.concat([forecasts, told], ignore_index=True)
        seconds["informed"] = time.perf_counter() - began
    outcomes = true_outcomes(cohort, as_of, answers[0].asked)
    troubles = [
        f"{world.law}, seed {world.seed}: {row.forecaster}: {row.reason}"
        for answer in answers
        for row in answer.failures.itertuples()
    ]
    return Report(_scores(world, as_of, forecasts, outcomes, seconds), tuple(troubles))


def _model_answer(
    world: World, cohort: SimulatedCohort, as_of: pd.Timestamp, common: dict
) -> ForecastsAtCut:
    from forecast.model import ReadinessForecaster

    model = ReadinessForecaster(
        horizon_weeks=world.horizon, random_state=world.seed, **dict(world.options)
    )
    return forecast_at(
        cohort.log, as_of, model=model, baselines={}, engines=world.engines, **common
    )


def _informed(cohort: SimulatedCohort, as_of: pd.Timestamp, world: World) -> pd.DataFrame:
    from reference.informed import informed_forecast

    curve = informed_forecast(cohort, as_of, horizon_weeks=world.horizon, seed=world.seed)
    return curve[["athlete", "rung", "week", "p_cleared"]].assign(
        forecaster="informed", as_of=as_of
    )


def _scores(
    world: World,
    as_of: pd.Timestamp,
    forecasts: pd.DataFrame,
    outcomes: pd.DataFrame,
    seconds: dict[str, float],
) -> pd.DataFrame:
    cases = make_cases(outcomes, world.horizon, 1, 0)
    curves = curves_of(forecasts, cases)
    rows = []
    for name, curve in curves.items():
        use = np.isfinite(curve).all(axis=1)
        if use.any():
            scored = score_curves(curve, cases, use)
            rows.append({"forecaster": name, "n": scored.n, **scored.value})
    table = pd.DataFrame(rows).assign(law=world.law, seed=world.seed, as_of=as_of)
    table["seconds"] = table["forecaster"].map(seconds)
    table["cleared_in_horizon"] = float((cases.cleared & (cases.weeks <= world.horizon)).mean())
    return table


def summarise(worlds: pd.DataFrame, by_law: bool = True) -> pd.DataFrame:
    """Pool worlds of a law, each spell weighing alike; ratio to the line on the same worlds."""
    groups = ["law", "forecaster"] if by_law else ["forecaster"]
    names = [name for name in COLUMNS if name not in ("ratio", "to_informed")]
    frame = worlds.copy()
    pairs = pd.MultiIndex.from_frame(frame[["law", "seed"]])
    for name in (LINE, "informed"):
        crps = frame[frame["forecaster"] == name].set_index(["law", "seed"])["crps_weeks"]
        frame[name] = crps.reindex(pairs).to_numpy()
    rows = []
    for key, part in frame.groupby(groups, sort=False):
        row = dict(zip(groups, key, strict=True))
        row |= {name: _pooled(part[name], part["n"]) for name in names}
        row["ratio"] = row["crps_weeks"] / _pooled(part[LINE], part["n"])
        row["to_informed"] = row["crps_weeks"] / _pooled(part["informed"], part["n"])
        row["n"], row["worlds"] = int(part["n"].sum()), len(part)
        rows.append(row)
    table = pd.DataFrame(rows).set_index(groups)
    return table[[*COLUMNS, "n", "worlds"]].rename(columns=COLUMNS).dropna(axis=1, how="all")


def _pooled(values: pd.Series, weights: pd.Series) -> float:
    known = values.notna()
    return float(np.average(values[known], weights=weights[known])) if known.any() else np.nan


def run_all(worlds: list[World], jobs: int) -> tuple[pd.DataFrame, list[str]]:
    """Run the worlds in ``jobs`` processes; a world that breaks is reported, not hidden."""
    tables, troubles = [], []
    began = time.perf_counter()
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        waiting = {pool.submit(run_world, world): world for world in worlds}
        for done, future in enumerate(as_completed(waiting), start=1):
            world = waiting[future]
            error = future.exception()
            if error is not None:
                text = "".join(traceback.format_exception(error))
                troubles.append(f"{world.law}, seed {world.seed} broke:\n{text}")
            else:
                tables.append(future.result().scores)
                troubles += future.result().troubles
            spent = time.perf_counter() - began
            state = "broke" if error else "done"
            print(
                f"[{done}/{len(worlds)}] {world.law} {world.seed} {state}, {spent:.0f} s",
                file=sys.stderr,
                flush=True,
            )
    scores = pd.concat(tables, ignore_index=True) if tables else pd.DataFrame()
    return scores, troubles


def _option(text: str) -> tuple[str, object]:
    """Read NAME=VALUE, the value as a number, True, False, None or text."""
    name, _, value = text.partition("=")
    words = {"True": True, "False": False, "None": None}
    if value in words:
        return name, words[value]
    for kind in (int, float):
        try:
            return name, kind(value)
        except ValueError:
            continue
    return name, value


def parse(argv: list[str] | None = None) -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--laws", nargs="+", default=list(LAWS), choices=LAWS, metavar="LAW")
    parser.add_argument("--seeds", type=int, default=2, help="worlds a law")
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--athletes", type=int, default=60)
    parser.add_argument("--weeks", type=int, default=104, help="length of the club's log")
    parser.add_argument("--horizon", type=int, default=52)
    parser.add_argument("--lapse-rate", type=float, default=0.2)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--baselines", nargs="*", default=list(BASELINES), choices=list(BASELINES))
    parser.add_argument("--no-model", action="store_true", help="baselines only")
    parser.add_argument("--no-engines", action="store_true", help="not each engine alone")
    parser.add_argument("--informed", action="store_true", help="the reference told the law")
    parser.add_argument(
        "--option", nargs="*", default=[], type=_option, help="NAME=VALUE for the model"
    )
    parser.add_argument("--out", type=Path, help="CSV with one row a world and forecaster")
    return parser.parse_args(argv)


def main(argv: list[str] | None = None) -> int:
    """Run the bench; 1 if any world broke."""
    asked = parse(argv)
    seeds = range(asked.first_seed, asked.first_seed + asked.seeds)
    # The line is always run: every ratio is against it.
    names = tuple(name for name in BASELINES if name == LINE or name in asked.baselines)
    worlds = [
        World(
            law,
            seed,
            asked.athletes,
            asked.weeks,
            asked.horizon,
            asked.lapse_rate,
            not asked.no_model,
            not asked.no_engines,
            asked.informed,
            names,
            tuple(asked.option),
        )
        for seed in seeds
        for law in asked.laws
    ]
    scores, troubles = run_all(worlds, asked.jobs)
    if asked.out is not None:
        scores.to_csv(asked.out, index=False)
    if len(scores):
        with pd.option_context("display.width", 200, "display.max_rows", None):
            for by_law in (True, False):
                table = summarise(scores, by_law)
                levels = ["law"] if by_law else []
                table = table.sort_values([*levels, "crps"], kind="stable")
                print(table.round(3).to_string(), end="\n\n")
    for trouble in troubles:
        print(trouble, file=sys.stderr)
    return int(any(" broke:" in trouble for trouble in troubles) or not len(scores))


if __name__ == "__main__":
    sys.exit(main())
