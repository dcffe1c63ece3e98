from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from forecast.cohort import as_histories, spell_times, time_to_clear
from forecast.errors import FitError, HistoryError, LogError
from forecast.survival import kaplan_meier

DAY0 = pd.Timestamp("2025-01-06")  # the first day of the logs made by hand


def test_curve_is_kaplan_meier_by_hand(climbs):
    found = time_to_clear(climbs([2, 4, 4, 8]))
    table = found.frame()
    assert table["group"].unique().tolist() == ["one"]
    assert table["week"].tolist() == [2, 4, 8]
    np.testing.assert_allclose(table["p_cleared"], [0.25, 0.75, 1.0])
    assert table["n_at_risk"].tolist() == [4, 3, 1]
    assert table["n_cleared"].tolist() == [1, 2, 1]
    assert found.groups["median_weeks"].item() == 4


def test_bands_hold_the_curve(climbs):
    table = time_to_clear(climbs([1, 2, 3, 5, 8, 13]), level=0.8).frame().iloc[:-1]
    assert (table["p_low"] <= table["p_cleared"]).all()
    assert (table["p_cleared"] <= table["p_high"]).all()
    wider = time_to_clear(climbs([1, 2, 3, 5, 8, 13]), level=0.95).frame().iloc[:-1]
    assert (wider["p_low"] < table["p_low"]).all()


def test_spells_under_way_are_left_out_and_counted(climbs):
    log = climbs([2, 4, 8], start=3)
    with pytest.raises(FitError, match="on_rung_since"):
        time_to_clear(log)
    times = spell_times(as_histories(log))
    assert len(times.left_out) == 4
    assert len(times.table) == 0


def roster_since(names, dates):
    return pd.DataFrame({"on_rung_since": dates}, index=pd.Index(names, name="athlete"))


def test_a_known_beginning_lets_a_spell_in_late(climbs):
    names = [f"a{i:02d}" for i in range(4)]
    since = DAY0 + pd.Timedelta(days=3 - 70)
    log = climbs([2, 4, 6, 8], start=3, roster=roster_since(names, [since] * 4))
    found = time_to_clear(log)
    assert found.groups["entered_late"].item() == 4
    # Ten weeks on the rung before the log saw them; they are at risk from then on only.
    expected = kaplan_meier([10] * 4, [12, 14, 16, 18], [True] * 4, since=10)
    np.testing.assert_allclose(found.frame()["week"], expected.time)
    np.testing.assert_allclose(found.frame()["p_cleared"], 1 - expected.survival)
    assert len(found.left_out) == 1


def test_a_beginning_that_fits_several_rungs_is_not_guessed(make_log):
    rows = [("a", "one", 0, 5.0), ("a", "two", 0, 5.0), ("a", "one", 7, 5.0)]
    log = make_log(rows, roster=roster_since(["a"], [DAY0 - pd.Timedelta(days=50)]))
    times = spell_times(as_histories(log))
    assert len(times.left_out) == 3


def test_a_date_that_is_none_is_named(climbs):
    log = climbs([2, 4, 8], roster=roster_since(["a01"], ["some day in spring"]))
    with pytest.raises(HistoryError, match=r"'a01'.*on_rung_since.*some day in spring"):
        time_to_clear(log)


@pytest.mark.parametrize("date", ["03/04/2024", 2024.0])
def test_a_beginning_is_not_guessed_from_an_unclear_date(climbs, date):
    log = climbs([2, 4, 8], roster=roster_since(["a00", "a01"], [None, date]))
    with pytest.raises(HistoryError, match=r"'a01', column on_rung_since = .*year first"):
        time_to_clear(log)


def test_a_beginning_may_be_text_and_missing_for_some(climbs):
    dates = [str((DAY0 - pd.Timedelta(days=67)).date()), None, None, None]
    log = climbs([2, 4, 6, 8], start=3, roster=roster_since([f"a{i:02d}" for i in range(4)], dates))
    times = spell_times(as_histories(log))
    assert times.table["athlete"].tolist() == ["a00"]
    assert times.table["entry"].tolist() == [10.0]


def test_by_a_roster_column(rostered_log):
    found = time_to_clear(rostered_log, by="coach", seed=1)
    assert found.groups["group"].tolist() == ["Ada", "Bo"]
    both = time_to_clear(rostered_log).groups
    assert found.groups["n_spells"].sum() == both["n_spells"].sum()
    pd.testing.assert_frame_equal(
        found.frame(), time_to_clear(rostered_log, "coach", seed=1).frame()
    )


def test_an_unknown_column_is_named_with_the_known_ones(rostered_log):
    with pytest.raises(HistoryError, match=r"'club'.*rung, start_year, coach, age"):
        time_to_clear(rostered_log, by="club")
    with pytest.raises(HistoryError, match=r"by = \['coach'\]; give one column's name"):
        time_to_clear(rostered_log, by=["coach"])


def test_histories_have_one_cut(small_log, small_cut):
    histories = as_histories(small_log, small_cut)
    assert as_histories(histories, small_cut) is histories
    with pytest.raises(HistoryError, match="end on 2024-10-07"):
        as_histories(histories, "2024-09-01")
    assert as_histories(histories, "2024-10-07") is histories
    with pytest.raises(HistoryError, match=r"as_of = '10/07/2024' is not a date"):
        as_histories(histories, "10/07/2024")
    with pytest.raises(LogError, match="DataFrame was given where a log is needed"):
        as_histories(small_log.sets)


def test_rows_after_the_cut_change_nothing(small_log, small_cut):
    known = small_log.before(small_cut)
    pd.testing.assert_frame_equal(
        time_to_clear(known, as_of=small_cut).frame(),
        time_to_clear(small_log, as_of=small_cut).frame(),
    )


def test_names_and_row_order_change_nothing(small_log, rostered_log):
    swap = {name: f"x{99 - i}" for i, name in enumerate(small_log.athletes)}
    sets = rostered_log.sets.assign(athlete=rostered_log.sets["athlete"].map(swap))
    sets = sets.sample(frac=1, random_state=1).reset_index(drop=True)
    roster = rostered_log.roster.rename(index=swap)
    renamed = dataclasses.replace(rostered_log, sets=sets, roster=roster)
    for by in ("rung", "coach"):
        pd.testing.assert_frame_equal(
            time_to_clear(renamed, by).frame(), time_to_clear(rostered_log, by).frame()
        )


def test_text_counts_what_was_left_out(small_log):
    found = time_to_clear(small_log)
    assert f"{len(found.left_out)} spell" in found.text
    assert "point by point" in found.text


def test_a_log_where_nobody_clears_has_no_curve(make_log):
    log = make_log([(f"a{i}", "one", 30 + 7 * week, 5.0) for i in range(4) for week in range(3)])
    found = time_to_clear(log)
    assert found.frame().empty
    assert "too few for one: Hold one" in found.text


def test_spells_still_watched_are_counted_week_by_week(make_log):
    """Four begin in the log: weeks 2 (cleared), 3 (cleared), 5 and 6 (still open) on the rung."""
    ends = {"a0": (2, 12.0), "a1": (3, 11.0), "a2": (5, 5.0), "a3": (6, 5.0)}
    rows = [
        (name, "one", 30 + 7 * week, last if week == weeks else 5.0)
        for name, (weeks, last) in ends.items()
        for week in range(weeks + 1)
    ]
    found = time_to_clear(make_log(rows, bystander=True))
    counts = found.still_watched([0, 1, 2, 2.5, 3, 4, 5.5]).set_index("week")["n_at_risk"]
    # Open spells are watched to the cut; the bystander was under way when the log began.
    assert counts.to_dict() == {0: 4, 1: 4, 2: 4, 2.5: 3, 3: 3, 4: 2, 5.5: 2}
    assert found.still_watched([0])["n_at_risk"].item() == found.groups["n_spells"].item()
