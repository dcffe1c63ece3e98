"""Dates, weeks and chances as people say them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from forecast.report import words

AS_OF = pd.Timestamp("2026-06-01")


@pytest.mark.parametrize(
    ("day", "width", "said"),
    [
        ("2026-07-12", 3.0, "about 12 July"),
        ("2027-01-12", 3.0, "about 12 January 2027"),
        ("2026-07-12", 20.0, "mid-July"),
        ("2026-07-10", 20.0, "early July"),
        ("2026-07-21", 20.0, "late July"),
        ("2027-07-21", np.nan, "late July 2027"),
        ("2026-07-12", 6.0, "about 12 July"),
    ],
)
def test_a_date_is_said_no_finer_than_it_is_known(day, width, said):
    assert words.say_date(pd.Timestamp(day), AS_OF, range_weeks=width) == said


@pytest.mark.parametrize(
    ("weeks", "said"),
    [
        (0.4, "less than a week"),
        (1.2, "about 1 week"),
        (6.4, "about 6 weeks"),
        (26.0, "about 26 weeks (6 months)"),
        (np.nan, "more than 52 weeks"),
    ],
)
def test_weeks(weeks, said):
    assert words.say_weeks(weeks, 52) == said


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [
        (3.2, 14.4, "3 to 14 weeks"),
        (0.1, 4.0, "less than 1 to 4 weeks"),
        (14.0, np.nan, "14 to more than 52 weeks"),
        (np.nan, np.nan, "more than 52 weeks"),
        (3.8, 4.2, "about 4 weeks"),
        (0.1, 0.9, "1 week or less"),
    ],
)
def test_ranges(low, high, said):
    assert words.say_range(low, high, 52) == said


@pytest.mark.parametrize(
    ("chance", "said"),
    [
        (0.0, "less than 1 in 50"),
        (0.05, "about 1 in 20"),
        (0.08, "about 1 in 10"),
        (0.31, "about 3 in 10"),
        (0.92, "about 9 in 10"),
        (0.95, "about 19 in 20"),
        (1.0, "more than 49 in 50"),
        (np.nan, "not known"),
    ],
)
def test_chances(chance, said):
    assert words.say_chance(chance) == said


def test_chances_said_never_fall_as_they_rise():
    said = [words.say_chance(p) for p in np.linspace(0, 1, 501)]
    order = list(dict.fromkeys(said))
    assert said == sorted(said, key=order.index)


@pytest.mark.parametrize(
    ("value", "measure", "said"),
    [(7.61, "seconds", "7.6 s"), (3.0, "reps", "3 reps"), (62.4, "kg", "62 kg")],
)
def test_values_carry_their_unit_and_do_not_part_from_it(value, measure, said):
    assert words.say_value(value, measure) == said.replace(" ", "\u00a0")
