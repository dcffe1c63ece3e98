"""Sets to sessions to spells: what counts, what meets, what clears, and when."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forecast.histories import CLEARED, OPEN, build_histories
from forecast.ladder import Criterion, Ladder, Rung
from forecast.log import read_log

DAY0 = pd.Timestamp("2025-01-06")


def one_rung(**criterion):
    """A ladder of one rung, ten seconds unless told otherwise."""
    full = {"measure": "seconds", "target": 10.0, **criterion}
    return Ladder("One", (Rung("hang", "Hang", "", Criterion(**full)),))


def spell_of(ladder, sets, roster=None, as_of=None):
    """The single spell of sets given as dictionaries with ``day`` and ``value``."""
    frame = pd.DataFrame(sets).assign(athlete="Bo", rung="hang")
    frame["date"] = (DAY0 + pd.to_timedelta(frame.pop("day"), unit="D")).astype("str")
    log = read_log(frame, ladder, roster=roster)
    assert log.rejected.empty
    histories = build_histories(log, as_of)
    (spell,) = histories.spells.to_dict("records")
    return histories, spell


def cleared_day(ladder, sets, **more):
    _, spell = spell_of(ladder, sets, **more)
    return None if pd.isna(spell["cleared_on"]) else (spell["cleared_on"] - DAY0).days


def days_of(values):
    return [{"day": 3 * n, "value": value} for n, value in enumerate(values)]


# one set ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("row", "clears"),
    [
        ({"value": 10}, True),
        ({"value": 9.9}, False),
        ({"value": 14, "clean": "no"}, False),
        ({"value": 14, "assist": "band"}, False),
        ({"value": 10, "stopped": "target"}, True),
        ({"value": 11, "stopped": "choice"}, True),
    ],
)
def test_only_a_clean_unassisted_set_at_the_mark_clears(row, clears):
    assert (cleared_day(one_rung(), [{"day": 0, **row}]) == 0) is clears


def test_a_session_is_as_good_as_its_best_counting_set():
    rows = [
        {"day": 0, "value": 8, "clean": "yes"},
        {"day": 0, "value": 30, "clean": "no"},
        {"day": 0, "value": 9, "clean": "yes"},
    ]
    histories, _ = spell_of(one_rung(), rows)
    session = histories.sessions.iloc[0]
    assert (session["n_sets"], session["n_counting"], session["best"]) == (3, 2, 9.0)
    assert not session["meets"]


# load: 15 lb dumbbells are 6.8 kg each; common practice, no source
@pytest.mark.parametrize(
    ("noted", "clears"),
    [([13.6], True), ([13.2], True), ([12.9], False), ([None], True), ([None, 10.0], False)],
)
def test_a_load_asked_for_must_be_there_unless_none_is_ever_noted(noted, clears):
    rows = [{"day": 3 * n, "value": 12, "load_kg": kg} for n, kg in enumerate(noted)]
    assert (cleared_day(one_rung(load_kg=13.6), rows) is not None) is clears


@pytest.mark.parametrize(("mass", "clears"), [(60.0, True), (80.0, False)])
def test_a_load_as_a_part_of_body_mass_goes_by_the_roster(mass, clears):
    roster = pd.DataFrame({"athlete": ["Bo"], "body_mass_kg": [mass]})
    rows = [{"day": 0, "value": 12, "load_kg": 15.0}]
    done = cleared_day(one_rung(load_bodyweight=0.25), rows, roster=roster)
    assert (done is not None) is clears


# sessions in a row --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("confirm", "values", "day"),
    [
        (1, [8, 11, 8], 3),
        (2, [8, 11, 11], 6),
        (2, [11, 8, 11, 9, 11], None),
        (2, [11, 8, 11, 11, 2], 9),
        (3, [11, 11, 8, 11, 11, 11], 15),
    ],
)
def test_a_rung_is_cleared_on_the_last_session_of_the_run(confirm, values, day):
    assert cleared_day(one_rung(confirm_sessions=confirm), days_of(values)) == day


def test_two_good_sets_on_one_day_are_one_session():
    rows = [{"day": 0, "value": 11}, {"day": 0, "value": 12}]
    assert cleared_day(one_rung(confirm_sessions=2), rows) is None


def brute_force_day(meets, confirm):
    """First place at which ``confirm`` in a row have met, by the words of the rule."""
    for place in range(len(meets)):
        window = meets[max(0, place - confirm + 1) : place + 1]
        if len(window) == confirm and all(window):
            return 3 * place
    return None


@settings(max_examples=12, deadline=None)
@given(st.lists(st.booleans(), min_size=1, max_size=14), st.integers(1, 4))
def test_any_course_is_cleared_as_the_words_say(meets, confirm):
    values = [11 if met else 5 for met in meets]
    histories, spell = spell_of(one_rung(confirm_sessions=confirm), days_of(values))
    day = brute_force_day(meets, confirm)
    assert spell["outcome"] == (OPEN if day is None else CLEARED)
    if day is None:
        trailing = next((n for n, met in enumerate(reversed(meets)) if not met), len(meets))
        assert spell["run"] == trailing
        assert len(histories.sessions) == len(meets)
    else:
        assert spell["cleared_on"] == DAY0 + pd.Timedelta(days=day)
        # Nothing after clearing is part of the spell; it is kept aside.
        assert len(histories.sessions) == day // 3 + 1
        assert len(histories.after_clearing) == len(meets) - day // 3 - 1
    runs = histories.sessions["run"].tolist()
    expected, run = [], 0
    for met in meets[: len(runs)]:
        run = run + 1 if met else 0
        expected.append(run)
    assert runs == expected


def test_weeks_are_days_over_seven():
    _, spell = spell_of(one_rung(), days_of([5, 6, 7, 11]))
    assert spell["weeks"] == pytest.approx(9 / 7)
    assert spell["clear_lower"] == pytest.approx(6 / 7)
    assert spell["before_clearing"] == DAY0 + pd.Timedelta(days=6)


def test_the_first_session_may_clear():
    _, spell = spell_of(one_rung(), days_of([12]))
    assert spell["outcome"] == CLEARED
    assert spell["weeks"] == 0.0
    assert np.isnan(spell["clear_lower"])
