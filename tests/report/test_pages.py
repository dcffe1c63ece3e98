"""What stands on the pages: whose data, which cautions, and nothing from outside."""

from __future__ import annotations

import html
import json
import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from awkward import HOSTILE, SLASHED
from forecast.readiness.marks import marked
from forecast.report.account import account
from forecast.report.advice import STATE_WORDS
from forecast.report.cards import athlete_cards
from forecast.report.figures import sheets, span
from forecast.report.files import file_names
from packed import specs_of
from test_percentages import GLUED

from forecast.errors import ForecastError, NotFittedError
from forecast.model import ReadinessForecaster
from forecast.report import open_tables, write_report
from forecast.report.athlete import athlete_pages
from forecast.report.coach import clients, rung_rows

JARGON = (
    "posterior", "hazard", "CRPS", "quantile", "latent", "likelihood", "percentile", "median",
    "credible", "confidence interval", "spell", "horizon", "censor",
)  # fmt: skip
LARGEST = 600_000


def text_of(page: str) -> str:
    """The words of a page, without its code and data."""
    page = re.sub(r"<(script|style)\b.*?</\1>", " ", page, flags=re.DOTALL)
    return html.unescape(re.sub(r"<[^>]+>", " ", page))


def pages_of_athletes(pages) -> dict[str, str]:
    return {
        name: path.read_text(encoding="utf-8")
        for name, path in pages.items()
        if name.startswith("athlete-")
    }


def athlete_page(data, athlete: str) -> str:
    ((_, page),) = athlete_pages(data, [athlete])
    return page


def test_pages_write_percentages_in_one_way(pages):
    said = {name: text_of(path.read_text(encoding="utf-8")) for name, path in pages.items()}
    assert any("\u00a0%" in text for text in said.values())
    assert {name: found for name, text in said.items() if (found := GLUED.findall(text))} == {}


def nothing_open(page):
    return "No rung is open for you now" in page


def test_one_page_a_reader_and_one_an_athlete(pages, report_data):
    assert {"coach.html", "analyst.html"} < set(pages)
    # Whoever has nothing open reads so on a page of their own.
    through = [name for name, page in pages_of_athletes(pages).items() if nothing_open(page)]
    assert len(pages) == 2 + len(report_data.athletes) + len(through)
    assert all(re.fullmatch(r"[a-z0-9-]+\.html", name) for name in pages)


def test_an_athletes_page_holds_nobody_elses_data(pages, report_data):
    others = set(report_data.histories.spells["athlete"]) | set(report_data.athletes)
    files = file_names([*report_data.athletes, *report_data.finished], "athlete")
    for athlete in report_data.athletes:
        page = pages[files[athlete]].read_text(encoding="utf-8")
        mine = html.escape(athlete, quote=True)
        assert athlete in text_of(page)
        # Names of the club's other athletes, as text, as escaped text, or in the charts' data.
        content = page.replace(mine, "").replace(json.dumps(athlete)[1:-1], "")
        data = json.dumps(specs_of(page), ensure_ascii=False)
        for other in others - {athlete}:
            assert not re.search(rf"(?<!\w){re.escape(html.escape(other))}(?!\w)", text_of(content))
            assert f'"{other}' not in data


def test_charts_of_an_athlete_show_that_athletes_sets_alone(report_data):
    athlete = report_data.athletes[0]
    page = athlete_page(report_data, athlete)
    shown = sum(
        "kind" in row
        for spec in specs_of(page)
        for rows in spec["datasets"].values()
        for row in rows
    )
    assert shown == int((report_data.tables.sets["athlete"] == athlete).sum())


def test_names_are_escaped_wherever_they_stand(pages):
    for path in pages.values():
        # The drawing code itself, which no name enters, knows of images.
        page = re.sub(
            r"<script>.*?</script>", "", path.read_text(encoding="utf-8"), flags=re.DOTALL
        )
        assert "<img" not in page
        assert "Invented <Club>" not in page
    assert HOSTILE in text_of(pages["coach.html"].read_text(encoding="utf-8"))
    assert SLASHED in text_of(pages["coach.html"].read_text(encoding="utf-8"))


def test_nothing_comes_from_outside(pages):
    for path in pages.values():
        page = path.read_text(encoding="utf-8")
        own = re.sub(r"<script>.*?</script>", "", page, flags=re.DOTALL)
        assert not re.search(r"(?:src|href)\s*=\s*[\"']?(?:https?:)?//", own.replace("&quot;", ""))
        assert "Content-Security-Policy" in page
        assert "default-src 'none'" in page


def test_the_drawing_code_is_there_once(pages):
    for path in pages.values():
        page = path.read_text(encoding="utf-8")
        assert page.count('id="drawing-code"') == (0 if nothing_open(page) else 1)


def test_a_page_of_one_athlete_is_small(pages):
    for name, path in pages.items():
        if name.startswith("athlete-"):
            assert path.stat().st_size < LARGEST


@pytest.mark.parametrize("phrase", ["pain ends the session", "clears nobody to train"])
def test_cautions_stand_on_pages_for_coach_and_athlete(pages, phrase):
    for name, path in pages.items():
        if name != "analyst.html":
            assert phrase in text_of(path.read_text(encoding="utf-8")).lower()


def test_the_athletes_page_answers_every_question_without_jargon(pages):
    for page in pages_of_athletes(pages).values():
        if nothing_open(page):
            continue
        words = text_of(page)
        for heading in (
            "Where you stand", "The range ahead", "Stuck, or is this normal?",
            "What usually helps", "When to stop and see somebody", "How sure is this?",
        ):  # fmt: skip
            assert heading in words
        found = [word for word in JARGON if re.search(rf"\b{word}", words, re.IGNORECASE)]
        assert found == []
        assert "nan" not in words.lower().split()
        assert "NaT" not in words


def test_every_chart_has_words_instead_of_a_picture(pages):
    for path in pages.values():
        page = path.read_text(encoding="utf-8")
        labels = re.findall(r'role="img" aria-label="([^"]*)"', page)
        assert len(labels) == page.count("data-draw=")
        assert all(len(label) > 20 for label in labels)


def test_the_same_input_gives_the_same_bytes(report_data):
    athlete = report_data.athletes[-1]
    first, second = (athlete_page(report_data, athlete) for _ in range(2))
    assert first == second


def test_the_page_says_what_the_forecast_says(report_data):
    for athlete in report_data.athletes:
        mine = report_data.only(athlete)
        for card, (_, row) in zip(
            athlete_cards(mine), mine.forecast.summary.iterrows(), strict=True
        ):
            assert card.name == row["rung_name"]
            if row["mark"] == "pain":
                assert card.headline == "On hold"
            elif pd.isna(row["weeks_mid"]):
                assert "more than" in card.headline
            elif row["weeks_mid"] >= 1:
                assert f"{round(row['weeks_mid'])} week" in card.headline


def test_pain_comes_first_on_both_pages(awkward_log, small_model, small_cut, tmp_path, with_sets):
    sets = awkward_log.sets.copy()
    latest = sets[sets["date"] < small_cut].groupby("athlete")["date"].max()
    # Pain of long ago puts nobody on hold: those who train.
    training = latest.index[latest >= small_cut - pd.Timedelta(days=21)]
    sets = sets[sets["athlete"].isin(training)].copy()
    last = sets[sets["date"] < small_cut].groupby("athlete")["date"].transform("max")
    sets.loc[sets["date"].eq(last.reindex(sets.index)), "pain"] = 8.0
    log = with_sets(awkward_log, sets)
    written = write_report(
        log, small_model, small_cut, out=tmp_path, who=["coach", "athlete"], club="c"
    )
    by_name = {path.name: path.read_text(encoding="utf-8") for path in written}
    theirs = text_of(next(p for n, p in by_name.items() if n != "coach.html"))
    assert "Pain comes first" in theirs
    assert "see a licensed clinician before you load it again" in theirs
    # Weeks and dates give way on every page, chart and list.
    assert "On hold" in theirs
    assert "If you keep training as you have lately" not in theirs
    assert "Further up" not in theirs
    assert "Chance that your next session" not in theirs
    words = text_of(by_name["coach.html"])
    assert "rungs on hold for pain." in words
    assert "All dates are on hold" in words
    assert "Half by" not in words
    assert "within 4 weeks" not in words
    charts = [spec for page in by_name.values() for spec in specs_of(page)]
    drawn = [row for spec in charts for rows in spec["datasets"].values() for row in rows]
    assert not any("p_cleared" in row or "weeks_mid" in row for row in drawn)
    assert not any(row.get("date_mid") for row in drawn)
    assert "Pain of 8 noted" in words
    assert "Pain: stop and refer" in words


def test_the_most_urgent_stand_first(report_data):
    order = ["pain", "slipping", "flat", "climbing", "away"]
    marks = [row.mark.replace("unclear", "climbing") for row in rung_rows(report_data)]
    assert [order.index(mark) for mark in marks] == sorted(map(order.index, marks))
    assert all(row.why for row in rung_rows(report_data))


def test_the_sheet_has_a_row_an_athlete_linked_both_ways(pages, report_data):
    page = pages["coach.html"].read_text(encoding="utf-8")
    people = clients(report_data, {})
    assert sorted(one.athlete for one in people) == report_data.athletes
    for one in people:
        assert page.count(f'href="#{one.anchor}"') == 1
        assert page.count(f'<details class="client" id="{one.anchor}"') == 1
        file = f"athlete-{one.anchor.removeprefix('client-')}.html"
        assert f'href="{file}"' in page
        own = pages[file].read_text(encoding="utf-8")
        assert f'href="coach.html#{one.anchor}"' in own


def test_the_others_and_the_own_week_answer_what_is_normal(report_data):
    said = {
        (athlete, card.name): card.normal
        for athlete in report_data.athletes
        for card in athlete_cards(report_data.only(athlete))
    }
    spells = report_data.histories.spells.set_index(["athlete", "rung"])["start"]
    seen = 0
    for row in report_data.forecast.summary.itertuples():
        words = said[row.athlete, row.rung_name]
        if row.sessions and row.mark != "pain":
            week = (report_data.as_of - spells[row.athlete, row.rung]).days // 7 + 1
            assert f"you are in week {week}" in words
            assert "others" in words
            seen += 1
    assert seen > 3


def test_level_and_fan_meet_the_forecast(report_data):
    tables = open_tables(report_data.view, report_data.forecast)
    for frame in (tables.level, tables.fan):
        assert (frame["low"] <= frame["mid"]).all()
        assert (frame["mid"] <= frame["high"]).all()
    # The curve reaches a tenth, half and nine tenths where the summary says so.
    for row in tables.points.dropna(subset="week").itertuples():
        curve = tables.curve[tables.curve["who"] == row.who]
        by_week = curve.set_index("week")["p_cleared"]
        last = np.ceil(row.week)
        assert by_week[last - 1] < row.share + 1e-6
        assert by_week[last] > row.share - 1e-6
    first = tables.curve.groupby("who").head(1)
    assert (first["week"] == 0).all()
    assert (first["p_cleared"] == 0).all()


def test_sets_on_the_chart_are_the_sets_of_the_log(report_data, awkward_log, small_cut):
    sets = awkward_log.sets[awkward_log.sets["date"] < small_cut]
    summary = report_data.forecast.summary
    open_sets = sets.merge(summary[["athlete", "rung", "who"]], on=["athlete", "rung"])
    shown = report_data.tables.sets.groupby("who").size()
    assert shown.to_dict() == open_sets.groupby("who").size().to_dict()


@pytest.mark.parametrize(("count", "rows"), [(1, 20), (20, 20), (21, 20), (61, 20), (0, 20)])
def test_long_lists_are_cut_into_even_parts(count, rows):
    parts = sheets(count, rows)
    sizes = [part.stop - part.start for part in parts]
    assert sum(sizes) == count
    assert max(sizes) <= rows
    assert max(sizes) - min(sizes) <= 1
    assert (span(parts[0], count) == "") == (len(parts) == 1)


def test_an_unknown_reader_is_named(awkward_log, small_model, small_cut, tmp_path):
    with pytest.raises(ForecastError, match=r"'judge'.*coach, analyst, athlete"):
        write_report(awkward_log, small_model, small_cut, who=["judge"], out=tmp_path)


def test_a_model_must_be_fitted(awkward_log, small_cut, tmp_path):
    with pytest.raises(NotFittedError):
        write_report(awkward_log, ReadinessForecaster(), small_cut, out=tmp_path)


def test_a_folder_that_cant_be_made_is_named(awkward_log, small_model, small_cut, tmp_path):
    (tmp_path / "taken").write_text("x")
    with pytest.raises(ForecastError, match="taken"):
        write_report(awkward_log, small_model, small_cut, out=tmp_path / "taken")


def test_a_usual_day_never_exceeds_the_best_of_the_last_five_sessions(report_data):
    sessions = report_data.histories.sessions
    for row in report_data.forecast.summary.itertuples():
        own = sessions[(sessions["athlete"] == row.athlete) & (sessions["rung"] == row.rung)]
        best = own.sort_values("date").tail(5)["best"].max()
        if row.sessions and pd.notna(row.usual):
            assert row.usual <= best
        if report_data.ladder.rung(row.rung).criterion.measure == "reps" and pd.notna(row.usual):
            assert row.usual == np.floor(row.usual)


def test_one_mark_decides_what_coach_and_athlete_read(report_data):
    marks = report_data.forecast.summary.set_index(["athlete", "rung_name"])["mark"]
    assert set(marks) <= {"pain", "away", "slipping", "flat", "climbing", "unclear"}
    for row in rung_rows(report_data):
        assert row.mark == marks[row.athlete, row.rung]
        assert row.state.lower().startswith(row.mark)
        assert row.held == (row.mark == "pain")
    for athlete in report_data.athletes:
        for card in athlete_cards(report_data.only(athlete)):
            assert card.state == STATE_WORDS[marks[athlete, card.name]]


def test_the_first_mark_that_holds_decides():
    summary = pd.DataFrame(
        {"athlete": list("abcd"), "rung": "r", "warnings": ["", "pain noted lately", "", ""]}
    )
    states = pd.DataFrame(
        {
            "athlete": list("abc"),
            "rung": "r",
            "state": ["flat", "paused", "paused"],
            "pain": [5.0, 4.0, np.nan],
        }
    )
    assert marked(summary, states)["mark"].tolist() == ["pain", "pain", "away", "unclear"]


def test_notes_stay_off_an_athletes_page_unless_asked_for(report_data):
    athlete = report_data.athletes[0]
    written = replace(report_data.tables, sets=report_data.tables.sets.assign(note="seemed tired"))
    for notes in (False, True):
        data = replace(report_data, tables=written, notes=notes)
        page = athlete_page(data, athlete)
        assert "seemed tired" not in text_of(page)
        assert ("seemed tired" in json.dumps(specs_of(page))) == notes


def test_the_account_of_the_data_adds_up(report_data, awkward_log, small_cut):
    said = account(report_data.histories)
    before = awkward_log.sets[awkward_log.sets["date"] < small_cut]
    total, way, after = (int(n.replace(",", "")) for n in re.findall(r"[\d,]*\d", said)[:3])
    assert total == way + after == len(before)
    spells = re.search(r"(\d+) spells .*rung: (.*?)[;.]", said)
    assert int(spells[1]) == sum(map(int, re.findall(r"\d+", spells[2])))
