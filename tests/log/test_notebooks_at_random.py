"""A few of the notebooks that ``tests/bench/notebooks_at_random.py`` draws, each with its truth."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.append(str(Path(__file__).resolve().parents[1] / "bench"))

from notebooks_at_random import outcome

FIRST, NOTEBOOKS = 90_000, 20


def test_no_value_is_read_wrong_and_most_are_read_from_what_is_sure(tmp_path):
    done = {n: outcome(n, tmp_path) for n in range(FIRST, FIRST + NOTEBOOKS)}
    assert {n: one.wrong for n, one in done.items() if one.wrong} == {}
    read, true = (sum(getattr(one, what) for one in done.values()) for what in ("right", "true"))
    assert read >= 0.7 * true  # the bar is 0.8 of 5,000 notebooks
