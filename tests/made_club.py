"""The small cohort as it is made, and a log written as a coach would keep it."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from forecast.log import SET_COLUMNS, TrainingLog
from forecast.simulate import LADDER_FILE

COHORT = {
    "law": "steady",
    "n_athletes": 12,
    "seed": 3,
    "weeks": 40,
    "follow_up": 10,
    "start": "2024-01-01",
}
"""The cohort that ``tests/conftest.py`` shares."""
CLUB_FILE = """\
name = "Invented"
ladder = "ladder.toml"
as_of = 2024-10-07
[[log]]
file="sets.csv"
"""


def few_of(log: TrainingLog, count: int = 3) -> pd.DataFrame:
    """The sets of the first athletes of a log."""
    return log.sets[log.sets["athlete"].isin(log.athletes[:count])]


def write_club(folder: Path, sets: pd.DataFrame) -> Path:
    """Write the sets and what goes with them into a folder; return the folder."""
    (folder / "ladder.toml").write_bytes(LADDER_FILE.read_bytes())
    columns = [name for name in SET_COLUMNS if name not in {"assisted", "file", "row"}]
    sets[columns].astype({"date": "str"}).to_csv(folder / "sets.csv", index=False)
    (folder / "club.toml").write_text(CLUB_FILE, encoding="utf-8")
    return folder
