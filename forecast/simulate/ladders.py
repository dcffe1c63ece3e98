"""An invented, branching ladder to simulate on, as its TOML says it."""

from __future__ import annotations

from pathlib import Path

from forecast.ladder import Ladder
from forecast.ladder_file import read_ladder

LADDER_FILE = Path(__file__).with_name("ladder.toml")


def default_ladder() -> Ladder:
    """Return an invented ladder of 12 rungs in three stages: holds, repetitions, one with load.

    Its pass marks (5 to 20 s, 3 to 10 repetitions) and standards are common practice, no source.
    """
    return read_ladder(LADDER_FILE)
