"""A small invented ladder and helpers for the log's tests."""

from __future__ import annotations

import pytest

from forecast.ladder import Criterion, Ladder, Rung


@pytest.fixture(scope="session")
def ladder() -> Ladder:
    """One rung of each measure, frozen, so it can be shared."""
    return Ladder(
        name="Invented",
        rungs=(
            Rung("lean_10", "Floor lean", "", Criterion("seconds", 10.0)),
            Rung("press", "Strict press", "", Criterion("reps", 8.0), needs=("lean_10",)),
            Rung("pull", "Loaded pull", "", Criterion("kg", 20.0), needs=("press",)),
            Rung("reach", "Reach", "", Criterion("cm", 30.0), needs=("pull",)),
        ),
    )
