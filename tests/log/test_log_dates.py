"""Dates as people write them; the order of day and month is never guessed."""

from __future__ import annotations

import datetime as dt

import dateutil.parser
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecast.errors import AmbiguousDateError
from forecast.log.cells import Problem
from forecast.log.dates import Day, read_dates, read_day

THIRD = dt.date(2026, 4, 3)


def dates_of(*cells, order=None):
    return read_dates(pd.Series(cells, dtype=object), np.arange(2, 2 + len(cells)), "f.csv", order)


@pytest.mark.parametrize(
    "cell",
    [
        "2026-04-03",
        "2026-4-3",
        "2026/04/03",
        "2026.04.03",
        "20260403",
        20260403,
        "2026-04-03T18:30:00",
        "2026-04-03 18:30",
        "2026-04-03T18:30:00Z",
        "2026-04-03T18:30:00+02:00",
        "3 Apr 2026",
        "3 April 2026",
        "3. April 2026",
        "3-Apr-2026",
        "3rd April 2026",
        "Apr 3, 2026",
        "April 3 2026",
        "Apr. 3rd, 2026",
        "Fri, 3 Apr 2026",
        "Friday 3 April 2026",
        dt.date(2026, 4, 3),
        dt.datetime(2026, 4, 3, 18, 30),
        pd.Timestamp("2026-04-03 18:30", tz="Asia/Tokyo"),
        np.datetime64("2026-04-03"),
        46115,
        "46115",
        46115.75,
    ],
)
def test_a_settled_date(cell):
    day = read_day(cell)
    assert isinstance(day, Day)
    assert day.date == THIRD


@pytest.mark.parametrize(
    ("serial", "date"),
    [
        # serial numbers of spreadsheets count days with 1970-01-01 = 25569 and 2000-01-01 = 36526
        # (ECMA-376 part 1, 18.17.4.1, 1900 date base; from memory)
        (25569, dt.date(1970, 1, 1)),
        (36526, dt.date(2000, 1, 1)),
    ],
)
def test_spreadsheet_day_numbers(serial, date):
    assert read_day(serial).date == date
    # the 1904 base runs 1,462 days behind (same source, from memory)
    assert read_day(serial - 1462, date1904=True).date == date


def test_day_numbers_are_reported():
    found = dates_of(46115)
    assert "46115 in row 2, read as 2026-04-03" in found.warnings[0]


@pytest.mark.parametrize(
    "cell",
    [
        "2026-13-01",
        "2026-02-30",
        "30 Feb 2026",
        "1026-01-01",
        "3026-01-01",
        "soon",
        12,
        True,
        1.5,
        "2026",
        "3 Foo 2026",
        "3/2026",
        "1900-01-01",
        99999,
    ],
)
def test_no_day_of_the_calendar(cell):
    found = read_day(cell)
    assert isinstance(found, Problem)
    assert found.kind == "date"


@pytest.mark.parametrize("cell", ["", None, pd.NaT, float("nan"), "-"])
def test_no_date(cell):
    found = read_day(cell)
    assert isinstance(found, Problem)
    assert found.kind == "missing"


@pytest.mark.parametrize("settler", ["13/04/2026", "13.4.2026", "31-12-2025 18:00"])
def test_one_date_settles_the_order_for_the_file(settler):
    found = dates_of("03/04/2026", settler)
    assert found.dates[0] == np.datetime64("2026-04-03")
    assert "day first" in found.understood
    assert settler in found.understood
    assert "row 3" in found.understood


def test_month_first_is_settled_too():
    found = dates_of("03/04/2026", "04/13/2026")
    assert found.dates[0] == np.datetime64("2026-03-04")
    assert "month first" in found.understood


@pytest.mark.parametrize("cell", ["03/04/2026", "3.4.2026", "03-04-2026", "3. 4. 2026"])
def test_an_open_order_is_asked_for(cell):
    with pytest.raises(AmbiguousDateError, match=r"f\.csv: .* row 3; pass date_order=\"dmy\""):
        dates_of("2026-05-05", cell)


def test_an_impossible_date_does_not_hide_an_open_order():
    with pytest.raises(AmbiguousDateError):
        dates_of("13/13/2026", "45/03/2026", "03/04/2026")


def test_an_order_that_does_not_matter_is_not_asked_for():
    found = dates_of("04/04/2026", "2026-01-02")
    assert found.dates[0] == np.datetime64("2026-04-04")
    assert not found.problems.any()


def test_contradicting_orders_are_named_with_both_rows():
    with pytest.raises(AmbiguousDateError, match=r"13/04/2026 in row 2 .* 04/13/2026 in row 3"):
        dates_of("13/04/2026", "04/13/2026")


def test_with_the_order_given_misfits_are_set_aside():
    found = dates_of("13/04/2026", "04/13/2026", order="dmy")
    assert found.problems[0] is None
    assert "when read dmy" in found.problems[1].reason
    assert np.isnat(found.dates[1])


@pytest.mark.parametrize(
    ("cell", "order", "date"),
    [
        ("03/04/26", "dmy", "2026-04-03"),
        ("04/03/26", "mdy", "2026-04-03"),
        ("26-04-03", "ymd", "2026-04-03"),
        ("3-Apr-26", "dmy", "2026-04-03"),
        # POSIX strptime %y: 69 to 99 are 1969 to 1999, 00 to 68 are 2000 to 2068
        ("03/04/99", "dmy", "1999-04-03"),
        ("03/04/68", "dmy", "2068-04-03"),
    ],
)
def test_two_digit_years_need_the_order(cell, order, date):
    assert dates_of(cell, order=order).dates[0] == np.datetime64(date)
    refused = dates_of(cell).problems[0]
    assert refused.kind == "date"
    assert "two digits" in refused.reason
    assert cell in refused.reason


def test_the_posix_century_rule_is_that_of_the_standard_library():
    for year in range(100):
        theirs = dt.datetime.strptime(f"01/02/{year:02d}", "%d/%m/%y").date()
        assert dates_of(f"01/02/{year:02d}", order="dmy").dates[0] == np.datetime64(theirs)


def test_a_short_year_does_not_settle_the_order():
    with pytest.raises(AmbiguousDateError):
        dates_of("13/04/26", "03/04/2026")


def test_ymd_refuses_a_year_at_the_end():
    assert "not first" in dates_of("03/04/2026", order="ymd").problems[0].reason


def test_clock_times_are_kept_for_the_order_of_sets():
    found = dates_of("2026-04-03 18:30", "2026-04-03 6:30 pm", "2026-04-03")
    assert list(found.clocks) == [66600, 66600, -1]


@given(st.dates(dt.date(1950, 1, 1), dt.date(2099, 12, 31)))
def test_every_day_survives_every_style(day):
    styles = {
        None: ["%Y-%m-%d", "%Y/%m/%d", "%Y%m%d", "%d %b %Y", "%B %d, %Y", "%a %d %B %Y"],
        "dmy": ["%d.%m.%Y", "%d/%m/%Y", "%d-%m-%Y"],
        "mdy": ["%m/%d/%Y", "%m-%d-%Y"],
    }
    for order, formats in styles.items():
        for style in formats:
            found = dates_of(day.strftime(style), order=order)
            assert found.dates[0] == np.datetime64(day), style


@given(st.lists(st.dates(dt.date(1990, 1, 1), dt.date(2050, 1, 1)), min_size=1, max_size=8))
def test_an_inferred_order_is_never_wrong(days):
    for style in ("%d/%m/%Y", "%m/%d/%Y"):
        cells = [day.strftime(style) for day in days]
        settled = any(day.day > 12 for day in days) or all(d.day == d.month for d in days)
        if settled:
            assert list(dates_of(*cells).dates) == [np.datetime64(day) for day in days]
        else:
            with pytest.raises(AmbiguousDateError):
                dates_of(*cells)


@given(st.text(max_size=14) | st.floats() | st.integers() | st.booleans() | st.none())
def test_any_cell_gives_a_day_or_a_reason(cell):
    found = dates_of(cell, order="dmy")
    assert (found.problems[0] is None) != np.isnat(found.dates[0])


def test_real_dates_among_text_are_a_sign_of_a_swap():
    found = dates_of(dt.datetime(2026, 3, 4), "13/04/2026")
    assert "may have swapped day and month" in found.warnings[0]
    assert not dates_of(dt.datetime(2026, 3, 4), "13 Apr 2026").warnings


@given(st.datetimes(dt.datetime(1970, 1, 1), dt.datetime(2068, 12, 31)))
def test_a_general_date_reader_agrees(when):
    # reference library: dateutil, a general-purpose date reader (not for short years, where it
    # goes by today's date)
    for style in ("%d/%m/%Y %H:%M", "%d.%m.%Y", "%d-%b-%Y", "%Y-%m-%dT%H:%M:%S"):
        text = when.strftime(style)
        day_first = not style.startswith("%Y")
        theirs = dateutil.parser.parse(text, dayfirst=day_first).date()
        assert dates_of(text, order="dmy").dates[0] == np.datetime64(theirs)
