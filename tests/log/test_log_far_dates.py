"""Dates that can't be right are set aside with their reason, and an honest return is kept."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from forecast.errors import LogError, MappingError
from forecast.log import describe_log, read_club, read_log

TODAY = "2026-11-26"


def club_log(people="Ann Bo Cy", start="2025-01-06", weeks=52, step=3):
    """Sets of a club that trains every few days."""
    days = pd.date_range(start, periods=weeks * 7 // step, freq=f"{step}D")
    return pd.DataFrame(
        [(who, day, "press", 5) for day in days for who in people.split()],
        columns=["athlete", "date", "rung", "value"],
    )


def with_rows(frame, *rows):
    more = pd.DataFrame(
        [(who, pd.Timestamp(day), "press", 6) for who, day in rows], columns=frame.columns
    )
    return pd.concat([frame, more], ignore_index=True)


def read(frame, ladder, **options):
    log = read_log(frame, ladder, **{"today": TODAY} | options)
    assert log.rows_in == len(log.sets) + len(log.rejected)
    return log


def set_aside(log):
    return list(zip(log.rejected["row"], log.rejected["kind"], log.rejected["value"], strict=True))


def test_a_row_after_today_is_set_aside_and_said(ladder):
    frame = with_rows(club_log(), ("Bo", "2027-02-03"))
    log = read(frame, ladder)
    assert set_aside(log) == [(len(frame) + 1, "future", "2027-02-03")]
    reason = log.rejected["reason"].item()
    assert "2027-02-03 is after today (2026-11-26)" in reason
    assert "last_date = 2027-02-03 under [read]" in reason
    assert log.sets["date"].max() == frame["date"][:-1].max()
    text = describe_log(log).text
    assert f"Set aside, dated after today: 1 row, such as table row {len(frame) + 1}" in text
    assert "correct it, or if right put last_date" in text


def test_today_itself_and_the_day_before_stay(ladder):
    frame = with_rows(club_log(start="2025-11-26"), ("Bo", "2026-11-25"), ("Bo", "2026-11-26"))
    assert read(frame, ladder).rejected.empty


@pytest.mark.parametrize("rows", [1, 4])
def test_a_lone_day_a_year_ahead_is_set_aside_when_no_clock_can_tell(ladder, rows):
    frame = with_rows(club_log(start="2023-01-02"), *[("Bo", "2024-10-02")] * rows)
    log = read(frame, ladder)
    assert [kind for _, kind, _ in set_aside(log)] == ["alone"] * rows
    assert "stands alone, 39 weeks or more after every other date" in log.rejected["reason"][0]
    assert any("dated long after everything else" in said for said in log.warnings)


def test_two_years_mistyped_differently_both_go(ladder):
    frame = with_rows(club_log(start="2015-01-05"), ("Bo", "2019-10-02"), ("Cy", "2025-03-02"))
    assert [value for *_, value in set_aside(read(frame, ladder))] == ["2019-10-02", "2025-03-02"]


@pytest.mark.parametrize(
    "frame",
    [
        # goes on alone after the club has closed
        with_rows(club_log(), *[("Bo", f"2026-{m:02d}-{d}") for m in (1, 2, 3) for d in (10, 20)]),
        # comes back alone after nine months away, and has trained twice
        with_rows(club_log(start="2023-01-02"), ("Bo", "2024-10-02"), ("Bo", "2024-10-05")),
        # the club opens again after nine months: two people on its first day
        with_rows(club_log(start="2023-01-02"), ("Bo", "2024-10-02"), ("Cy", "2024-10-02")),
        # one athlete's own log with an off-season of four months
        with_rows(club_log("Bo", start="2025-01-06"), ("Bo", "2026-05-04")),
        # a log with long breaks of its own: nine months alone are nothing new there
        pd.concat(
            [club_log("Bo", f"{year}-01-06", weeks=13) for year in (2021, 2022, 2023)]
            + [club_log("Bo", "2024-01-06", weeks=1, step=7)],
            ignore_index=True,
        ),
        # too few days to call the rest dense
        with_rows(club_log(weeks=6, start="2024-01-01"), ("Bo", "2025-01-20")),
    ],
)
def test_an_honest_return_is_kept(ladder, frame):
    assert read(frame, ladder).rejected.empty


def test_last_date_keeps_what_is_right(ladder):
    lone = with_rows(club_log(start="2023-01-02"), ("Bo", "2024-10-02"))
    ahead = with_rows(club_log(), ("Bo", "2027-02-03"), ("Bo", "2027-02-05"))
    for frame, last, kept in (
        (lone, "2024-10-02", 0),
        (lone, "2024-10-01", 1),
        (ahead, "2027-02-05", 0),
        (ahead, "2027-02-04", 1),
    ):
        mapping = {"read": {"last_date": dt.date.fromisoformat(last)}}
        assert len(read(frame, ladder, mapping=mapping).rejected) == kept
    with pytest.raises(MappingError, match="'last_date' can't be 'soon'"):
        read(lone, ladder, mapping={"read": {"last_date": "soon"}})


def test_last_date_of_a_mapping_file_and_of_a_club(tmp_path, ladder):
    frame = with_rows(club_log(start="2023-01-02"), ("Bo", "2024-10-02"))
    frame.to_csv(tmp_path / "sets.csv", index=False)
    (tmp_path / "map.toml").write_text("[read]\nlast_date = 2024-10-02\n")
    assert read(tmp_path / "sets.csv", ladder, mapping=tmp_path / "map.toml").rejected.empty
    (tmp_path / "ladder.toml").write_text(
        '[ladder]\nname = "L"\n[[rung]]\nkey = "press"\nmeasure = "reps"\ntarget = 8\n'
    )
    plain = 'ladder = "ladder.toml"\n{}[[log]]\nfile = "sets.csv"\n{}'
    for above, below, rejected in (
        ("", "", 1),
        ("last_date = 2024-10-02\n", "", 0),
        ("", 'mapping = "map.toml"\n', 0),
    ):
        (tmp_path / "club.toml").write_text(plain.format(above, below))
        assert len(read_club(tmp_path, today=TODAY).log.rejected) == rejected


def test_the_order_of_rows_and_a_duplicate_make_no_difference(ladder):
    frame = with_rows(club_log(start="2023-01-02"), *[("Bo", "2024-10-02")] * 2)
    mixed = frame.sample(frac=1, random_state=1)
    assert sorted(read(mixed, ladder).rejected["value"]) == ["2024-10-02"] * 2


def test_today_is_that_of_the_clock_where_none_is_given(ladder, monkeypatch):
    monkeypatch.setattr("forecast.log.read.latest_today", lambda: pd.Timestamp("2025-06-30"))
    log = read_log(club_log(), ladder)
    assert log.sets["date"].max() <= pd.Timestamp("2025-06-30") < pd.Timestamp("2026-01-01")
    assert set(log.rejected["kind"]) == {"future"}


def test_today_has_to_be_a_date(ladder):
    with pytest.raises(LogError, match="today = 'soon'"):
        read_log(club_log(), ladder, today="soon")


def test_the_demo_club_can_be_read_at_any_date():
    early, late = (read_club("data_demo", today=day).log for day in ("2020-01-01", "2090-01-01"))
    pd.testing.assert_frame_equal(early.sets, late.sets)
    assert not set(early.rejected["kind"]) & {"future", "alone"}


def test_a_year_that_no_calendar_has_costs_its_row_only(ladder):
    days = np.array(["2026-04-03", "12026-04-04", "-0044-03-15"], "datetime64[s]")
    frame = pd.DataFrame({"athlete": "Bo", "date": days, "rung": "press", "value": 5})
    log = read_log(frame, ladder)
    assert (len(log.sets), log.rejected["column"].tolist()) == (1, ["date", "date"])
