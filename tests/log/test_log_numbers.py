"""Numbers as people write them."""

from __future__ import annotations

import datetime as dt
import math
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecast.log import numbers
from forecast.log.cells import Problem

# text, measure of the rung, value in that measure
READ = [
    ("12", "seconds", 12.0),
    (12, "seconds", 12.0),
    (np.int64(12), "seconds", 12.0),
    (Decimal("12.5"), "seconds", 12.5),
    ("0", "seconds", 0.0),
    ("12s", "seconds", 12.0),
    ("12 s", "seconds", 12.0),
    (" 12  SEC. ", "seconds", 12.0),
    ("12 seconds", "seconds", 12.0),
    ('12"', "seconds", 12.0),
    ("0:12", "seconds", 12.0),
    (":12", "seconds", None),
    ("1:05", "seconds", 65.0),
    ("1:05.5", "seconds", 65.5),
    ("0:07,5", "seconds", 7.5),
    ("0:00:12", "seconds", 12.0),
    ("1m05s", "seconds", 65.0),
    ("1 min 5 s", "seconds", 65.0),
    ("1'05\"", "seconds", 65.0),
    ("2 min", "seconds", 120.0),
    ("2m", "seconds", 120.0),
    (dt.time(0, 0, 12), "seconds", 12.0),
    (dt.timedelta(seconds=12.5), "seconds", 12.5),
    ("12,5", "seconds", 12.5),
    ("12.5", "seconds", 12.5),
    ("12.345", "seconds", 12.345),
    ("0,125", "seconds", 0.125),
    ("1.2e1", "seconds", 12.0),
    ("10 reps", "reps", 10.0),
    ("10 rep", "reps", 10.0),
    ("x10", "reps", 10.0),
    ("10x", "reps", 10.0),
    ("x 10 reps", "reps", 10.0),
    ("20 kg", "kg", 20.0),
    ("15 lb", "kg", 6.80388555),
    ("30 cm", "cm", 30.0),
    ("300 mm", "cm", 30.0),
    ("0.3 m", "cm", 30.0),
    ("12 in", "cm", 30.48),
    ("12 inches", "cm", 30.48),
]


@pytest.mark.parametrize(("cell", "measure", "value"), READ)
def test_a_value_is_read_in_the_measure_of_its_rung(cell, measure, value):
    found = numbers.quantity(cell)
    if value is None:
        assert isinstance(found, Problem)
        return
    assert numbers.in_measure(found, measure) == pytest.approx(value, rel=1e-12)


# text, measure, kind of the problem, part of its reason
REFUSED = [
    ("", "seconds", "missing", "0 for a miss"),
    (None, "seconds", "missing", "no value"),
    (float("nan"), "seconds", "missing", "no value"),
    ("n/a", "seconds", "missing", "no value"),
    ("-3", "seconds", "limit", "between 0"),
    (-3, "reps", "limit", "between 0"),
    ("−3", "seconds", "limit", "between 0"),
    (float("inf"), "seconds", "limit", "between 0"),
    ("7201", "seconds", "limit", "7200"),
    ("2001", "reps", "limit", "2000"),
    ("1001 kg", "kg", "limit", "1000"),
    ("7.5", "reps", "number", "reps are whole"),
    ("10 reps", "seconds", "unit", "contradicts the rung, which counts seconds"),
    ("12s", "reps", "unit", "contradicts the rung, which counts reps"),
    ("1:05", "kg", "unit", "contradicts"),
    ("12 kg", "cm", "unit", "contradicts"),
    ("12 parsecs", "seconds", "unit", "'parsecs'"),
    ("1:75", "seconds", "number", "end at 59"),
    ("3x10", "reps", "number", "3 sets of 10"),
    ("3x15kg", "kg", "number", "3 sets of 15 kg"),
    ("2 × 15 lbs", "kg", "number", "2 sets of 15 lb"),
    ("12+", "seconds", "number", "under stopped"),
    (">12", "seconds", "number", "under stopped"),
    ("12-15", "seconds", "number", "write it like"),
    ("fell", "seconds", "number", "0 for a miss"),
    ("soon", "seconds", "number", "write it like"),
    (True, "reps", "number", "'true' is not a number"),
    (dt.date(2026, 5, 12), "reps", "number", "2026-05-12"),
    ("1,234", "seconds", "number", "1.234 or 1234"),
    ("1,2,3", "seconds", "number", "is not a number"),
]


@pytest.mark.parametrize(("cell", "measure", "kind", "said"), REFUSED)
def test_a_value_that_can_be_no_value_is_refused_with_a_reason(cell, measure, kind, said):
    found = numbers.quantity(cell)
    if not isinstance(found, Problem):
        found = numbers.in_measure(found, measure)
    assert isinstance(found, Problem)
    assert found.kind == kind
    assert said in found.reason


@pytest.mark.parametrize(
    ("text", "decimal", "value"),
    [
        ("1,234", ",", 1.234),
        ("1,234", ".", 1234.0),
        ("1.234", None, 1.234),
        ("1.234", ",", 1234.0),
        ("1.234", ".", 1.234),
        ("1.234,5", None, 1234.5),
        ("1,234.5", None, 1234.5),
        ("1,234,567", None, 1234567.0),
        ("-12,5", ",", -12.5),
        ("12.5", ",", 12.5),
    ],
)
def test_points_and_commas(text, decimal, value):
    assert numbers.decimal_number(text, decimal) == pytest.approx(value, rel=1e-15)


def test_the_pound_is_the_agreed_one():
    # International yard and pound agreement of 1959, NIST SP 811: 1 lb = 0.45359237 kg exactly
    # and 1 kg = 2.2046226218 lb
    assert numbers.load("1 lb") == 0.45359237
    assert numbers.load("2.2046226218 lb") == pytest.approx(1.0, abs=1e-10)


@pytest.mark.parametrize(
    ("cell", "unit", "value"),
    [
        ("", "kg", None),
        (None, "kg", None),
        ("-", "kg", None),
        ("10", "kg", 10.0),
        ("10", "lb", 4.5359237),
        ("10 kg", "lb", 10.0),
        (10, "lb", 4.5359237),
        ("bw", "kg", 0.0),
        ("BW + 10", "kg", 10.0),
        ("12,5kg", "kg", 12.5),
    ],
)
def test_loads(cell, unit, value):
    found = numbers.load(cell, unit=unit)
    assert found is None if value is None else found == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize("cell", ["-5", "12s", "heavy", "501", "3x10", "3x15kg", "2x15lb"])
def test_loads_that_are_none(cell):
    assert isinstance(numbers.load(cell), Problem)


@pytest.mark.parametrize(
    ("cell", "value"),
    [("7", 7.0), ("7/10", 7.0), ("RPE 8", 8.0), ("7,5", 7.5), (0, 0.0), ("none", 0.0), ("", None)],
)
def test_effort_and_pain(cell, value):
    assert numbers.out_of_ten(cell) == value


@pytest.mark.parametrize("cell", ["11", "-1", -1, "70/100", "a bit", True, float("inf")])
def test_effort_and_pain_outside_the_scale(cell):
    found = numbers.out_of_ten(cell)
    assert isinstance(found, Problem)
    assert "0 to 10" in found.reason


@pytest.mark.parametrize(
    ("cell", "value"), [("1", 1), (2.0, 2), ("3.0", 3), ("set 4", 4), ("#5", 5), ("", None)]
)
def test_set_numbers(cell, value):
    assert numbers.set_number(cell) == value


@pytest.mark.parametrize("cell", ["0", 0, "-1", 1.5, "one", "99999999", True])
def test_set_numbers_that_are_none(cell):
    assert isinstance(numbers.set_number(cell), Problem)


@given(st.floats(min_value=0, max_value=7200, allow_nan=False))
def test_a_number_comes_back_as_it_was_written(value):
    for text in (repr(value), f"{value!r} s"):
        if "e" in text and " " in text:
            continue  # no one writes an exponent with a unit
        found = numbers.quantity(text)
        assert not isinstance(found, Problem)
        assert numbers.in_measure(found, "seconds") == value


@given(st.integers(0, 119), st.integers(0, 59))
def test_minutes_and_seconds_agree_in_every_spelling(minutes, seconds):
    spellings = [
        f"{minutes}:{seconds:02d}",
        f"{minutes}m{seconds:02d}s",
        f"{minutes} min {seconds}",
    ]
    read = {numbers.quantity(text) for text in spellings}
    assert read == {numbers.Quantity(60.0 * minutes + seconds, "s")}


@given(st.text(max_size=12) | st.floats() | st.integers() | st.booleans() | st.none() | st.dates())
def test_any_cell_gives_a_quantity_or_a_reason(cell):
    for reader in (numbers.quantity, numbers.load, numbers.out_of_ten, numbers.set_number):
        outcome = reader(cell)
        if isinstance(outcome, Problem):
            assert outcome.reason.endswith(".")
        elif isinstance(outcome, float):
            assert math.isfinite(outcome)
