"""Score the package on open growth tables (pigs, chicks, boys, cracks) beside published methods.

    python tests/bench/open_data.py
    python tests/bench/open_data.py --tasks G4 G5 --settings cohort --out open_data.csv

Each task asks, just after a unit's k-th measurement, when it will reach a threshold; tables and
protocol are in ``tests/external/open_data.py``. Rows "line" to "MM2 cohort" are the reference
table's: re-computed from the same data with two programs each (statsmodels MixedLM and an own REML
optimiser). "here" rows of line and climatology are this harness's, and must agree with them.
Prints MAE and bias in the task's unit of time, the integrated Brier score IBS up to H, the Brier
score at H, the share inside the 80 % range, and which bars held.
"""

# ruff: noqa: E402  (threads must be pinned, and the checkout found, before numpy is imported)
from __future__ import annotations

import argparse
import os
import sys
import time
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
_ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(_ROOT), str(_ROOT / "tests" / "external")]

import pandas as pd
from open_data import FOLDS, TASKS, Question, Setting, Task, questions
from open_data_answers import answers
from open_data_scores import Forecast, climatology, line, score, summarise
from open_data_table import BEST, BEST_WITHIN, PUBLISHED, TIME_SCALE

ENGINES = ("pool", "growth", "survival")
COVERAGE_BAR = (0.70, 0.92)
"""Share inside the 80 % range on G1 + G2 + G3 together, cohort setting."""
EARLY_COVERAGE_BAR = 0.70
FIGURES = ["MAE", "MedAE", "bias", "IBS", "BrierH", "cov80"]


def ask_all(task: Task, setting: Setting) -> dict[str, pd.DataFrame]:
    """Return the scores of every unit by engine, each fold asked of a fit of its own."""
    asked = questions(task)
    found: dict[str, dict[int, Forecast]] = {engine: {} for engine in ENGINES}
    for fold in range(FOLDS):
        mine = [q for q in asked if q.fold == fold]
        for engine, forecasts in answers(task, mine, fold, setting, ENGINES).items():
            found[engine] |= {q.unit: f for q, f in zip(mine, forecasts, strict=True)}
    return {
        engine: score(asked, [by_unit[q.unit] for q in asked]) for engine, by_unit in found.items()
    }


def task_table(
    task: Task, asked: list[Question], ours: dict[tuple[str, str], pd.DataFrame]
) -> pd.DataFrame:
    """Return published rows, the harness's own rows, and the package's."""
    scale = TIME_SCALE[task.name]
    rows = {("table", name): dict(figures) for name, figures in PUBLISHED[task.name].items()}
    rows["here", "line"] = summarise(score(asked, line(task, asked)), scale)
    rows["here", "climatology"] = summarise(score(asked, climatology(task, asked)), scale)
    for (setting, engine), scores in ours.items():
        rows["package", f"{engine} {setting}"] = summarise(scores, scale)
    return pd.DataFrame.from_dict(rows, orient="index")[FIGURES]


def bars(task: str, table: pd.DataFrame) -> list[str]:
    """Say of each bar on the integrated Brier score whether the pool held it."""
    lines = []
    ours = table.at[("package", "pool cohort"), "IBS"]
    for simple in ("line", "climatology"):
        theirs = table.at[("table", simple), "IBS"]
        lines.append(_bar(f"{task} IBS {ours:.4f} below {simple} {theirs:.4f}", ours < theirs))
    best = min(PUBLISHED[task][name]["IBS"] for name in BEST)
    limit = best * (1.0 + BEST_WITHIN[task])
    text = f"{task} IBS {ours:.4f} within {BEST_WITHIN[task]:.0%} of the best method's {best:.4f}"
    lines.append(_bar(f"{text} ({ours / best - 1:+.0%})", ours <= limit))
    return lines


def _bar(text: str, held: bool) -> str:
    return f"{'held  ' if held else 'MISSED'} {text}"


def coverage_bars(ours: dict[tuple[str, str, str], pd.DataFrame]) -> list[str]:
    """Say whether the pool's 80 % ranges hold what they promise on G1 + G2 + G3."""
    lines = []
    for setting, (low, high) in {
        "cohort": COVERAGE_BAR,
        "early": (EARLY_COVERAGE_BAR, 1.0),
    }.items():
        parts = [ours[name, setting, "pool"] for name in ("G1", "G2", "G3")
                 if (name, setting, "pool") in ours]  # fmt: skip
        if len(parts) == 3:
            share = float(pd.concat(parts)["covered"].mean())
            text = f"G1 + G2 + G3 {setting}: 80 % range holds {share:.3f}, {low:.2f} to {high:.2f}"
            lines.append(_bar(text, low <= share <= high))
    return lines


def parse(argv: list[str] | None = None) -> argparse.Namespace:
    """Read the command line."""
    names = [task.name for task in TASKS]
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--tasks", nargs="+", default=names, choices=names)
    parser.add_argument(
        "--settings", nargs="+", default=["cohort", "early"], choices=["cohort", "early"]
    )
    parser.add_argument("--out", type=Path, help="CSV with one row a unit, setting and engine")
    return parser.parse_args(argv)


def main(argv: list[str] | None = None) -> int:
    """Run the bench; 1 if a bar is missed."""
    asked = parse(argv)
    every: dict[tuple[str, str, str], pd.DataFrame] = {}
    verdicts: list[str] = []
    for task in (task for task in TASKS if task.name in asked.tasks):
        began = time.process_time()
        ours = {}
        for setting in asked.settings:
            for engine, scores in ask_all(task, setting).items():
                ours[setting, engine] = every[task.name, setting, engine] = scores
        table = task_table(task, questions(task), ours)
        spent = time.process_time() - began
        print(f"{task.name} {task.package}/{task.item}, {spent:.0f} s of processor")
        print(table.round(4).to_string(na_rep=""), end="\n\n", flush=True)
        if "cohort" in asked.settings:
            verdicts += bars(task.name, table)
    verdicts += coverage_bars(every)
    print("\n".join(verdicts))
    if asked.out is not None:
        pd.concat(every, names=["task", "setting", "engine"]).droplevel(-1).to_csv(asked.out)
    return int(any(verdict.startswith("MISSED") for verdict in verdicts))


if __name__ == "__main__":
    sys.exit(main())
