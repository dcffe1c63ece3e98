"""Re-tests and fallbacks: planted troubles are found, quiet logs stay quiet."""

from __future__ import annotations

import numpy as np
import pandas as pd

from forecast.ahead import continued, fallbacks, retests
from forecast.histories import build_histories

PLAIN = {
    "set": 1, "clean": True, "assisted": False, "assist": "none", "load_kg": np.nan,
    "stopped": "failed", "effort": np.nan, "pain": np.nan, "note": "", "file": "t", "row": 2,
}  # fmt: skip


def more(log, with_sets, rows, **columns):
    """The log with rows (day, rung, value) of one more athlete, ``zz``."""
    sets = pd.DataFrame(rows, columns=["date", "rung", "value"])
    sets["date"] = pd.to_datetime(sets["date"])
    sets = sets.assign(athlete="zz", **(PLAIN | columns))
    return with_sets(log, pd.concat([log.sets, sets], ignore_index=True))


def days(first, last, every=3):
    return pd.date_range(first, last, freq=f"{every}D")


CLEARED = [(day, "wall_line", v) for day, v in zip(
    days("2024-03-01", "2024-03-25"), [12, 13, 14, 15, 16, 17, 18, 19, 21], strict=True
)]  # fmt: skip


def zz(table):
    return table[table["athlete"] == "zz"].reset_index(drop=True)


def test_a_rung_cleared_lately_and_kept_up_is_not_due(small_model, small_log, small_cut, with_sets):
    kept = [(day, "free_start", 2) for day in days("2024-03-28", "2024-10-05")]
    log = more(small_log, with_sets, [*CLEARED, *kept])
    row = zz(retests(small_model, log, small_cut)).iloc[0]
    assert row["rung"] == "wall_line"
    assert row["weeks_off"] == 0.0
    assert row["weeks_untrained"] > 20
    assert not row["due"]
    assert row["text"] == ""


def test_after_a_layoff_it_is_due(small_model, small_log, small_cut, with_sets):
    log = more(small_log, with_sets, CLEARED)
    row = zz(retests(small_model, log, small_cut)).iloc[0]
    assert row["weeks_off"] > 20
    assert row["level"] < min(row["level_then"], 0.0)
    assert row["due"]
    assert "Due for a re-test" in row["text"]
    assert "pain ends the session" in row["text"]


def test_once_trained_back_as_long_as_the_layoff_it_is_due_no_more(
    small_model, small_log, small_cut, with_sets
):
    off = [(day, "free_start", 2) for day in days("2024-06-01", "2024-10-05")]
    log = more(small_log, with_sets, [*CLEARED, *off])
    assert not zz(retests(small_model, log, small_cut))["due"].iloc[0]
    short = [(day, "free_start", 2) for day in days("2024-09-10", "2024-10-05")]
    log = more(small_log, with_sets, [*CLEARED, *short])
    assert zz(retests(small_model, log, small_cut))["due"].iloc[0]


def test_two_weeks_off_ask_nobody_back(small_model, small_log, small_cut, with_sets):
    """Somebody who cleared the rung well and rested a fortnight has more likely kept it."""
    well = [(day, "wall_line", 28) for day in days("2024-09-02", "2024-09-22")]
    table = retests(small_model, more(small_log, with_sets, well), small_cut)
    assert not zz(table)["due"].any()


def test_a_re_test_is_asked_for_only_where_it_is_more_likely_lost_than_kept(
    small_model, small_log, small_cut
):
    table = retests(small_model, small_log, small_cut, least_drop=0.0)
    assert (table.loc[table["due"], "p_below"] > 0.5).all()
    assert (table["p_below"] > 0.5).sum() >= table["due"].sum()


def test_a_rung_below_another_that_is_behind_too_is_not_asked_back(
    small_model, small_log, small_cut, with_sets
):
    """Whoever cleared the rung above as well is asked back to that one: it tells of both."""
    above = [(day, "free_start", 40) for day in days("2024-03-28", "2024-04-20")]
    log = more(small_log, with_sets, [*CLEARED, *above])
    table = zz(retests(small_model, log, small_cut)).set_index("rung")
    assert set(table.index) == {"wall_line", "free_start"}
    assert table.loc["wall_line", "p_below"] > 0.5
    assert not table.loc["wall_line", "due"]
    assert zz(retests(small_model, more(small_log, with_sets, CLEARED), small_cut))["due"].iloc[0]


def test_sets_logged_since_clearing_are_believed(small_model, small_log, small_cut, with_sets):
    worse = [(day, "wall_line", 16) for day in days("2024-06-12", "2024-10-05")]
    kept = [(day, "free_start", 2) for day in days("2024-03-28", "2024-10-05")]
    log = more(small_log, with_sets, [*CLEARED, *kept, *worse])
    row = zz(retests(small_model, log, small_cut)).iloc[0]
    assert row["due"]
    assert row["level_value"] < 18
    assert "sets logged since" in row["text"]


def test_continued_histories_lose_no_set(small_log, small_cut):
    histories = build_histories(small_log, small_cut)
    assert len(histories.after_clearing) > 0
    longer = continued(histories)
    known = (small_log.sets["date"] < small_cut).sum()
    assert len(longer.sets) == known
    assert (longer.sessions["n_sets"].sum()) == known
    ends = longer.sets["session"].map(longer.sessions["date"])
    assert (ends == longer.sets["date"]).all()


def test_retests_hold_every_cleared_rung(small_model, small_log, small_cut):
    table = retests(small_model, small_log, small_cut)
    cleared = build_histories(small_log, small_cut, log_start=small_model.engines_.log_start).spells
    assert list(table.columns[-2:]) == ["due", "text"]
    assert len(table) == cleared["cleared_on"].notna().sum()


def test_form_that_breaks_points_to_the_fallback(small_model, small_log, small_cut, with_sets):
    before = [(day, "wall_line", 21) for day in days("2024-07-01", "2024-07-03")]
    rough = [(day, "free_start", 3) for day in days("2024-08-20", "2024-10-05")] * 2
    log = more(small_log, with_sets, [*before, *rough])
    sets = log.sets
    mine = (sets["athlete"] == "zz") & (sets["rung"] == "free_start")
    sets = sets.assign(clean=sets["clean"] & ~mine)
    sets.loc[mine, "set"] = sets[mine].groupby("date").cumcount() + 1
    table = zz(fallbacks(small_model, with_sets(log, sets), small_cut))
    row = table.iloc[0]
    assert row["go_back"]
    assert row["fallback"] == "wall_line"
    assert row["unclean_share"] == 1.0
    assert "Handstand facing the wall" in row["text"]


def test_a_quiet_log_is_hardly_ever_pointed_back(small_model, small_log, small_cut):
    table = fallbacks(small_model, small_log, small_cut)
    assert len(table) == len(
        build_histories(small_log, small_cut, log_start=small_model.engines_.log_start).open_spells
    )
    # Each open rung is flagged by chance 1 time in 20; a dozen rungs show two at most.
    assert table["go_back"].sum() <= 2
    assert (table["text"] == "").eq(~table["go_back"]).all()
