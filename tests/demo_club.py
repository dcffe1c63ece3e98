"""The demo club: invented athletes and two coaches' logs, the same bytes every time.

python tests/demo_club.py --out data_demo
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd
from reference import demo_words as words
from reference.roughen import annex_rows, floor_rows, log_order, with_slips

from forecast.log import SET_COLUMNS, write_all
from forecast.simulate import (
    LADDER_FILE,
    Setting,
    SimulatedCohort,
    default_ladder,
    simulate_cohort,
)
from forecast.simulate.population import draw_population

SEED = 20260531
START = "2024-06-03"
WEEKS = 104
"""The log runs from START to 2026-05-31, the day before START + WEEKS."""

_FLOOR_LAWS = (
    ("steady", 7),
    ("wandering", 6),
    ("ceiling", 6),
    ("stalls", 5),
    ("learning", 4),
    ("ragged", 4),
)
_ANNEX_LAWS = (("threshold", 5), ("seasonal", 4), ("jumps", 4))


def demo_files() -> dict[str, bytes]:
    """Make all files of the demo, name to content; the same bytes every time.

    Returns
    -------
    dict of str to bytes
        ``club.toml`` (which file is what), ``ladder.toml``, ``roster.csv``, ``log_floor.csv``
        (UTF-8, our column names), ``log_annex.csv`` (Windows-1252, semicolons, another
        language) and ``mapping_annex.toml``.
    """
    ladder = default_ladder()
    seeds = np.random.SeedSequence(SEED).spawn(4)
    rngs = [np.random.default_rng(seed) for seed in seeds]
    shared = draw_population(rngs[0], len(ladder.rungs))

    def cohorts(
        laws: Sequence[tuple[str, int]], first_seed: int, unit: float
    ) -> list[SimulatedCohort]:
        return [
            simulate_cohort(
                law,
                n,
                seed=first_seed + place,
                weeks=WEEKS,
                follow_up=0,
                start=START,
                lapse_rate=0.3,
                setting=Setting(ladder, 0.4, f"{law}-", shared, unit, (1.2, 2.8)),
            )
            for place, (law, n) in enumerate(laws)
        ]

    floor = _named(cohorts(_FLOOR_LAWS, SEED, 1.0), words.FLOOR_NAMES)
    annex = _named(cohorts(_ANNEX_LAWS, SEED + 100, 0.5), words.ANNEX_NAMES)
    moved = (floor["athlete"] == words.MOVED[0]) & (floor["date"] >= words.MOVED[1])
    floor, annex = log_order(floor[~moved]), log_order(pd.concat([annex, floor[moved]]))
    rough_floor = with_slips(floor_rows(floor, ladder, rngs[1]), floor, ladder, rngs[1])
    rough_annex = with_slips(annex_rows(annex, ladder, rngs[2]), annex, ladder, rngs[2])
    rough_annex = rough_annex.rename(columns=words.ANNEX_COLUMNS)
    return {
        "club.toml": _club_toml().encode(),
        "ladder.toml": LADDER_FILE.read_bytes(),
        "roster.csv": _roster(rngs[3]).to_csv(index=False, lineterminator="\n").encode(),
        "log_floor.csv": rough_floor.to_csv(index=False, lineterminator="\n").encode(),
        "log_annex.csv": rough_annex.to_csv(index=False, sep=";", lineterminator="\r\n").encode(
            "cp1252"
        ),
        "mapping_annex.toml": _mapping_toml().encode(),
    }


def write_demo(out: str | Path) -> list[Path]:
    """Write the files of the demo into a folder, which is made if need be; return their paths."""
    folder = Path(out)
    folder.mkdir(parents=True, exist_ok=True)
    return write_all((folder / name, content) for name, content in demo_files().items())


def _named(cohorts: Sequence[SimulatedCohort], names: Sequence[str]) -> pd.DataFrame:
    """Join the sets of cohorts and give the athletes their invented names."""
    codes = [code for cohort in cohorts for code in cohort.athletes["athlete"]]
    by_code = dict(zip(codes, names, strict=True))
    sets = pd.concat([cohort.sets for cohort in cohorts], ignore_index=True)
    sets["athlete"] = sets["athlete"].map(by_code)
    return sets[list(SET_COLUMNS)]


def _roster(rng: np.random.Generator) -> pd.DataFrame:
    """Invented adults; a few cells are blank, as in real rosters."""
    names = sorted([*words.FLOOR_NAMES, *words.ANNEX_NAMES])
    n = len(names)
    age = rng.integers(18, 58, n)
    training = np.minimum(np.round(rng.gamma(1.6, 2.0, n), 1), age - 15.0)
    table = pd.DataFrame(
        {
            "athlete": names,
            "age": age.astype(str),
            "body_mass_kg": np.round(rng.normal(68, 9, n), 1).astype(str),
            "training_years": training.astype(str),
        }
    )
    for column, share in (("age", 0.05), ("body_mass_kg", 0.15), ("training_years", 0.1)):
        table[column] = table[column].where(rng.random(n) >= share, "")
    return table


def _club_toml() -> str:
    return f'''# {words.CLUB}: every name and number in this folder is made up.
# Made by: python tests/demo_club.py --out data_demo
name = "{words.CLUB}"
ladder = "ladder.toml"
roster = "roster.csv"
as_of = 2026-06-01
last_date = 2026-05-31  # every date up to it is right, whatever the clock of the reader says

[[log]]
file = "log_floor.csv"

[[log]]
file = "log_annex.csv"
mapping = "mapping_annex.toml"
'''


def _mapping_toml() -> str:
    """Return the mapping for the second coach's file: ours to theirs, their words to ours."""
    lines = ["# The second coach's own column names and words.", "[read]", 'date_order = "dmy"']
    lines += ['decimal = ","', 'encoding = "cp1252"', "", "[columns]"]
    lines += [f'{ours} = "{theirs}"' for ours, theirs in words.ANNEX_COLUMNS.items()]
    lines += ["", "[values.rung]"]
    lines += [f'"{theirs}" = "{key}"' for key, theirs in words.ANNEX_RUNGS.items()]
    for column, table in words.ANNEX_WORDS.items():
        lines += ["", f"[values.{column}]"]
        lines += [f'"{theirs}" = "{ours}"' for theirs, ours in table.items()]
    return "\n".join(lines) + "\n"


def main(arguments: Sequence[str] | None = None) -> None:
    """Write the demo folder from the command line."""
    parser = argparse.ArgumentParser(
        prog="python tests/demo_club.py", description="Write the invented demo club."
    )
    parser.add_argument("--out", default="data_demo", help="folder to write to (data_demo)")
    for path in write_demo(parser.parse_args(arguments).out):
        print(path)


if __name__ == "__main__":
    main()
