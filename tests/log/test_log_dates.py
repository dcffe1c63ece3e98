"""Dates as people write them; the order of day and month is never guessed."""

from __future__ import annotations

import datetime as dt

import dateutil.parser
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reading import outcomes, read_cells

from forecast.errors import AmbiguousDateError
from forecast.ladder import Criterion, Ladder, Rung
from forecast.log import read_log

LADDER = Ladder("Invented", (Rung("lean_10", "Lean", "", Criterion("seconds", 10.0)),))
SETTLED = [
    "2026-04-03", "2026-4-3", "2026/04/03", "2026.04.03", "20260403", 20260403,
    "2026-04-03T18:30:00", "2026-04-03 18:30", "2026-04-03T18:30:00Z", "2026-04-03T18:30:00+02:00",
    "3 Apr 2026", "3 April 2026", "3. April 2026", "3-Apr-2026", "3rd April 2026", "Apr 3, 2026",
    "April 3 2026", "Apr. 3rd, 2026", "Fri, 3 Apr 2026", "Friday 3 April 2026",
    dt.date(2026, 4, 3), dt.datetime(2026, 4, 3, 18, 30),
    pd.Timestamp("2026-04-03 18:30", tz="Asia/Tokyo"), np.datetime64("2026-04-03"), 46115, "46115",
    46115.75,
]  # fmt: skip
NO_DAYS = [
    "2026-13-01", "2026-02-30", "30 Feb 2026", "1026-01-01", "3026-01-01", "soon", 12, True, 1.5,
    "2026", "3 Foo 2026", "3/2026", "1900-01-01", 99999, np.timedelta64(5, "Y"),
]  # fmt: skip


def dates_of(*cells, order=None):
    log = read_cells(LADDER, "date", cells, date_order=order)
    return outcomes(log, "date"), log


def test_a_settled_date():
    found, _ = dates_of(*SETTLED)
    assert found == [pd.Timestamp("2026-04-03")] * len(SETTLED)


def test_spreadsheet_day_numbers():
    # serial numbers of spreadsheets count days with 1970-01-01 = 25569 and 2000-01-01 = 36526
    # (ECMA-376 part 1, 18.17.4.1, 1900 date base; from memory)
    found, log = dates_of(25569, 36526)
    assert found == [pd.Timestamp("1970-01-01"), pd.Timestamp("2000-01-01")]
    assert any("25569 in row 2, read as 1970-01-01" in warning for warning in log.warnings)


def test_no_day_of_the_calendar_and_no_date():
    blanks = ["", None, pd.NaT, float("nan"), "-"]
    found, _ = dates_of(*NO_DAYS, *blanks)
    assert [one.kind for one in found] == ["date"] * len(NO_DAYS) + ["missing"] * len(blanks)
    assert all(one.reason.endswith(".") for one in found)


@pytest.mark.parametrize("settler", ["13/04/2026", "13.4.2026", "31-12-2025 18:00"])
def test_one_date_settles_the_order_for_the_file(settler):
    found, log = dates_of("03/04/2026", settler)
    assert found[0] == pd.Timestamp("2026-04-03")
    (told,) = [one for one in log.understood if "day first" in one]
    assert settler in told
    assert "row 3" in told


def test_month_first_is_settled_too():
    found, log = dates_of("03/04/2026", "04/13/2026")
    assert found[0] == pd.Timestamp("2026-03-04")
    assert any("month first" in one for one in log.understood)


@pytest.mark.parametrize("cell", ["03/04/2026", "3.4.2026", "03-04-2026", "3. 4. 2026"])
def test_an_open_order_is_asked_for(cell):
    with pytest.raises(AmbiguousDateError, match=r"table: .* row 3; .*date_order = \"dmy\""):
        dates_of("2026-05-05", cell)


def test_an_impossible_date_does_not_hide_an_open_order():
    with pytest.raises(AmbiguousDateError):
        dates_of("13/13/2026", "45/03/2026", "03/04/2026")


def test_an_order_that_does_not_matter_is_not_asked_for():
    assert dates_of("04/04/2026", "2026-01-02")[0][0] == pd.Timestamp("2026-04-04")


def test_contradicting_orders_are_named_with_both_rows():
    with pytest.raises(AmbiguousDateError, match=r"13/04/2026 in row 2 .* 04/13/2026 in row 3"):
        dates_of("13/04/2026", "04/13/2026")
    found, _ = dates_of("13/04/2026", "04/13/2026", order="dmy")
    assert found[0] == pd.Timestamp("2026-04-13")
    assert "when read dmy" in found[1].reason


@pytest.mark.parametrize(
    ("cell", "order", "date"),
    [
        ("03/04/26", "dmy", "2026-04-03"),
        ("04/03/26", "mdy", "2026-04-03"),
        ("26-04-03", "ymd", "2026-04-03"),
        ("3-Apr-26", "dmy", "2026-04-03"),
    ],
)
def test_two_digit_years_need_the_order(cell, order, date):
    assert dates_of(cell, order=order)[0] == [pd.Timestamp(date)]
    (refused,) = dates_of(cell)[0]
    assert (refused.kind, refused.table, refused.key) == ("date", "read", "date_order")
    assert refused.reason.startswith(f"{cell!r}: the year has two digits")


def test_the_posix_century_rule_is_that_of_the_standard_library():
    # POSIX strptime %y: 69 to 99 are 1969 to 1999, 00 to 68 are 2000 to 2068
    cells = [f"01/02/{year:02d}" for year in range(100)]
    theirs = [pd.Timestamp(dt.datetime.strptime(cell, "%d/%m/%y")) for cell in cells]
    assert dates_of(*cells, order="dmy")[0] == theirs


def test_a_short_year_does_not_settle_the_order():
    with pytest.raises(AmbiguousDateError):
        dates_of("13/04/26", "03/04/2026")


def test_ymd_refuses_a_year_at_the_end():
    assert "not first" in dates_of("03/04/2026", order="ymd")[0][0].reason


def test_clock_times_give_the_order_of_sets():
    frame = pd.DataFrame({"athlete": "Bo", "rung": "lean_10", "value": [5, 6, 7, 8], "set": 1})
    frame["date"] = ["2026-04-03 18:30", "2026-04-03 6:15 pm", "2026-04-03 06:00", "2026-04-03"]
    assert read_log(frame, LADDER).sets["value"].tolist() == [8.0, 7.0, 6.0, 5.0]


STYLES = {
    None: ["%Y-%m-%d", "%Y/%m/%d", "%Y%m%d", "%d %b %Y", "%B %d, %Y", "%a %d %B %Y"],
    "dmy": ["%d.%m.%Y", "%d/%m/%Y", "%d-%m-%Y"],
    "mdy": ["%m/%d/%Y", "%m-%d-%Y"],
}


@settings(max_examples=6, deadline=None)
@given(st.lists(st.dates(dt.date(1950, 1, 1), dt.date(2099, 12, 31)), min_size=5, max_size=9))
def test_every_day_survives_every_style(days):
    for order, styles in STYLES.items():
        cells = [day.strftime(style) for day in days for style in styles]
        wanted = [pd.Timestamp(day) for day in days for _ in styles]
        assert dates_of(*cells, order=order)[0] == wanted


@settings(max_examples=6, deadline=None)
@given(st.lists(st.dates(dt.date(1990, 1, 1), dt.date(2050, 1, 1)), min_size=1, max_size=8))
def test_an_inferred_order_is_never_wrong(days):
    for style in ("%d/%m/%Y", "%m/%d/%Y"):
        cells = [day.strftime(style) for day in days]
        if any(day.day > 12 for day in days) or all(d.day == d.month for d in days):
            assert dates_of(*cells)[0] == list(map(pd.Timestamp, days))
        else:
            with pytest.raises(AmbiguousDateError):
                dates_of(*cells)


ANY = st.text(max_size=14) | st.floats() | st.integers() | st.booleans() | st.none()


@settings(max_examples=6, deadline=None)
@given(st.lists(ANY, min_size=5, max_size=20))
def test_any_cell_gives_a_day_or_a_reason(cells):
    log = read_cells(LADDER, "date", cells, date_order="dmy")
    assert log.sets["date"].notna().all()
    assert (log.rejected["reason"] != "").all()


def test_real_dates_among_text_are_a_sign_of_a_swap():
    _, log = dates_of(dt.datetime(2026, 3, 4), "13/04/2026")
    assert "may have swapped day and month" in log.warnings[0]
    _, log = dates_of(dt.datetime(2026, 3, 4), "13 Apr 2026")
    assert not any("swapped" in warning for warning in log.warnings)


@settings(max_examples=6, deadline=None)
@given(st.lists(st.datetimes(dt.datetime(1970, 1, 1), dt.datetime(2068, 12, 31)), min_size=8))
def test_a_general_date_reader_agrees(moments):
    # reference library: dateutil, a general-purpose date reader (not for short years, where it
    # goes by today's date)
    cells, theirs = [], []
    for when in moments:
        for style in ("%d/%m/%Y %H:%M", "%d.%m.%Y", "%d-%b-%Y", "%Y-%m-%dT%H:%M:%S"):
            cells.append(when.strftime(style))
            parsed = dateutil.parser.parse(cells[-1], dayfirst=not style.startswith("%Y"))
            theirs.append(pd.Timestamp(parsed).normalize())
    assert dates_of(*cells, order="dmy")[0] == theirs
