"""What a spell's own record shows, on logs small enough to count by hand."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from forecast.histories import build_histories
from forecast.ladder import Criterion, Ladder, Rung
from forecast.log import read_log
from forecast.readiness import shown

DAY0 = pd.Timestamp("2026-01-05")
LADDER = Ladder(
    "Three at once",
    (
        Rung("hang", "Hang", "", Criterion("seconds", 30.0), needs=()),
        Rung("pull", "Pull", "", Criterion("reps", 9.0), needs=()),
        Rung("heavy", "Heavy", "", Criterion("reps", 9.0, load_kg=20.0), needs=()),
    ),
)


def histories_of(rows, as_of=None):
    """Rows of rung, day, value and other columns, all of one athlete."""
    frame = pd.DataFrame(
        [{"athlete": "Al", "rung": r, "day": d, "value": float(v)} | more for r, d, v, more in rows]
    )
    frame["date"] = DAY0 + pd.to_timedelta(frame.pop("day"), unit="D")
    frame["set"] = frame.groupby(["rung", "date"]).cumcount() + 1
    log = read_log(frame, LADDER)
    assert not len(log.rejected)
    return build_histories(log, None if as_of is None else DAY0 + pd.Timedelta(days=as_of))


def spell_of(histories, rung):
    return np.flatnonzero(histories.spells["rung"] == rung)


def test_a_usual_day_is_written_down_in_units():
    """Reps are whole: 7.6 are written as 7, half a one less on average; never below none."""
    level = np.log(np.array([7.6, 7.6, 0.3]) / 10.0)
    found = shown.usual_value(level, np.full(3, 10.0), np.array([True, False, True]))
    np.testing.assert_allclose(found, [7.1, 7.6, 0.0])


def test_the_most_that_was_shown():
    histories = histories_of(
        [
            ("hang", 0, 7, {}), ("hang", 0, 12, {"assist": "band"}), ("hang", 2, 9, {}),
            ("pull", 0, 4, {}), ("pull", 0, 6, {"clean": "no"}),
            ("heavy", 0, 0, {"load_kg": 20.0}), ("heavy", 2, 0, {"load_kg": 20.0}),
        ]
    )  # fmt: skip
    order = [spell_of(histories, rung)[0] for rung in ("pull", "hang", "heavy")]
    found = shown.highest_shown(histories, np.array(order), {"seconds": 1.0})
    assert found.tolist() == [4.0, 9.5, 0.0]  # reps as they stand; 9 s may have been 9.5
    helped = histories_of([("hang", 0, 7, {"assist": "band"}), ("hang", 2, 0, {"assist": "band"})])
    assert shown.highest_shown(helped, np.array([0]), {"seconds": 1.0}).tolist() == [7.5]


def trained(days, as_of=100):
    date = DAY0 + pd.to_timedelta(pd.Series(days), unit="D")
    sessions = pd.DataFrame({"spell": 0, "date": date, "n_sets": 1, "n_counting": 1})
    histories = SimpleNamespace(sessions=sessions, as_of=DAY0 + pd.Timedelta(days=as_of))
    return shown.training_lately(histories, np.array([0])).iloc[0]


def test_sessions_a_week_without_breaks():
    """Weekly but for a break of 28 days: longer than two weeks, and than three usual gaps."""
    row = trained([0, 7, 14, 42, 49])
    assert row["rate"] == pytest.approx(1.0)
    assert row["break_days"] == 28.0
    # Every fourteen days is somebody's rhythm, and so is thirty after gaps of ten.
    assert trained([0, 14, 28])["break_days"] == 0.0
    assert trained([0, 10, 20, 50])["break_days"] == 0.0
    assert trained([0, 10, 20, 51])["break_days"] == 31.0
    assert trained([0, 10, 20, 50])["rate"] == pytest.approx(7 * 3 / 50)
    # Two or three days as a rule: fourteen days are not yet a break, fifteen are.
    assert trained([0, 2, 4, 18])["break_days"] == 0.0
    assert trained([0, 2, 4, 19])["break_days"] == 15.0


def test_only_the_latest_eight_sessions_tell_the_rate():
    """Eight gaps end in the latest eight sessions: seven of a week and the one before them."""
    days = [0, 1, 2, *range(3, 60, 7)]  # nine sessions weekly from day 3 on
    assert trained(days)["rate"] == pytest.approx(1.0)


def test_a_single_session_is_one_since_then():
    assert trained([0], as_of=21)["rate"] == pytest.approx(1 / 3)
    assert trained([0], as_of=3)["rate"] == pytest.approx(1.0)  # a week at least


def test_the_share_of_clean_sets():
    histories = histories_of(
        [("hang", 0, 7, {}), ("hang", 0, 7, {"clean": "no"}), ("hang", 2, 7, {}),
         ("hang", 2, 7, {"assist": "band"})]
    )  # fmt: skip
    row = shown.training_lately(histories, np.array([0])).iloc[0]
    assert row["clean_share"] == 0.5


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ([(0, {}), (0, {})], "all 2 sets missed: nothing to measure yet"),
        ([(0, {})], "the only set missed: nothing to measure yet"),
        ([(5, {}), (5, {"clean": "no"})], ""),
        ([(5, {"assist": "band"})], "the only set with help: no clean, unassisted set yet"),
        (
            [(5, {"clean": "no"}), (4, {"clean": "no"}), (0, {"clean": "no"})],
            "all 3 sets unclean: no clean set yet",
        ),
        (
            [(5, {"assist": "band"}), (5, {"clean": "no"})],
            "none of 2 sets was clean, unassisted and loaded as asked",
        ),
    ],
)
def test_why_nothing_counts(rows, words):
    histories = histories_of([("hang", d, value, more) for d, (value, more) in enumerate(rows)])
    assert shown.nothing_counts(histories, np.array([0])) == [words]


def test_meetings_of_the_latest_sessions(monkeypatch):
    """Of 40 sessions two days apart the latest 30; of a spell with breaks those of 12 weeks."""
    day = np.r_[np.arange(40) * 2, [0, 1, 78, 79]]
    panel = SimpleNamespace(length=np.array([40, 4]), last=np.array([39, 43]), day=day)
    meets = np.zeros(44, dtype=bool)
    meets[[0, 9, 10, 39, 40, 42, 43]] = True
    histories = SimpleNamespace(sessions=pd.DataFrame({"meets": meets}))
    monkeypatch.setattr(shown, "chance_met", lambda model, tracked, at: np.full(len(at), 0.2))
    tracked = SimpleNamespace(panel=panel)
    found = shown.meetings(histories, None, tracked, np.array([0, 1]), 85)
    assert found["met_of"].tolist() == [30, 3]  # day 1 is 84 days before day 85, day 0 is not
    assert found["met_lately"].tolist() == [2, 2]
    np.testing.assert_allclose(found["met_expected"], [6.0, 0.6])
    np.testing.assert_allclose(found["met_sd"] ** 2, [30 * 0.16, 3 * 0.16])
