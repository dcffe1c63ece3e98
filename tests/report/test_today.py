"""Today's sheet: a line an athlete, on paper one page, and typed in it is read back."""

from __future__ import annotations

import io
import unicodedata
from dataclasses import replace

import pandas as pd
import pytest
from made_rows import FIXED_CLUB, row
from printed import sheets_of

from forecast.log import read_log
from forecast.report import Sheet, today
from forecast.words import pages, say

PEOPLE = 18


@pytest.fixture(scope="module")
def sheet(small_view) -> Sheet:
    return today(small_view, club="Invented club")


def test_a_line_for_each_who_is_not_away_of_the_most_urgent_rung(sheet, small_view):
    here = [one for one in small_view.rows if not one.is_away]
    first = {one.athlete: one for one in reversed(here)}
    assert sorted(sheet.table["athlete"]) == sorted(first)
    for line in sheet.table.itertuples():
        one = first[line.athlete]
        assert line.rung == one.rung.key
        assert line.more == sum(other.athlete == line.athlete for other in here) - 1
        assert (line.reach == "") == bool(one.hold)
        assert line.chance == (say.percent(one.wait.next_session) if one.wait else "on hold")
    assert sheet._repr_html_().count("<tr>") == 1 + len(sheet.table)


def test_what_is_reached_today_counts_the_sessions_in_a_row():
    hold, pulls = FIXED_CLUB[0].rung, next(r.rung for r in FIXED_CLUB if r.rung.key == "pulls")
    told = [pages.today(row(rung=rung, run=run))["makes"]
            for rung, run in ((hold, 0), (pulls, 0), (pulls, 1))]  # fmt: skip
    assert told == ["clears it", "1 of 2 in a row", "clears it"]
    hurts = pages.today(row(state="pain", hold="pain", wait=None, pain=5.0), 8.0)
    assert (hurts["reach"], hurts["makes"], hurts["fallback"]) == ("", "", "")


def test_who_comes_back_after_long_is_on_the_sheet_if_present(small_view):
    one = small_view.rows[-1]
    assert list(today(small_view, [one.athlete]).table["athlete"]) == [one.athlete]


def test_the_last_session_is_the_one_in_the_log(sheet, small_view):
    sessions = small_view.histories.sessions
    for line in sheet.table.itertuples():
        mine = sessions[(sessions["athlete"] == line.athlete) & (sessions["rung"] == line.rung)]
        if len(mine):
            days = (small_view.as_of - mine["date"].max()).days
            assert line.last.endswith(say.ago(days / 7))
        else:
            assert line.last == "not yet"


def test_the_sheet_typed_in_is_read_back(sheet, small_view, tmp_path):
    path = tmp_path / "sheet.csv"
    table = pd.read_csv(io.BytesIO(sheet.csv()), dtype="str", keep_default_na=False)
    table.loc[0, ["set 1", "set 2", "set 3", "pain", "note"]] = ["8", "7 bent", "6 band", "2", "hm"]
    table.loc[1, ["set 1", "set 2"]] = ["5", "4"]
    table.to_csv(path, index=False)
    everybody = read_log(path, small_view.log.ladder)
    assert set(everybody.rejected["row"]) == set(range(4, len(table) + 2))  # who did not come
    table.head(2).to_csv(path, index=False)
    log = read_log(path, small_view.log.ladder)
    assert len(log.rejected) == 0
    first, second = (log.sets[log.sets["athlete"] == name] for name in sheet.table["athlete"][:2])
    assert first["value"].tolist() == [8, 7, 6]
    assert first["clean"].tolist() == [True, False, True]
    assert first["assisted"].tolist() == [False, False, True]
    assert first["pain"].tolist() == [2.0] * 3
    assert set(first["rung"]) == {sheet.table["rung"][0]}
    assert set(first["date"]) == {small_view.as_of}
    assert second["value"].tolist() == [5, 4]
    assert len(log.sets) == len(everybody.sets) == 5


@pytest.mark.parametrize("paper", ["A4 landscape", "letter landscape"])
def test_a_full_evening_prints_on_one_page_with_every_word(small_view, tmp_path, paper):
    sheet = today(small_view)
    few = pd.concat([sheet.table] * PEOPLE, ignore_index=True).head(PEOPLE)
    few["athlete"] = [f"Athlete Nr. {n}" for n in range(PEOPLE)]
    printed = sheets_of(
        replace(sheet, table=few).html(), tmp_path, f"@page wide {{ size: {paper}; }}"
    )
    (text,) = printed
    for line in few.itertuples():
        for words in (line.athlete, line.rung_name, line.reach, line.action):
            flat = unicodedata.normalize("NFKC", words).split()
            assert all(word in text for word in flat)
    assert "Pain ends the session" in text
