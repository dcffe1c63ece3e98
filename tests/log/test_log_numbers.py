"""Numbers as people write them."""

from __future__ import annotations

import datetime as dt
import math
from decimal import Decimal

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reading import outcomes, read_cells

from forecast.ladder import Criterion, Ladder, Rung
from forecast.log import read_log

LADDER = Ladder(
    "Invented",
    tuple(
        Rung(measure, measure, "", Criterion(measure, 10.0), needs=())
        for measure in ("seconds", "reps", "kg", "cm")
    ),
)
SECONDS = Ladder("Invented", (Rung("lean_10", "Lean", "", Criterion("seconds", 10.0)),))


def values_of(cells, measures, **options):
    frame = pd.DataFrame({"athlete": "Bo", "date": "2026-04-03", "rung": measures})
    frame["value"] = pd.Series(list(cells), dtype=object)
    return outcomes(read_log(frame, LADDER, **options), "value")


def cells_of(column, cells, mapping=None):
    return outcomes(read_cells(SECONDS, column, cells, mapping), column)


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


def test_a_value_is_read_in_the_measure_of_its_rung():
    cells, measures, values = zip(*READ, strict=True)
    for cell, found, value in zip(cells, values_of(cells, measures), values, strict=True):
        if value is None:
            assert found.kind == "number", cell
        else:
            assert found == pytest.approx(value, rel=1e-12), cell


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
    ("12 parsecs", "seconds", "word", "'parsecs'"),
    ("1:75", "seconds", "number", "end at 59"),
    ("3x10", "reps", "reading", "3 sets of 10"),
    ("3x15kg", "kg", "reading", "3 sets at 15 kg"),
    ("2 × 15 lbs", "kg", "reading", "2 sets at 15 lb"),
    ("12+", "seconds", "reading", "called at the mark"),
    (">12", "seconds", "number", "under stopped"),
    ("12-15", "seconds", "reading", "a range, of which 12 counts"),
    ("fell", "seconds", "number", "0 for a miss"),
    ("soon", "seconds", "number", "write it like"),
    (True, "reps", "number", "'true' is not a number"),
    (dt.date(2026, 5, 12), "reps", "number", "2026-05-12"),
    ("1,234", "seconds", "number", "1.234 or 1234"),
    ("2024-06-10", "seconds", "number", "is a date, not a value"),
    ("03/06/2024", "reps", "number", "is a date, not a value"),
    ("3.6.2024", "reps", "number", "is a date, not a value"),
    ("03/06/24", "reps", "number", "is a date, not a value"),
    ("3 Jun 2024", "reps", "number", "is a date, not a value"),
    ("2024-06-10 18:30", "cm", "number", "is a date, not a value"),
    ("6:30 pm", "seconds", "number", "is a time of day, not a value"),
    ("18:30 Uhr", "seconds", "number", "is a time of day, not a value"),
    ("85 %", "seconds", "number", "is a percentage, not a value; write what was reached in sec"),
    ("85%", "reps", "number", "is a percentage"),
    ("12 €", "reps", "number", "is not a number"),
    ("555-0199", "reps", "number", "is not a number"),
    (np.timedelta64(5, "Y"), "seconds", "unit", "'years'"),
]


def test_a_value_that_can_be_no_value_is_refused_with_a_reason():
    cells, measures, kinds, words = zip(*REFUSED, strict=True)
    found = values_of(cells, measures)
    for cell, one, kind, part in zip(cells, found, kinds, words, strict=True):
        assert one.kind == kind, cell
        assert part in one.reason, cell


def test_dates_are_not_sets_and_sets_are_not_dates():
    frame = pd.DataFrame({"athlete": "Bo", "date": ["2026-04-03", "2026-04-04"], "rung": "reps"})
    frame["value"] = ["10/9/8", "10-9-8"]
    assert sorted(read_log(frame, LADDER).sets["value"]) == [8.0, 8.0, 9.0, 9.0, 10.0, 10.0]


@pytest.mark.parametrize(
    ("text", "decimal", "value"),
    [
        ("1,234", ",", 1.234),
        ("1.234", None, 1.234),
        ("1.234", ",", 1234.0),
        ("1.234", ".", 1.234),
        ("1.234,5", None, 1234.5),
        ("1,234.5", None, 1234.5),
        ("12.5", ",", 12.5),
    ],
)
def test_points_and_commas(text, decimal, value):
    mapping = {"read": {"decimal": decimal}} if decimal else None
    assert values_of([text], ["seconds"], mapping=mapping) == [pytest.approx(value, rel=1e-15)]


def test_a_comma_may_stand_for_thousands():
    (found,) = outcomes(
        read_cells(SECONDS, "load_kg", ["1,234"], {"read": {"decimal": "."}}), "row"
    )
    assert found.facts["number"] == 1234.0


def test_the_pound_is_the_agreed_one():
    # International yard and pound agreement of 1959, NIST SP 811: 1 lb = 0.45359237 kg exactly
    # and 1 kg = 2.2046226218 lb
    found = cells_of("load_kg", ["1 lb", "2.2046226218 lb"])
    assert found[0] == 0.45359237
    assert found[1] == pytest.approx(1.0, abs=1e-10)


LOADS = [
    ("", "kg", None), (None, "kg", None), ("-", "kg", None), ("10", "kg", 10.0),
    ("10", "lb", 4.5359237), ("10 kg", "lb", 10.0), (10, "lb", 4.5359237), ("bw", "kg", 0.0),
    ("BW + 10", "kg", 10.0), ("12,5kg", "kg", 12.5),
]  # fmt: skip


@pytest.mark.parametrize(("cell", "unit", "value"), LOADS)
def test_loads(cell, unit, value):
    mapping = {"columns": {"load_kg": "load"}, "read": {"load_unit": unit}}
    (found,) = outcomes(read_cells(SECONDS, "load", [cell], mapping), "load_kg")
    assert math.isnan(found) if value is None else found == pytest.approx(value, rel=1e-12)


NOT_ONE = [
    ("load_kg", ["-5", "12s", "heavy", "501", "3x10", "3x15kg", "2x15lb"]),
    ("effort", ["11", "-1", -1, "70/100", "a bit", True, float("inf")]),
    ("pain", ["11", "-1", -1, "70/100", "a bit", True, float("inf")]),
    ("set", ["0", 0, "-1", 1.5, "one", "99999999", True]),
]


@pytest.mark.parametrize(("column", "cells"), NOT_ONE)
def test_what_is_no_load_effort_pain_or_number_of_a_set(column, cells):
    found = cells_of(column, cells)
    assert [one.column for one in found] == [column] * len(cells)
    if column in {"effort", "pain"}:
        assert all("0 to 10" in one.reason for one in found)


def test_effort_and_pain():
    cells = ["7", "7/10", "RPE 8", "7,5", 0, "none", ""]
    assert cells_of("effort", cells)[:-1] == [7.0, 7.0, 8.0, 7.5, 0.0, 0.0]
    assert math.isnan(cells_of("pain", cells)[-1])


def test_set_numbers():
    assert cells_of("set", ["1", 2.0, "3.0", "set 4", "#5"]) == [1, 2, 3, 4, 5]


@settings(max_examples=6, deadline=None)
@given(st.lists(st.floats(min_value=0, max_value=7200, allow_nan=False), min_size=5, max_size=30))
def test_a_number_comes_back_as_it_was_written(values):
    written = [v for v in values if "e" not in repr(v)]  # no one writes an exponent with a unit
    cells = [*map(repr, values), *(f"{value!r} s" for value in written)]
    assert values_of(cells, ["seconds"] * len(cells)) == [*values, *written]


def test_minutes_and_seconds_agree_in_every_spelling():
    cells, values = [], []
    for minutes, seconds in [(0, 0), (0, 7), (1, 5), (9, 59), (59, 30), (119, 59)]:
        cells += [
            f"{minutes}:{seconds:02d}",
            f"{minutes}m{seconds:02d}s",
            f"{minutes} min {seconds}",
        ]
        values += [60.0 * minutes + seconds] * 3
    assert values_of(cells, ["seconds"] * len(cells)) == values


ANY = st.text(max_size=12) | st.floats() | st.integers() | st.booleans() | st.none() | st.dates()


@settings(max_examples=6, deadline=None)
@given(st.lists(ANY, min_size=5, max_size=20))
def test_any_cell_gives_a_quantity_or_a_reason(cells):
    for column in ("value", "load_kg", "effort", "pain", "set"):
        log = read_cells(SECONDS, column, cells)
        assert np.isfinite(log.sets[column].dropna()).all()
        assert log.rejected["reason"].str.endswith(".").all()


def first_values(cells, measure, /, **mapping):
    """What each cell of values, each in a log of its own, became: its values, or its problem."""
    made = []
    for cell in cells:
        frame = pd.DataFrame({"athlete": "Bo", "date": "2026-04-03", "rung": [measure]})
        frame["value"] = pd.Series([cell], dtype=object)
        log = read_log(frame, LADDER, mapping=mapping)
        made.append(log.problems[0][0] if log.problems else sorted(log.sets["value"]))
    return made


def test_a_comma_before_three_digits_is_thousands_or_two_sets_and_asked_about():
    dot = {"read": {"decimal": "."}}
    (asked,) = first_values(["1,234"], "cm", **dot)
    assert (asked.kind, asked.key) == ("reading", "1,234")
    assert "1234" in asked.reason
    assert "a set of 1 and one of 234" in asked.reason
    for answer, values in (("thousands", [1234.0]), ("sets", [1.0, 234.0])):
        cells = {"1,234": answer}
        assert first_values(["1,234"], "cm", **dot, cells=cells) == [values]
        assert first_values(["1,234"], "cm", cells=cells) == [values]
    assert first_values(["12,9"], "cm", **dot) == [[9.0, 12.0]]


def test_a_decimal_comma_beside_lists_of_sets_is_asked_about():
    frame = pd.DataFrame({"athlete": "Bo", "date": ["2026-04-03", "2026-04-04"], "rung": "cm"})
    frame["value"] = ["260,230", "10,9,8"]
    log = read_log(frame, LADDER, mapping={"read": {"decimal": ","}})
    assert [row[0].key for row in log.problems] == ["10,9"]
    mapping = {"read": {"decimal": ","}, "cells": {"10,9": "sets"}}
    assert sorted(read_log(frame, LADDER, mapping=mapping).sets["value"])[-2:] == [230.0, 260.0]


def test_a_time_of_day_is_not_a_time_held():
    asked = first_values(["18:30", "7:05"], "seconds")
    assert [one.key for one in asked] == ["18:30"] * 2
    assert "18 min 30 s" in asked[0].reason
    assert "a time of day" in asked[0].reason
    minutes = {"18:30": "minutes"}
    assert first_values(["18:30", "7:05"], "seconds", cells=minutes) == [[1110.0], [425.0]]
    (refused,) = first_values(["18:30"], "seconds", cells={"18:30": "none"})
    assert refused.what == "clock_as_value"
    # near the mark, or before any session begins, it is what was held
    assert first_values(["0:12", "1:05", "4:59"], "seconds") == [[12.0], [65.0], [299.0]]
    long = Ladder("Invented", (Rung("hang", "Hang", "", Criterion("seconds", 600.0)),))
    frame = pd.DataFrame({"athlete": "Bo", "date": "2026-04-03", "rung": "hang", "value": ["8:30"]})
    assert read_log(frame, long).sets["value"].item() == 510.0


def test_a_typed_time_of_day_may_have_been_meant_as_minutes_and_seconds():
    (asked, refused) = first_values([dt.time(0, 12), dt.time(18, 30)], "seconds")
    assert asked.key == "18:30"
    assert refused.what == "clock_as_value"
    for answer, value in (("minutes", 12.0), ("hours", 720.0)):
        cells = {"18:30": answer}
        assert first_values([dt.time(0, 12)], "seconds", cells=cells) == [[value]]
