"""Numbers, dates, ranges and chances in words: one way each."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from forecast import words

AS_OF = pd.Timestamp("2026-06-01")


@pytest.mark.parametrize(
    ("chance", "text"),
    [
        (0.0, "less than 1 in 100"), (0.02, "about 1 in 50"), (0.03, "about 1 in 20"),
        (0.07, "about 1 in 10"), (0.5, "about 5 in 10"), (0.95, "about 19 in 20"),
        (1.0, "more than 99 in 100"), (np.nan, "not known"),
    ],
)  # fmt: skip
def test_chances(chance, text):
    assert words.say.chance(chance) == text


@pytest.mark.parametrize(
    ("chance", "text"),
    [(0.0, "<1 %"), (0.01, "1 %"), (0.555, "56 %"), (0.995, ">99 %"), (1.0, ">99 %"),
     (np.nan, "-")],
)  # fmt: skip
def test_per_cent_is_never_sure(chance, text):
    assert words.say.percent(chance) == text


@pytest.mark.parametrize(
    ("gain", "text"),
    [(0.016, "+1.6 %"), (-0.004, "−0.4 %"), (0.0001, "0 %"), (0.124, "+12 %"), (0.0995, "+10 %")],
)
def test_gains_have_one_sign(gain, text):
    assert words.say.gain(gain) == text


def test_values_in_their_units():
    told = [words.say.value(*pair).replace(words.say.NBSP, " ") for pair in
            [(7.6, "seconds"), (7.02, "seconds"), (23.4, "seconds"), (1.0, "reps"), (1.998, "reps"),
             (82.5, "kg")]]  # fmt: skip
    assert told == ["7.6 s", "7 s", "23 s", "1 rep", "2 reps", "82 kg"]


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [(0.1, 3.7, "<1 to 4"), (6.3, np.nan, "6 to > 52"), (np.nan, np.nan, "> 52"),
     (0.1, np.nan, "cannot say yet"), (4.2, 4.4, "4")],
)  # fmt: skip
def test_ranges_of_weeks_are_whole(low, high, text):
    assert words.say.span(low, high, 52) == text


def test_dates_are_no_finer_than_known():
    day = pd.Timestamp("2027-01-15")
    assert words.say.half(day, 1.0, 4.0, 52, AS_OF) == "about 15 January 2027"
    assert words.say.half(day, 1.0, 31.0, 52, AS_OF) == "mid-January 2027"
    assert words.say.half(day, 1.0, np.nan, 52, AS_OF) == "mid-January 2027"
    assert words.say.half(pd.NaT, 3.0, np.nan, 52, AS_OF) == "> 52 weeks"


def test_how_long_ago():
    assert [words.say.ago(w) for w in (0.0, 1 / 7, 0.6, 2.0, 53.2)] == [
        "yesterday", "yesterday", "4 days ago", "2 weeks ago", "53 weeks ago",
    ]  # fmt: skip


def test_every_reader_is_told_the_same_figures(small_view):
    for row in small_view.rows:
        coach, analyst, athlete = (
            tell(row) for tell in (words.for_coach, words.for_analyst, words.for_athlete)
        )
        for name in ("state", "stands", "weeks", "half_by", "headline"):
            assert getattr(coach, name) == getattr(analyst, name) == getattr(athlete, name)
        assert all((coach.next_step, athlete.next_step, coach.why, athlete.why))
        if row.hold:
            assert not coach.chances
            assert coach.weeks == words.ON_HOLD
