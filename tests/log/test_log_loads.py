"""Loads that were not noted, or can't be checked: what is presumed, and that it is said."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from forecast.ladder import Criterion, Ladder, Rung
from forecast.log import describe_log, load_marks, read_log


@pytest.fixture
def loaded_ladder():
    """One rung without a load, one with kilograms, one with half of body mass."""
    return Ladder(
        "Loads",
        (
            Rung("lean", "Lean", "", Criterion("seconds", 10.0)),
            Rung("lift", "Lift", "", Criterion("reps", 8.0, load_kg=2.0)),
            Rung("pull", "Pull", "", Criterion("reps", 5.0, load_bodyweight=0.5)),
        ),
    )


def read(ladder, rows, masses=None):
    frame = pd.DataFrame(rows, columns=["athlete", "rung", "load_kg"])
    frame["date"] = (pd.Timestamp("2026-03-02") + pd.to_timedelta(frame.index, "D")).astype("str")
    roster = None
    if masses is not None:
        roster = pd.DataFrame({"athlete": list(masses), "body_mass_kg": list(masses.values())})
    log = read_log(frame.assign(value=6), ladder, roster=roster)
    assert log.rejected.empty
    return log


def loaded(log):
    marks = load_marks(log.sets, log.ladder, log.roster)
    return marks.set_index([log.sets["athlete"], log.sets["rung"], log.sets["load_kg"].fillna(0)])


def test_a_fraction_of_a_known_mass_is_checked_and_nothing_is_said(loaded_ladder):
    log = read(loaded_ladder, [["Ann", "pull", 30], ["Ann", "pull", 29]], {"Ann": 60.0})
    marks = loaded(log)["loaded"]
    assert marks["Ann", "pull", 30]
    assert not marks["Ann", "pull", 29]
    assert log.warnings == ()


@pytest.mark.parametrize("masses", [None, {"Ann": np.nan, "Bo": 60.0}, {"Bo": 60.0}])
def test_an_unknown_mass_is_said_with_rung_athletes_and_what_to_do(loaded_ladder, masses):
    rows = [["Ann", "pull", 12], ["Ann", "pull", None], ["Bo", "pull", 12], ["Ann", "lean", None]]
    log = read(loaded_ladder, rows, masses)
    marks = loaded(log)
    assert marks.loc[("Ann", "pull", 12), "loaded"]
    assert np.isnan(marks.loc[("Ann", "pull", 12), "load_asked"])
    # No body mass makes nothing enough.
    assert not marks.loc[("Ann", "pull", 0), "loaded"]
    assert bool(marks.loc[("Bo", "pull", 12), "loaded"]) is (masses is None)
    (said,) = [text for text in log.warnings if "body_mass_kg" in text]
    assert "'pull' asks for a load of 50 % of body mass" in said
    assert "'Ann'" in said
    assert ("'Bo'" in said) is (masses is None)
    assert "Add body_mass_kg to the roster" in said
    assert said in describe_log(log).text


def test_a_load_never_noted_is_taken_as_carried_and_said(loaded_ladder):
    rows = [["Ann", "lift", None], ["Bo", "lift", 1], ["Bo", "lift", None], ["Cy", "pull", None]]
    log = read(loaded_ladder, rows)
    marks = loaded(log)["loaded"]
    assert marks["Ann", "lift", 0]
    assert marks["Cy", "pull", 0]
    assert not marks[["Bo"]].any()
    lift, pull = log.warnings
    assert "'lift' asks for a load of 2 kg" in lift
    assert "'Ann'" in lift
    assert "'Bo'" not in lift
    assert "body_mass_kg" not in lift
    assert "'pull' asks for a load of 50 % of body mass" in pull
    assert "add body_mass_kg to the roster" in pull


def test_rungs_without_a_load_say_nothing(loaded_ladder):
    log = read(loaded_ladder, [["Ann", "lean", None], ["Bo", "lean", 5]])
    assert loaded(log)["loaded"].all()
    assert (loaded(log)["load_asked"] == 0).all()
    assert log.warnings == ()


def test_of_many_athletes_some_are_named_and_the_rest_counted(loaded_ladder):
    log = read(loaded_ladder, [[f"P{n:02d}", "pull", 20] for n in range(11)])
    (said,) = log.warnings
    assert "'P07' and 3 more" in said
    assert "P08" not in said


def test_an_empty_log_has_no_loads_to_speak_of(loaded_ladder):
    log = read(loaded_ladder, [["Ann", "lean", None]])
    marks = load_marks(log.sets.iloc[:0], loaded_ladder, log.roster)
    assert len(marks) == 0
