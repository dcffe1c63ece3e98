"""The coach's page on paper: the sheet and the cautions on two pages, A4 and Letter."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from made_rows import AS_OF, FIXED_CLUB
from printed import sheets_of
from slow import day_and_night

from forecast import words
from forecast.charts import OpenTables
from forecast.report import ReportData, coach_page, file_names


def club(people: int) -> ReportData:
    """The rows of the fixed club told of so many athletes, with a level and a line ahead each."""
    here = [row for row in FIXED_CLUB if not row.is_away]
    rows = tuple(
        replace(here[n * len(here) // people], athlete=f"Athlete Nr. {n}") for n in range(people)
    )
    weeks = [np.arange(-24, 1), np.arange(27)]
    level, fan = (
        pd.concat(
            [
                pd.DataFrame({"who": row.who, "date": AS_OF + pd.to_timedelta(7 * w, unit="D"),
                              "low": 4.0, "mid": 5.0 + 0.05 * w, "high": 7.0})
                for row in rows
            ]
        )
        for w in weeks
    )  # fmt: skip
    sets = pd.DataFrame({name: [] for name in ("who", "date", "value", "kind", "note")})
    outcome = pd.Series(["open"] * people, name="outcome")
    histories = SimpleNamespace(
        sets=range(100), after_clearing=[],
        spells=pd.DataFrame({"outcome": outcome, "under_way": False}),
    )  # fmt: skip
    away = FIXED_CLUB[-1]
    return ReportData(
        club="Invented club", view=SimpleNamespace(as_of=AS_OF, histories=histories),
        rows=(*rows, away), tables=OpenTables(sets, level, fan), curve=pd.DataFrame(),
        ahead=pd.DataFrame(), ahead_weeks=0, going_back={},
        retests={"Athlete Nr. 2": "Toe pulls (5 of 6 reps)"}, others={},
    )  # fmt: skip


@pytest.mark.parametrize(
    ("people", "pages", "paper"),
    day_and_night([(30, 2, "A4"), (43, 2, "A4"), (43, 2, "Letter")], {(43, 2, "A4")}),
)
def test_the_club_and_the_cautions_print_on_two_pages_at_most(tmp_path, people, pages, paper):
    data = club(people)
    text = coach_page(data, file_names(data.athletes, "athlete"))
    sheets = sheets_of(text, tmp_path, f"@page {{ size: {paper}; }}")
    assert len(sheets) <= pages
    whole = " ".join(sheets)
    for place in range(people):
        assert f"Athlete Nr. {place} " in whole
    assert words.pages.text("coach_caution")[-60:] in whole
    assert words.pages.away_people(data.rows)[0] in whole
    assert "last trained 34 weeks ago" not in whole  # folded on paper too
    assert "One athlete at a time" not in whole  # nobody was opened
    assert "due for a re-test" in whole
