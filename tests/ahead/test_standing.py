"""Who stands where on a ladder that branches."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from forecast.ahead import ladder_plan, last_needs, stand
from forecast.histories import build_histories
from forecast.ladder import Criterion, Ladder, Rung


def rung(key, *needs, min_weeks=0.0):
    return Rung(key, key.title(), "", Criterion("seconds", 10.0), needs, min_weeks)


LADDER = Ladder(
    "Invented",
    (
        rung("gate"),
        rung("left", "gate", min_weeks=1.5),
        rung("right", "gate"),
        rung("side"),
        rung("top", "left", "right", "side"),
    ),
)


@pytest.fixture
def make_log(small_log, with_sets):
    """Return a maker of a log on ``LADDER`` from (athlete, day, rung, value)."""

    def make(*rows):
        sets = pd.DataFrame(rows, columns=["athlete", "date", "rung", "value"])
        sets["date"] = pd.Timestamp("2026-01-05") + pd.to_timedelta(sets["date"], unit="D")
        plain = {
            "set": 1, "clean": True, "assisted": False, "assist": "none", "load_kg": np.nan,
            "stopped": "failed", "effort": np.nan, "pain": np.nan, "note": "", "file": "t",
            "row": 2,
        }  # fmt: skip
        log = with_sets(small_log, sets.assign(**plain))
        return type(log)(log.sets, log.rejected, (), log.roster, LADDER, log.rows_in)

    return make


def look(log, as_of=40):
    day = pd.Timestamp("2026-01-05") + pd.Timedelta(days=as_of)
    standing = stand(build_histories(log, day), log.athletes)
    keys = np.array(LADDER.keys)
    return [
        (set(keys[standing.behind[0]]), set(keys[standing.presumed[0]]),
         set(keys[standing.under_way[0]]))
    ][0]  # fmt: skip


def test_branches_run_side_by_side_and_a_side_rung_never_logged_counts_in(make_log):
    log = make_log(("ab", 0, "gate", 12), ("ab", 20, "left", 5), ("ab", 21, "right", 5))
    behind, presumed, under_way = look(log)
    assert behind == {"gate"}
    assert presumed == set()
    assert under_way == {"left", "right"}


def test_what_a_begun_rung_needs_is_taken_as_done(make_log):
    behind, presumed, under_way = look(make_log(("ab", 0, "left", 5), ("ab", 20, "left", 6)))
    assert behind == presumed == {"gate"}
    assert under_way == {"left"}


def test_a_rung_still_trained_is_ahead_though_the_next_was_begun(make_log):
    log = make_log(("ab", 0, "gate", 8), ("ab", 20, "left", 5), ("ab", 30, "gate", 9))
    behind, _, under_way = look(log)
    assert behind == set()
    assert under_way == {"gate", "left"}


def test_rungs_before_the_first_ever_logged_are_taken_as_done(make_log):
    behind, presumed, _ = look(make_log(("ab", 0, "right", 5), ("ab", 20, "right", 6)))
    assert behind == presumed == {"gate", "left"}


def test_a_log_that_begins_at_the_foot_of_the_ladder_leaves_its_other_gates_ahead(make_log):
    behind, presumed, under_way = look(make_log(("ab", 0, "side", 5), ("ab", 20, "side", 6)))
    assert behind == presumed == set()
    assert under_way == {"side"}


def test_delays_count_from_the_day_the_last_need_and_its_min_weeks_were_over(make_log):
    """By hand: left opens 1.5 weeks' wait for what needs it, side is cleared earlier."""
    log = make_log(
        ("ab", 0, "gate", 12), ("ab", 5, "left", 8), ("ab", 6, "right", 12), ("ab", 7, "side", 12),
        ("ab", 9, "left", 12), ("ab", 30, "top", 3), ("ab", 33, "top", 4),
    )  # fmt: skip
    histories = build_histories(log, pd.Timestamp("2026-01-05") + pd.Timedelta(days=40))
    steps = last_needs(histories)
    key = histories.spells["rung"]
    found = {key[row.spell]: (key[row.before], row.delay) for row in steps.itertuples()}
    assert found == {
        "left": ("gate", 5.0),
        "right": ("gate", 6.0),
        "top": ("left", 10.0),  # open on day 9 + 10.5, which a session on day 30 follows
    }


def test_clearing_days_count_from_the_cut(make_log):
    log = make_log(("ab", 0, "gate", 12), ("ab", 20, "left", 5))
    day = pd.Timestamp("2026-01-05") + pd.Timedelta(days=40)
    standing = stand(build_histories(log, day), ["ab"])
    assert standing.cleared_day[0, 0] == -40
    assert np.isnan(standing.cleared_day[0, 1:]).all()
    assert standing.since[0] == -40


def test_the_way_to_a_rung_holds_all_it_needs_directly_or_not():
    plan = ladder_plan(LADDER)
    assert plan.way_to(4).all()
    assert list(np.flatnonzero(plan.way_to(2))) == [0, 2]
    assert list(plan.min_days) == [0, 10.5, 0, 0, 0]
