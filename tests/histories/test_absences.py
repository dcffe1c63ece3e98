"""Absences: what the log says of those that ended, and when in the year they do."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from forecast.histories import (
    ABSENCE_DAYS,
    Absences,
    absence_law,
    analogues,
    build_histories,
    longer_than,
    seen_shares,
    weeks_until_back,
)
from forecast.ladder import Criterion, Ladder, Rung
from forecast.log import read_log

LADDER = Ladder("One", (Rung("hang", "Hang", "", Criterion("seconds", 10.0)),))


def histories_of(days, as_of):
    """One athlete a list of day numbers, a short hold on each."""
    rows = [(f"a{i}", "hang", day, 3) for i, own in enumerate(days) for day in own]
    frame = pd.DataFrame(rows, columns=["athlete", "rung", "day", "value"])
    frame["date"] = pd.to_datetime(frame.pop("day"), unit="D").astype("str")
    return build_histories(read_log(frame, LADDER), pd.to_datetime(as_of, unit="D"))


def test_long_absences_hidden_by_the_cut_are_put_back():
    """Exponential gaps, mean 30 days, begun at random in 100 days; seen only if they end in time.

    Truth: of gaps up to 100 days, (exp(-2) - exp(-10/3)) / (1 - exp(-10/3)) are above 60.
    """
    rng = np.random.default_rng(3)
    length, began = rng.exponential(30.0, 20_000), rng.uniform(0.0, 100.0, 20_000)
    seen = np.flatnonzero(began + length < 100.0)
    seen = seen[np.argsort(length[seen])]
    share = seen_shares(length[seen], 100.0 - began[seen])
    true = (np.exp(-2) - np.exp(-10 / 3)) / (1 - np.exp(-10 / 3))
    assert share.sum() == pytest.approx(1.0)
    assert share[length[seen] > 60.0].sum() == pytest.approx(true, rel=0.1)
    assert (length[seen] > 60.0).mean() < 0.7 * true  # as the log shows them


def test_without_a_cut_in_the_way_every_gap_counts_alike():
    length = np.array([1.0, 2.0, 2.0, 5.0])
    np.testing.assert_allclose(seen_shares(length, np.full(4, 1e6)), 0.25, rtol=0.2)


def test_only_absences_are_kept_and_who_never_came_back_is_no_part_of_them():
    law = absence_law(histories_of([[0, 3, 6, 40, 43], [0, 2, 4]], 400))
    assert law.length.tolist() == [34.0]
    assert law.began.tolist() == [6.0]
    assert 0.0 < law.share[0] < 0.5


def test_of_very_many_absences_some_stand_for_all(monkeypatch):
    histories = histories_of([np.cumsum(np.r_[0, np.arange(22, 62)])], 3000)
    whole = absence_law(histories)
    monkeypatch.setattr("forecast.histories.rules.MAX_ABSENCES", 10)
    some = absence_law(histories)
    assert (len(whole.length), len(some.length)) == (40, 10)
    assert (some.length[0], some.length[-1]) == (22.0, 61.0)
    assert some.share.sum() == pytest.approx(whole.share.sum())
    assert longer_than(some, np.array([40.0])) == pytest.approx(
        longer_than(whole, np.array([40.0])), rel=0.15
    )


def test_absences_end_when_they_end_at_this_time_of_the_year():
    """Off-seasons from June on, of six to sixteen weeks, that all end on one day of September."""
    began = np.array([y * 364.0 + 160 + d for y in range(4) for d in range(0, 70, 5)])
    length = np.array([y * 364.0 + 270 for y in range(4) for d in range(0, 70, 5)]) - began
    # Injuries of five months, at any time.
    other = np.linspace(0.0, 1300.0, 40)
    law = Absences(
        np.r_[length, np.full(40, 150.0)], np.r_[began, other],
        np.full(len(began) + 40, 0.002), prior=0.0005,
    )  # fmt: skip
    order = np.argsort(law.length, kind="stable")
    law = Absences(law.length[order], law.began[order], law.share[order], law.prior)
    today = 5 * 364.0 + 220
    summer, _ = weeks_until_back(law, np.array([45.0]), today)
    winter, _ = weeks_until_back(law, np.array([45.0]), 5 * 364.0 + 20)
    assert 7.0 * summer[0] == pytest.approx(50.0, abs=15.0)
    assert 7.0 * winter[0] == pytest.approx(105.0, abs=15.0)


@pytest.mark.parametrize("elapsed", [0.0, 30.0, 100.0, 5000.0])
def test_one_athlete_with_one_session_has_an_answer(elapsed):
    law = absence_law(histories_of([[0]], 500))
    lengths, weights = analogues(law, elapsed, 500.0)
    assert (lengths >= max(elapsed, ABSENCE_DAYS)).all()
    assert weights.sum() > 0
    half, count = weeks_until_back(law, np.array([elapsed]), 500.0)
    assert np.isfinite(half).all()
    assert count.tolist() == [0]


def test_weights_of_analogues_add_up_to_the_share_as_long():
    law = Absences(np.array([30.0, 90.0]), np.array([0.0, 100.0]), np.full(2, 0.01), prior=0.002)
    for elapsed in (10.0, 50.0, 200.0):
        total = analogues(law, elapsed, 77.0)[1].sum()
        assert total == pytest.approx(longer_than(law, np.array([elapsed]))[0])
