"""Cut dates and what came of the spells open at them."""

from __future__ import annotations

import pandas as pd
import pytest

from forecast.backtest import backtest, draw_cuts, open_at, outcomes_after
from forecast.errors import BacktestError
from forecast.histories import build_histories

DAY0 = pd.Timestamp("2025-01-06")


def at(day):
    return DAY0 + pd.Timedelta(days=day)


def test_cuts_are_blind_and_repeat_with_their_seed(cohort):
    log = cohort.log
    cuts = draw_cuts(log, 5, seed=3)
    assert cuts == draw_cuts(log, 5, seed=3) == sorted(set(cuts))
    assert cuts != draw_cuts(log, 5, seed=4)
    first, last = log.sets["date"].min(), log.sets["date"].max()
    assert all(0.39 < (cut - first) / (last - first) < 0.86 for cut in cuts)
    # Blind: other values on the same dates give the same cuts.
    log.sets["value"] = 1.0
    assert draw_cuts(log, 5, seed=3) == cuts


def test_outcomes_by_hand(make_log):
    weekly = range(0, 141, 7)
    log = make_log(
        [("ann", "hang", day, 12 if day == 70 else 5) for day in weekly if day <= 70]
        + [("bob", "hang", day, 5) for day in weekly]
        + [("cat", "hang", day, 5) for day in weekly if day <= 42]
        + [("dan", "hang", day, 5) for day in weekly if day <= 28]
        + [("eve", "pull", day, 6 if day in (63, 77, 84) else 2) for day in weekly if day <= 84]
    )
    cut = at(35)
    asked = open_at(build_histories(log.before(cut), as_of=cut))
    assert list(asked["athlete"]) == ["ann", "bob", "cat", "dan", "eve"]
    came = outcomes_after(log, cut, asked).set_index("athlete")
    # One day past the last set is the end of the log: day 141.
    assert came["weeks"].to_dict() == pytest.approx(
        {"ann": 5.0, "bob": 106 / 7, "cat": 1.0, "dan": -1.0, "eve": 7.0}
    )
    assert came["cleared"].to_dict() == {
        "ann": True,
        "bob": False,
        "cat": False,
        "dan": False,
        "eve": True,
    }
    assert came["ended_by"].to_dict() == {
        "ann": "cleared",
        "bob": "open",
        "cat": "lapsed",
        "dan": "lapsed",
        "eve": "cleared",
    }


@pytest.mark.parametrize(
    ("cuts", "message"),
    [(["soon"], "not a date"), (["2025-01-06"], "outside the log"), (["2031-01-01"], "outside")],
)
def test_a_cut_that_cannot_be_used_is_named(make_log, cuts, message):
    log = make_log([("ann", "hang", day, 5) for day in (0, 7, 14)])
    with pytest.raises(BacktestError, match=message):
        backtest(log, cuts)


def test_a_short_or_empty_log_gives_no_cuts(make_log):
    with pytest.raises(BacktestError, match="fewer cuts"):
        draw_cuts(make_log([("ann", "hang", day, 5) for day in (0, 3)]), 6)
    for many in (10**18, 10**20):
        with pytest.raises(BacktestError, match="fewer cuts"):
            draw_cuts(make_log([("ann", "hang", day, 5) for day in range(0, 300, 3)]), many)
    with pytest.raises(BacktestError, match="no usable set"):
        draw_cuts(make_log([]), 2)
