"""Time, CPU and memory of every step, beside named references, at several sizes of club.

    python tests/bench/speed.py
    python tests/bench/speed.py --sizes 44 500 4000 --skip report ahead --out speed.csv

For each size an invented club is written to files and put through every step in a process of its
own, after a tiny club has gone the same way, so that nothing is compiled on the clock. Prints
seconds, CPU seconds and peak memory of each step, and the ratio of its CPU seconds to those of a
reference in the same run:

- read: ``pandas.read_csv(engine="pyarrow")`` of the same file;
- growth fit: statsmodels' ``MixedLM``, random intercept and slope by spell, on the same sessions;
- survival fit: scikit-survival's ``RandomSurvivalForest`` on the same landmarks, where installed.

Below stands how each step grows: the exponent b in CPU seconds ~ (sets)^b, by least squares over
the sizes and between the two largest. Peak memory is reset before each step where the system can
(Linux); elsewhere it is that of the whole process so far, marked ``<=``.
"""

# ruff: noqa: E402  (threads must be pinned, and the checkout found, before numpy is imported)
from __future__ import annotations

import argparse
import importlib.util
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
_ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(_ROOT)]

import numpy as np
import pandas as pd

WEEKS, TINY, CUT_SHARE = 104, 12, 0.8
REFERENCES = ("read_csv", "MixedLM", "forest")
FOREST_TREES, FOREST_LEAF = 200, 15
COLUMNS = ["athletes", "sets", "step", "seconds", "cpu", "peak_mb", "reference", "ratio"]


class Clock:
    """Runs steps one by one and notes what each took."""

    def __init__(self, skip: list[str], tell: bool) -> None:
        self.skip, self.tell = skip, tell
        self.rows: list[dict[str, Any]] = []

    def run(self, step: str, work: Callable[[], Any], reference: str = "") -> Any:
        """Do the work unless it is to be skipped; note time, CPU, peak memory and the ratio."""
        if step in self.skip:
            return None
        exact = _reset_peak()
        wall, cpu = time.perf_counter(), _cpu()
        result = work()
        took = {"seconds": time.perf_counter() - wall, "cpu": _cpu() - cpu, "peak_mb": _peak_mb()}
        self.note(step, took, reference, exact)
        return result

    def note(self, step: str, took: dict[str, float], reference: str, exact: bool = True) -> None:
        """Add a row, with its CPU seconds over those of the reference if that ran."""
        known = {row["step"]: row["cpu"] for row in self.rows}
        beside = known.get(reference, 0.0)  # too quick for the clock: no ratio
        ratio = took["cpu"] / beside if beside else np.nan
        self.rows.append(
            {"step": step, **took, "reference": reference, "ratio": ratio, "exact": exact}
        )
        if self.tell:
            print(f"  {step}: {took['seconds']:.2f} s", file=sys.stderr, flush=True)


def _cpu() -> float:
    """CPU seconds of this process and of the children that it has waited for."""
    spent = os.times()
    return spent.user + spent.system + spent.children_user + spent.children_system


def _reset_peak() -> bool:
    """Let the peak of memory start anew from here; say whether the system can."""
    try:
        Path("/proc/self/clear_refs").write_text("5")
    except OSError:
        return False
    return True


def _peak_mb() -> float:
    status = Path("/proc/self/status")
    if status.exists():
        line = next(x for x in status.read_text().splitlines() if x.startswith("VmHWM"))
        return int(line.split()[1]) / 1024.0
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def write_club(athletes: int, seed: int, weeks: int, folder: Path) -> pd.Timestamp:
    """Write an invented club to the folder; return its cut date."""
    from forecast.log import club_files
    from forecast.simulate import simulate_cohort

    cohort = simulate_cohort("steady", athletes, seed=seed, weeks=weeks, follow_up=1)
    end = cohort.log.sets["date"].max() + pd.Timedelta(days=1)
    for path, content in club_files(cohort.log, folder, end):
        path.write_bytes(content)
    return end


def measure(folder: Path, as_of: pd.Timestamp, clock: Clock) -> int:
    """Put one club through every step; return its number of sets."""
    clock.run("import", _import_elsewhere)
    sets = clock.run("read_csv", lambda: pd.read_csv(folder / "sets.csv", engine="pyarrow"))
    import forecast as fc

    log = clock.run("read", lambda: fc.read_club(folder).log, "read_csv")
    if log is None or sets is None:
        raise SystemExit("read and read_csv can't be skipped: every other step needs the log.")
    _measure_fits(log, as_of, clock)
    model = clock.run("fit", lambda: fc.ReadinessForecaster().fit(log, as_of))
    if model is not None:
        _measure_questions(model, log, as_of, clock)
    cut = log.sets["date"].min() + CUT_SHARE * (as_of - log.sets["date"].min())
    clock.run(
        "backtest cut",
        lambda: fc.backtest(
            log, cuts=cut.normalize(), model=fc.ReadinessForecaster(), baselines=False
        ),
    )
    return len(log.sets)


def _import_elsewhere() -> None:
    subprocess.run(
        [sys.executable, "-c", "import forecast; forecast.ReadinessForecaster"],
        check=True,
        env={**os.environ, "PYTHONPATH": str(_ROOT)},
    )


def _measure_fits(log: Any, as_of: pd.Timestamp, clock: Clock) -> None:
    """Each engine's fit, beside a library's on the same rows."""
    from forecast.backtest.baselines import at_cut, counting_sessions, fit_lines
    from forecast.growth import fit_growth_model, track
    from forecast.histories import build_histories
    from forecast.readiness.engines import describe_moments
    from forecast.survival import fit_hazard, stretch_edges, training_landmarks

    histories = clock.run("histories", lambda: build_histories(log, as_of))
    if histories is None or "growth fit" in clock.skip:
        return
    sessions = counting_sessions(at_cut(histories, as_of, 52, 0))
    clock.run("MixedLM", lambda: fit_lines(sessions))
    growth = clock.run("growth fit", lambda: fit_growth_model(histories), "MixedLM")
    tracked, edges = track(growth, histories), stretch_edges(52)
    table = training_landmarks(histories)
    moments = describe_moments(tracked, histories, table, edges)
    if importlib.util.find_spec("sksurv") is None:
        clock.skip.append("forest")
    clock.run("forest", lambda: _forest(moments.features, table))
    n_rungs = len(histories.ladder.rungs)
    clock.run(
        "survival fit",
        lambda: fit_hazard(moments.features, moments.outlook, table, edges, n_rungs),
        "forest",
    )


def _forest(features: pd.DataFrame, table: pd.DataFrame) -> Any:
    from sksurv.ensemble import RandomSurvivalForest
    from sksurv.util import Surv

    y = Surv.from_arrays(
        table["cleared"].to_numpy(dtype=bool), np.ceil(table["weeks"].to_numpy(dtype=float))
    )
    x = features.select_dtypes("number").to_numpy(dtype=float)
    forest = RandomSurvivalForest(
        FOREST_TREES, min_samples_leaf=FOREST_LEAF, max_features="sqrt", random_state=0
    )
    return forest.fit(x, y)


def _measure_questions(model: Any, log: Any, as_of: pd.Timestamp, clock: Clock) -> None:
    from forecast.report import write_report

    view = model.view(log, as_of)
    clock.run("forecast", view.forecast)
    clock.run("plateaus", lambda: view.plateaus())
    clock.run("ahead", lambda: view.ladder_ahead())
    if "one athlete" not in clock.skip:
        _one_athlete(model, log, as_of, clock)
    with tempfile.TemporaryDirectory() as out:
        clock.run("report", lambda: write_report(view, out=out))


def _one_athlete(model: Any, log: Any, as_of: pd.Timestamp, clock: Clock) -> None:
    """Ask about athletes one at a time, each from their own sets alone: median and 95 % point."""
    from dataclasses import replace

    everyone = sorted(log.sets["athlete"].unique())
    asked = everyone[:: max(1, len(everyone) // 40)]
    seconds, cpu = [], []
    exact = _reset_peak()
    for name in asked:
        mine = replace(log, sets=log.sets[log.sets["athlete"] == name].reset_index(drop=True))
        wall, spent = time.perf_counter(), time.process_time()
        model.view(mine, as_of).forecast()
        seconds.append(time.perf_counter() - wall)
        cpu.append(time.process_time() - spent)
    for step, share in (("one athlete, median", 0.5), ("one athlete, 95 %", 0.95)):
        took = {"seconds": np.quantile(seconds, share), "cpu": np.quantile(cpu, share)}
        clock.note(step, {**took, "peak_mb": _peak_mb()}, "", exact)


def run_size(athletes: int, seed: int, weeks: int, skip: list[str]) -> pd.DataFrame:
    """Measure one size in this process, after a tiny club."""
    with tempfile.TemporaryDirectory() as tiny:
        end = write_club(TINY, seed, 60, Path(tiny))
        measure(Path(tiny), end, Clock([*skip, "import", "forest"], tell=False))
    with tempfile.TemporaryDirectory() as folder:
        end = write_club(athletes, seed, weeks, Path(folder))
        clock = Clock(list(skip), tell=True)
        sets = measure(Path(folder), end, clock)
    return pd.DataFrame(clock.rows).assign(athletes=athletes, sets=sets)


def growth_table(found: pd.DataFrame) -> pd.DataFrame:
    """Return the exponent of each step that ran at two sizes or more."""
    rows = []
    for step, part in found.groupby("step", sort=False):
        part = part.sort_values("sets")
        if len(part) > 1:
            x, y = np.log(part["sets"].to_numpy()), np.log(part["cpu"].to_numpy().clip(1e-3))
            rows.append(
                {
                    "step": step,
                    "all sizes": np.polyfit(x, y, 1)[0],
                    "two largest": (y[-1] - y[-2]) / (x[-1] - x[-2]),
                }
            )
    return pd.DataFrame(rows)


def show(found: pd.DataFrame) -> None:
    """Print the tables."""
    shown = found.copy()
    shown["peak_mb"] = [
        f"{'' if exact else '<= '}{mb:.0f}"
        for mb, exact in zip(found["peak_mb"], found["exact"], strict=True)
    ]
    for name in ("seconds", "cpu"):
        shown[name] = found[name].map("{:.3f}".format)
    shown["ratio"] = found["ratio"].map(lambda x: "" if np.isnan(x) else f"{x:.2f}")
    print(shown[COLUMNS].to_string(index=False))
    if "forest" not in set(found["step"]):
        print(
            "\nThe forest was not run: scikit-survival is not installed "
            '(pip install -e ".[forest]"), or it was skipped.'
        )
    growth = growth_table(found)
    if len(growth):
        print("\nExponent b in CPU seconds ~ sets^b")
        print(growth.to_string(index=False, float_format="{:.2f}".format))


def main() -> None:
    """Run one process a size, and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--sizes", type=int, nargs="+", default=[44, 500], help="athletes")
    parser.add_argument("--weeks", type=int, default=WEEKS, help="length of each log")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--skip", nargs="*", default=[], help="steps or references to leave out")
    parser.add_argument("--out", type=Path, help="write the rows as CSV too")
    parser.add_argument("--one", type=int, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.one is not None:
        run_size(asked.one, asked.seed, asked.weeks, asked.skip).to_csv(asked.out, index=False)
        return
    parts = []
    for size in asked.sizes:
        print(f"{size} athletes", file=sys.stderr, flush=True)
        with tempfile.TemporaryDirectory() as folder:
            out = Path(folder) / "rows.csv"
            command = [sys.executable, __file__, "--one", str(size), "--out", str(out)]
            command += ["--seed", str(asked.seed), "--weeks", str(asked.weeks)]
            command += ["--skip", *asked.skip] if asked.skip else []
            subprocess.run(command, check=True)
            parts.append(pd.read_csv(out, keep_default_na=False, na_values={"ratio": [""]}))
    found = pd.concat(parts, ignore_index=True)
    show(found)
    if asked.out is not None:
        found.to_csv(asked.out, index=False)


if __name__ == "__main__":
    main()
