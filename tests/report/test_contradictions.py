"""Pages, charts and the table of a forecast say of every rung what its row says."""

from __future__ import annotations

import html
import re
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from packed import specs_of

import forecast as fc
from forecast.log import read_club
from forecast.report import ReportData, gather
from forecast.report.athlete import athlete_pages
from forecast.report.coach import coach_page
from forecast.report.write import file_names
from forecast.row import FLAT, PAIN, Row
from forecast.simulate import LAWS, simulate_cohort
from forecast.words import captions, for_coach

DEMO = Path(__file__).parents[2] / "data_demo" / "club.toml"
DAILY, NIGHTLY = 2, 20
CLUBS = [
    pytest.param(law, seed, marks=[pytest.mark.nightly] if seed >= DAILY else [])
    for seed, law in enumerate((3 * sorted(LAWS))[:NIGHTLY])
]
CUT = pd.Timestamp("2024-10-14")
QUICK = {"horizon_weeks": 30, "draws": 8, "paths": 96}


@cache
def club_model() -> fc.ReadinessForecaster:
    """One forecaster for all the clubs, the demo club too: they share a ladder."""
    cohort = simulate_cohort("steady", 12, seed=3, weeks=40, follow_up=0)
    return fc.ReadinessForecaster(**QUICK).fit(cohort.log, "2024-10-07")


def with_pain(log, with_sets):
    """The log with pain in the last session of every third athlete."""
    sets = log.sets.copy()
    hurt = sorted(sets["athlete"].unique())[::3]
    last = sets.groupby("athlete")["date"].transform("max")
    sets.loc[sets["athlete"].isin(hurt) & sets["date"].eq(last), "pain"] = 6.0
    return with_sets(log, sets)


def hurting(log, rows: tuple[Row, ...]) -> int:
    """Open rungs of those who noted pain of 4 or more in the four weeks before the cut."""
    late = log.sets["date"].between(CUT - pd.Timedelta(weeks=4), CUT, inclusive="left")
    hurt = set(log.sets.loc[late & (log.sets["pain"] >= 4), "athlete"])
    return sum(row.athlete in hurt for row in rows)


def drawn(page: str) -> list[dict]:
    return [row for spec in specs_of(page) for rows in spec["datasets"].values() for row in rows]


def words_of(page: str) -> str:
    page = re.sub(r"<(script|style)\b.*?</\1>", " ", page, flags=re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", page)).split())


def check(data: ReportData) -> int:
    """Compare what each place says of each row; return how many are on hold."""
    sheet = coach_page(data, file_names(data.athletes, "athlete"))
    pages = dict(athlete_pages(data, data.athletes))
    on_sheet, own = words_of(sheet), {name: words_of(page) for name, page in pages.items()}
    club_rows, own_rows = drawn(sheet), {name: drawn(page) for name, page in pages.items()}
    table = words_of(data.view.forecast()._repr_html_())
    for row in data.rows:
        coach, card = for_coach(row), pages.card(row, data.others.get(row.key, ""))
        for text in (card.line, card.own.headline, card.stands, card.own.why, card.own.next_step):
            assert " ".join(text.split()) in own[row.athlete]
        if row.is_away:
            assert row.who not in {line.get("who") for line in club_rows}
        else:
            for text in (coach.headline, coach.why, coach.next_step, coach.usual_day):
                assert " ".join(text.split()) in on_sheet
            cells = (row.athlete, row.rung.name, coach.stands, coach.weeks, coach.half_by,
                     coach.state)  # fmt: skip
            assert " ".join(" ".join(cells).split()) in table
        for lines in (own_rows[row.athlete], *([] if row.is_away else [club_rows])):
            charts_agree(row, [line for line in lines if line.get("who") == row.who])
    return sum(row.state == PAIN for row in data.rows)


def charts_agree(row: Row, lines: list[dict]) -> None:
    marks = [line for line in lines if "target" in line]
    assert len(marks) == (row.seen.sessions > 0)
    ahead = [line for line in lines if "mid" in line and line["date"] >= str(row.as_of.date())]
    points = {line["share"]: line for line in lines if "share" in line}
    dated = for_coach(row).dated
    if any("p_cleared" in line for line in lines):
        assert sorted(points) == [share for share, week, _ in captions.points(row) if week == week]
    for share, week, text in captions.points(row):
        if share in points:
            assert points[share]["week"] == pytest.approx(week)
            assert points[share]["text"] == text
    if row.hold:
        assert ahead == []
        assert not any("p_cleared" in line for line in lines)
    for mark in marks:
        assert mark["target"] == row.rung.criterion.target
        if mark["date_mid"]:
            assert dated
            assert mark["date_mid"][:10] == str(row.wait.dates[1].date())
    if ahead and np.isfinite(row.level.value):
        assert ahead[0]["mid"] == pytest.approx(row.level.value, abs=0.02)
        if row.state == FLAT:
            assert len({line["mid"] for line in ahead}) == 1


@pytest.mark.parametrize(("law", "seed"), CLUBS)
def test_a_simulated_club_is_told_one_thing(law, seed, with_sets):
    cohort = simulate_cohort(law, 2, seed=100 + seed, weeks=41, follow_up=0)
    log = with_pain(cohort.log, with_sets)
    data = gather(club_model().view(log, CUT), club="Club", for_athlete=False)
    assert check(data) == hurting(log, data.rows)


@pytest.mark.nightly
def test_the_demo_club_is_told_one_thing():
    club = read_club(DEMO)
    view = club_model().view(club.log, club.as_of)  # whatever was learnt, it is told once
    assert check(gather(view, club=club.name, for_athlete=False)) > 0
