"""How spells begin and end: the cut, late entry, lapse, and rungs passed over."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from forecast.errors import HistoryError
from forecast.histories import (
    CLEARED,
    DEFAULT_LAPSE_WEEKS,
    LAPSED,
    OPEN,
    PASSED_OVER,
    build_histories,
)
from forecast.ladder import Criterion, Ladder, Rung
from forecast.log import read_log

DAY0 = pd.Timestamp("2025-01-06")
LADDER = Ladder(
    "Branching",
    (
        Rung("hang", "Hang", "", Criterion("seconds", 10.0)),
        Rung("pull", "Pull", "", Criterion("reps", 5.0), needs=("hang",)),
        Rung("side", "Side", "", Criterion("reps", 5.0), needs=("hang",)),
        Rung("top", "Top", "", Criterion("reps", 5.0), needs=("pull",)),
    ),
)


def log_of(rows):
    frame = pd.DataFrame(rows, columns=["athlete", "rung", "day", "value"])
    frame["date"] = (DAY0 + pd.to_timedelta(frame.pop("day"), unit="D")).astype("str")
    return read_log(frame, LADDER)


def at(day):
    return DAY0 + pd.Timedelta(days=day)


def course(athlete, rung, days, value=3):
    return [(athlete, rung, day, value) for day in days]


def outcomes(rows, as_of=None, **settings):
    spells = build_histories(log_of(rows), as_of, **settings).spells
    return {(s.athlete, s.rung): s.outcome for s in spells.itertuples()}


# the cut ------------------------------------------------------------------------------------


def test_a_spell_still_under_way_ends_at_the_cut():
    histories = build_histories(log_of(course("Bo", "hang", range(0, 30, 3))), at(40))
    (spell,) = histories.spells.to_dict("records")
    assert (spell["outcome"], spell["end"]) == (OPEN, at(40))
    assert spell["weeks"] == pytest.approx(40 / 7)
    assert spell["last_session"] == at(27)


def test_the_cut_day_itself_is_not_known():
    rows = [("Bo", "hang", 0, 5), ("Bo", "hang", 7, 12)]
    assert outcomes(rows, at(7)) == {("Bo", "hang"): OPEN}
    assert outcomes(rows, at(8)) == {("Bo", "hang"): CLEARED}


def test_left_out_the_cut_is_the_day_after_the_last_set():
    histories = build_histories(log_of(course("Bo", "hang", [0, 9])))
    assert histories.as_of == at(10)


def test_a_time_of_day_or_zone_in_the_cut_does_not_matter():
    log = log_of(course("Bo", "hang", [0, 9]))
    for cut in ("2025-01-20 18:30", pd.Timestamp("2025-01-20", tz="Asia/Tokyo")):
        assert build_histories(log, cut).as_of == pd.Timestamp("2025-01-20")


def test_an_empty_log_says_where_the_sets_are():
    log = log_of([("Bo", "hang", 0, -3)])
    with pytest.raises(HistoryError, match=r"no usable set"):
        build_histories(log)


# lapse --------------------------------------------------------------------------------------


def test_an_athlete_lapses_after_twelve_weeks_without_any_set():
    rows = course("Bo", "hang", range(0, 30, 3))
    days = int(DEFAULT_LAPSE_WEEKS * 7)
    assert outcomes(rows, at(27 + days)) == {("Bo", "hang"): OPEN}
    assert outcomes(rows, at(28 + days)) == {("Bo", "hang"): LAPSED}
    assert outcomes(rows, at(27 + 29), lapse_weeks=4) == {("Bo", "hang"): LAPSED}


def test_a_lapsed_spell_ends_with_its_last_session():
    histories = build_histories(log_of(course("Bo", "hang", [0, 3, 6])), at(300))
    (spell,) = histories.spells.to_dict("records")
    assert (spell["end"], spell["weeks"]) == (at(6), pytest.approx(6 / 7))


def test_sets_on_any_rung_keep_an_athlete_from_lapsing():
    rows = course("Bo", "hang", [0, 3], 12) + course("Bo", "side", [6, 9])
    rows += course("Bo", "pull", range(10, 200, 3))
    assert outcomes(rows, at(200))[("Bo", "side")] == OPEN


def test_somebody_measured_once_a_quarter_has_not_lapsed_after_twelve_weeks():
    rows = course("Bo", "hang", range(0, 500, 90))
    assert outcomes(rows, at(450 + 200)) == {("Bo", "hang"): OPEN}
    assert outcomes(rows, at(450 + 361)) == {("Bo", "hang"): LAPSED}


# passed over, late entry --------------------------------------------------------------------


def test_a_rung_left_for_one_that_needs_it_is_passed_over():
    rows = course("Bo", "hang", [0, 3, 6]) + course("Bo", "top", range(20, 200, 3))
    ends = outcomes(rows, at(200))
    assert ends == {("Bo", "hang"): PASSED_OVER, ("Bo", "top"): OPEN}


def test_a_rung_left_for_one_beside_it_is_not():
    rows = course("Bo", "pull", [0, 3, 6]) + course("Bo", "side", range(20, 200, 3))
    assert outcomes(rows, at(200))[("Bo", "pull")] == OPEN


def test_late_entry_is_flagged_for_spells_that_begin_with_the_log():
    rows = course("Bo", "hang", range(0, 60, 3)) + course("Kim", "hang", range(30, 60, 3))
    spells = build_histories(log_of(rows), at(60)).spells.set_index("athlete")
    assert spells["under_way"].to_dict() == {"Bo": True, "Kim": False}


def test_the_first_day_of_the_record_can_be_given():
    log = log_of(course("Kim", "hang", range(30, 60, 3)))
    assert build_histories(log).spells["under_way"].item()
    assert not build_histories(log, log_start=at(0)).spells["under_way"].item()


# ties between the frames --------------------------------------------------------------------


def test_every_set_has_its_session_and_spell(small_log, small_cut):
    histories = build_histories(small_log, small_cut)
    sets, sessions, spells = histories.sets, histories.sessions, histories.spells
    for name in ("athlete", "rung", "date"):
        assert (sets[name].to_numpy() == sessions[name].to_numpy()[sets["session"]]).all()
    for name in ("athlete", "rung", "rung_index"):
        assert (sessions[name].to_numpy() == spells[name].to_numpy()[sessions["spell"]]).all()
    counts = sets.groupby("session").size()
    assert (counts.to_numpy() == sessions["n_sets"].to_numpy()).all()
    assert (np.diff(sessions["spell"]) >= 0).all()
    known = (small_log.sets["date"] < small_cut).sum()
    assert len(sets) + len(histories.after_clearing) == known


def test_the_truth_of_an_invented_cohort_is_found(small_cohort):
    """Clearing dates by the literal rule, found again from the sets alone."""
    histories = build_histories(small_cohort.log)
    found = histories.spells.set_index(["athlete", "rung"])["cleared_on"].dropna()
    truth = small_cohort.truth.set_index(["athlete", "rung"])["cleared"].dropna()
    both = truth.index.intersection(found.index)
    assert len(both) > 20
    assert (truth[both] == found[both]).all()


# names and order ----------------------------------------------------------------------------


def test_names_and_the_order_of_rows_do_not_reach_the_arrays(small_log, small_cut, with_sets):
    names = small_log.athletes
    new = {name: f"z{len(names) - n:02d}" for n, name in enumerate(names)}
    sets = small_log.sets.assign(athlete=small_log.sets["athlete"].map(new))
    renamed = with_sets(small_log, sets.sample(frac=1.0, random_state=1))
    one, other = (build_histories(log, small_cut) for log in (small_log, renamed))
    for name in ("sets", "sessions", "spells"):
        ours = getattr(one, name).drop(columns=["athlete"])
        theirs = getattr(other, name).drop(columns=["athlete"])
        pd.testing.assert_frame_equal(ours, theirs)


def test_the_log_is_left_as_it_was(small_log, small_cut):
    before = small_log.sets.copy(deep=True)
    build_histories(small_log, small_cut)
    pd.testing.assert_frame_equal(small_log.sets, before)
    assert dataclasses.is_dataclass(small_log)
