"""Every set as an interval: what a recorded value says about the capacity behind it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forecast.growth.panel import infer_unit, pass_ratio, rounding_units, set_intervals
from forecast.ladder import Criterion, Ladder, Rung

LADDER = Ladder(
    "Check values",
    (
        # Pass marks of 3 to 15 s or 5 to 10 strict reps: common practice, no source.
        Rung("hold", "Hold", "", Criterion("seconds", 10.0)),
        Rung("press", "Press", "", Criterion("reps", 8.0)),
        Rung("pull", "Pull", "", Criterion("kg", 20.0)),
        # Three positions of 3 s each, three rounds without coming down: written as reps.
        Rung("rounds", "Rounds", "", Criterion("reps", 3.0)),
    ),
)


def interval(rung, value, stopped="failed", others=(7.0, 11.0, 9.0)):
    """Bounds of one set in the unit of the rung, among others of the same athlete."""
    values = [value, *others]
    frame = pd.DataFrame(
        {
            "athlete": "Bo",
            "rung": rung,
            "value": np.asarray(values, dtype=float),
            "target": LADDER.rung(rung).criterion.target,
            "stopped": [stopped, *["failed"] * len(others)],
        }
    )
    row = set_intervals(frame, LADDER).iloc[0]
    return (
        row["lower"] * frame["target"].iloc[0],
        row["upper"] * frame["target"].iloc[0],
    )


@pytest.mark.parametrize(
    ("rung", "value", "stopped", "expected"),
    [
        ("hold", 12, "failed", (11.5, 12.5)),  # noted to the second
        ("hold", 12, "unknown", (11.5, 12.5)),
        ("hold", 12, "target", (11.5, np.inf)),
        ("hold", 6, "choice", (5.5, np.inf)),
        ("hold", 10, "unknown", (9.5, np.inf)),  # time called at the mark
        ("hold", 10, "failed", (9.5, 10.5)),
        ("hold", 0, "failed", (0.0, 1.0)),
        ("hold", 0, "choice", (0.0, 1.0)),
        ("press", 6, "failed", (6.0, 7.0)),
        ("press", 6, "choice", (6.0, np.inf)),
        ("press", 8, "unknown", (8.0, np.inf)),
        ("press", 0, "failed", (0.0, 1.0)),
        ("rounds", 2, "failed", (2.0, 3.0)),
    ],
)
def test_rules(rung, value, stopped, expected):
    assert interval(rung, value, stopped) == pytest.approx(expected)


def test_holds_timed_to_five_seconds_say_less():
    others = (5, 10, 15, 20, 5, 15, 10, 20, 25, 15)
    assert interval("hold", 15, others=others) == pytest.approx((12.5, 17.5))


def test_holds_timed_to_the_tenth_say_more():
    assert interval("hold", 12.3, others=(7.1, 11.4, 9.8)) == pytest.approx((12.25, 12.35))


def test_plates_of_two_and_a_half_kilograms():
    assert interval("pull", 17.5, others=(12.5, 15.0, 10.0)) == pytest.approx((17.25, 17.75))


@pytest.mark.parametrize(
    ("values", "unit"),
    [
        ([], 1.0),
        ([0, 0], 1.0),
        ([12], 1.0),
        ([10, 20], 1.0),  # two tens are no habit
        ([10, 20, 30] * 3, 10.0),
        ([10] * 20, 1.0),  # always the same value: no habit either
        ([5, 10, 15, 20] * 3, 5.0),
        ([12, 7, 9, 13], 1.0),
        ([12.5, 7, 9.5], 0.5),
        ([12.3, 7.1], 0.1),
        ([12.34, 7.1], 0.01),
        ([12] * 99 + [12.3], 1.0),  # one odd value in a hundred
    ],
)
def test_the_unit_is_inferred(values, unit):
    assert infer_unit(np.asarray(values, dtype=float)) == unit


@settings(max_examples=40, deadline=None)
@given(
    st.sampled_from([0.1, 0.5, 1.0, 5.0, 10.0]),
    st.lists(st.integers(1, 60), min_size=8, max_size=40, unique=True),
)
def test_what_was_rounded_lies_in_its_interval(unit, steps):
    rng = np.random.default_rng(len(steps))
    truth = unit * (np.asarray(steps) + rng.uniform(-0.499, 0.499, len(steps)))
    noted = unit * np.round(truth / unit)
    found = infer_unit(noted)
    assert found >= unit - 1e-9
    assert (np.abs(truth - noted) <= found / 2 + 1e-9).all()


# A hold of 9.6 s is written 10 where time is noted to the second; 7.9 reps are 7.
@pytest.mark.parametrize(
    ("target", "unit", "measure", "ratio"),
    [
        (10.0, 1.0, "seconds", 0.95),
        (10.0, 5.0, "seconds", 0.75),
        (3.0, 10.0, "seconds", 5.0 / 3.0),
        (8.0, 1.0, "reps", 1.0),
        (20.0, 2.5, "kg", 18.75 / 20),
    ],
)
def test_the_capacity_that_reads_as_the_target(target, unit, measure, ratio):
    assert pass_ratio(Criterion(measure, target), unit) == pytest.approx(ratio)


def test_who_has_shown_only_nothing_and_five_is_noted_to_five_seconds_as_others_are():
    frame = pd.DataFrame(
        {
            "athlete": ["Al"] * 12 + ["Bo"] * 6 + ["Cy"] * 4,
            "rung": "hold",
            "value": [5.0, 10.0, 15.0, 0.0] * 3 + [0.0, 5.0, 0.0, 0.0, 5.0, 0.0] + [0, 5, 7, 3],
            "target": 10.0,
            "stopped": "failed",
        }
    )
    units = rounding_units(frame[frame["athlete"] != "Cy"], LADDER)
    assert (units == 5.0).all()
    # Someone whose own values are not multiples is not noted so, whatever the others are.
    found = rounding_units(frame, LADDER, usual={"seconds": 5.0}).groupby(frame["athlete"]).first()
    assert found.to_dict() == {"Al": 5.0, "Bo": 5.0, "Cy": 1.0}
    bounds = set_intervals(frame, LADDER, usual={"seconds": 5.0})
    assert bounds.loc[12, "upper"] * 10.0 == pytest.approx(5.0)
