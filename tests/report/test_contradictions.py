"""Pages, charts and the ``weeks`` table say the same of every rung: number, date and state."""

from __future__ import annotations

import html
import io
import re
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from forecast.report.advice import STATE_WORDS
from forecast.report.cards import athlete_cards
from forecast.report.words import say_date, say_usual
from packed import specs_of
from rich.console import Console
from slow import day_and_night

import forecast as fc
from forecast.commands import weeks_screen
from forecast.log import read_club
from forecast.plateau import plateaus
from forecast.readiness import LogView, most_urgent_first
from forecast.report.athlete import athlete_pages
from forecast.report.coach import coach_page, rung_rows
from forecast.report.data import ReportData, gather
from forecast.simulate import LAWS, simulate_cohort

DEMO = Path(__file__).parents[2] / "data_demo" / "club.toml"
CLUBS = [(law, seed) for seed, law in enumerate([*sorted(LAWS), *sorted(LAWS), *sorted(LAWS)])][:20]
CUT = pd.Timestamp("2024-10-14")
QUICK = {"horizon_weeks": 30, "draws": 8, "paths": 96}
MONTHS = "January|February|March|April|May|June|July|August|September|October|November|December"
OFFSETS = np.cumsum([0, *(width + 1 for _, width in weeks_screen.GLANCE)])


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


def hurting(log, summary: pd.DataFrame) -> int:
    """Open rungs of those who noted pain of 4 or more in the four weeks before the cut."""
    late = log.sets["date"].between(CUT - pd.Timedelta(weeks=4), CUT, inclusive="left")
    hurt = log.sets.loc[late & (log.sets["pain"] >= 4), "athlete"]
    return int(summary["athlete"].isin(hurt).sum())


def weeks_table(view: LogView) -> list[dict[str, str]]:
    """The table that ``weeks`` prints, cell by cell."""
    out = io.StringIO()
    result, console = view.forecast(), Console(file=out, width=160)
    weeks_screen.show(console, "club", view.log, weeks_screen.states_shown(view, result), result)
    lines = out.getvalue().split("State", 1)[1].splitlines()[1:]
    cells = [[line[a:b].strip() for a, b in pairwise(OFFSETS)] for line in lines]
    titles = [title for title, _ in weeks_screen.GLANCE]
    rows = [dict(zip(titles, row, strict=True)) for row in cells]
    return rows[: len(view.forecast().summary)]


def numbers(said: str) -> list[int]:
    """The weeks of a range in whole numbers, 0 for less than one, whatever words are between."""
    found = []
    for part in re.findall(r"less than 1|1 week or less|[\d.]+", said):
        found.append(0 if part.startswith("less") else round(float(part.split()[0])))
    return found


def drawn(page: str) -> list[dict]:
    return [row for spec in specs_of(page) for rows in spec["datasets"].values() for row in rows]


def words_of(page: str) -> str:
    page = re.sub(r"<(script|style)\b.*?</\1>", " ", page, flags=re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", page)).split())


def check(data: ReportData, view: LogView) -> int:
    """Compare what each place says of each rung; return how many are on hold."""
    order = most_urgent_first(data.forecast.summary, view.once(plateaus))
    coach, screen = rung_rows(data), weeks_table(view)
    sheet = coach_page(data)
    pages = dict(athlete_pages(data, data.athletes))
    on_sheet, own = words_of(sheet), {name: words_of(page) for name, page in pages.items()}
    club_rows, own_rows = drawn(sheet), {name: drawn(page) for name, page in pages.items()}
    cards = {
        card.pictures[0].who if card.pictures else f"{athlete} \u00b7 {card.name}": card
        for athlete in data.athletes
        for card in athlete_cards(data.only(athlete))
    }
    assert [row.who for row in coach] == list(order["who"])
    assert len(screen) == len(order)
    for (_, row), told, line in zip(order.iterrows(), coach, screen, strict=True):
        card, page = cards[row["who"]], own[row["athlete"]]
        compare_state(row, told, line, card)
        compare_standing(data, row, told, line, card)
        if row["mark"] == "pain":
            on_hold(row, told, line, card)
        else:
            compare_dates(data, row, told, line, card)
        compare_charts(data, row, own_rows[row["athlete"]], club_rows)
        for text in (card.headline, card.stands, card.when, card.state):
            assert " ".join(text.split()) in page
        for text in (told.state, told.stands, told.when):
            assert " ".join(text.split()) in on_sheet
    return int((order["mark"] == "pain").sum())


def compare_state(row, told, line, card) -> None:
    assert told.mark == row["mark"]
    assert told.state.lower().startswith(row["mark"])
    assert line["State"].split(",")[0] == row["mark"]
    assert card.state == STATE_WORDS[row["mark"]]


def compare_standing(data, row, told, line, card) -> None:
    measure = data.ladder.rung(row["rung"]).criterion.measure
    shown = "-" if pd.isna(row["usual"]) else line["Stands at"].split(" / ")[0]
    if shown == "-":
        assert line["Stands at"].startswith("-")
        assert told.stands.startswith("\u2013")
        return
    value = float(shown)
    assert value == pytest.approx(row["usual"], abs=0.051)
    assert float(told.stands.split()[0]) == pytest.approx(value, abs=0.51 if value >= 20 else 0.051)
    assert say_usual(row["usual"], measure) in card.stands


def on_hold(row, told, line, card) -> None:
    assert line["Weeks"] == "on hold"
    assert line["Half by"] == ""
    assert told.weeks == "on hold"
    assert card.headline == "On hold"
    said = " ".join([told.when, *(words for _, words in told.chances), card.when, card.normal])
    assert not re.search(rf"\d|{MONTHS}", said)
    assert card.chances == ()
    assert not re.search("chance", card.stands, re.IGNORECASE)


def compare_dates(data, row, told, line, card) -> None:
    horizon = data.forecast.horizon_weeks
    said = numbers(line["Weeks"])
    at_most = said[-1:] if told.weeks.endswith("or less") else said
    assert numbers(told.weeks) in (at_most, sorted(set(said)))
    wide = row["weeks_high"] - row["weeks_low"]
    if pd.isna(row["date_mid"]):
        assert line["Half by"].startswith(">")
        assert f"more than {horizon} weeks" in card.headline
        assert str(horizon) in told.date
        return
    assert line["Half by"] == str(row["date_mid"].date())
    half = say_date(row["date_mid"], data.as_of, range_weeks=wide)
    assert told.date == half
    assert card.headline.endswith(half)


def compare_charts(data, row, own: list[dict], club: list[dict]) -> None:
    held = row["mark"] == "pain"
    for rows in (own, club):
        mine = [line for line in rows if line.get("who") == row["who"]]
        marks = [line for line in mine if "text_target" in line]
        # Without a set there is nothing for the athlete's own page to draw of the rung.
        assert len(marks) == (rows is club or row["sessions"] > 0)
        if not marks:
            continue
        mark = marks[0]
        assert mark["target"] == row["target"]
        half = mark["date_mid"]
        if half:
            assert not held
            assert half[:10] == str(row["date_mid"].date())
        ahead = [
            line for line in mine if "mid" in line and line["date"][:10] >= str(data.as_of.date())
        ]
        assert not (held and ahead)
        if ahead and pd.notna(row["usual"]):
            assert ahead[0]["mid"] == pytest.approx(row["usual"], abs=0.02)
    curve = [line for line in own if line.get("who") == row["who"] and "p_cleared" in line]
    assert (curve == []) == held
    points = {
        line["share"]: line for line in own if line.get("who") == row["who"] and "share" in line
    }
    if not held and pd.notna(row["weeks_mid"]):
        assert points[0.5]["week"] == pytest.approx(row["weeks_mid"])
        wide = row["weeks_high"] - row["weeks_low"]
        assert points[0.5]["text"].endswith(say_date(row["date_mid"], data.as_of, range_weeks=wide))


@pytest.mark.parametrize(("law", "seed"), day_and_night(CLUBS, CLUBS[:2]))
def test_a_simulated_club_is_told_one_thing(law, seed, with_sets):
    cohort = simulate_cohort(law, 2, seed=100 + seed, weeks=41, follow_up=0)
    log = with_pain(cohort.log, with_sets)
    view = club_model().view(log, CUT)
    data = gather(view, club="Club", for_athlete=False)
    assert check(data, view) == hurting(log, data.forecast.summary)


def test_the_demo_club_is_told_one_thing():
    club = read_club(DEMO)
    view = club_model().view(club.log, club.as_of)  # whatever was learnt, it is told once
    assert check(gather(view, club=club.name, for_athlete=False), view) > 0
