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
from packed import specs_of
from test_percentages import GLUED

from forecast.errors import ForecastError, NotFittedError
from forecast.model import ReadinessForecaster
from forecast.report import athlete_pages, coach_page, file_names, open_tables, write_report
from forecast.report.page import sheets
from forecast.row import FLAT, SLIPPING, Away

JARGON = (
    "posterior", "hazard", "CRPS", "quantile", "latent", "likelihood", "percentile", "median",
    "credible", "confidence interval", "spell", "horizon", "censor",
)  # fmt: skip
LARGEST = 60_000
"""Bytes of one athlete's page; the code that draws is 400,000 more."""


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
        assert set(re.findall(r'src="([^"]*)"', own.replace(HOSTILE, ""))) <= {"charts.js"}
        assert "Content-Security-Policy" in page
        assert "default-src 'none'" in page


def test_the_drawing_code_is_there_once_for_all_pages(pages):
    (folder,) = {path.parent for path in pages.values()}
    assert [path.name for path in folder.iterdir() if path.name not in pages] == ["charts.js"]
    for path in pages.values():
        page = path.read_text(encoding="utf-8")
        assert page.count('<script src="charts.js">') == (0 if nothing_open(page) else 1)
        assert 'drawing-code">' not in page


def test_a_page_can_be_kept_whole_to_be_mailed_alone(
    pages, awkward_log, small_model, small_cut, tmp_path
):
    written = write_report(
        awkward_log, small_model, small_cut, out=tmp_path, who=["coach"], club="Invented <Club>",
        single_file=True,
    )  # fmt: skip
    assert [path.name for path in tmp_path.iterdir()] == ["coach.html"]
    page = written[0].read_text(encoding="utf-8")
    assert page.count('id="drawing-code"') == 1
    assert 'src="charts.js"' not in page
    assert "file:" not in page.split("</head>")[0]
    linked = pages["coach.html"].read_text(encoding="utf-8")
    assert specs_of(page) == specs_of(linked)


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


@pytest.mark.parametrize(("count", "rows"), [(1, 20), (20, 20), (21, 20), (61, 20), (0, 20)])
def test_long_lists_are_cut_into_even_parts(count, rows):
    parts = sheets(count, rows)
    sizes = [part.stop - part.start for part in parts]
    assert sum(sizes) == count
    assert max(sizes) <= rows
    assert max(sizes) - min(sizes) <= 1


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


def drawn_on(page: str) -> list[dict]:
    return [row for spec in specs_of(page) for rows in spec["datasets"].values() for row in rows]


def test_charts_of_an_athlete_show_that_athletes_sets_alone(report_data):
    athlete = report_data.athletes[0]
    shown = sum("kind" in row for row in drawn_on(athlete_page(report_data, athlete)))
    mine = [row.who for row in report_data.rows if row.athlete == athlete]
    assert shown == int(report_data.tables.sets["who"].isin(mine).sum())


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
    for page in (theirs, text_of(by_name["coach.html"]).split("How to read this")[0]):
        assert "On hold" in page
        for ahead in ("Half clear it", "within 4 weeks", "Further up", "your next session"):
            assert ahead not in page
    drawn = [row for page in by_name.values() for row in drawn_on(page)]
    assert not any("p_cleared" in row or "weeks_mid" in row for row in drawn)
    assert not any(row.get("date_mid") for row in drawn)
    ahead = [row for row in drawn if "mid" in row and row["date"] >= str(small_cut.date())]
    assert ahead == []


def test_the_sheet_has_a_line_for_each_who_is_not_away_linked_both_ways(pages, report_data):
    page = pages["coach.html"].read_text(encoding="utf-8")
    names = list(dict.fromkeys(row.athlete for row in report_data.here))
    linked = re.findall(r'<tr class="\w+"><th scope="row"><a href="#(.*?)">(.*?)</a>', page)
    assert [html.unescape(name) for _, name in linked] == names
    for anchor, _ in linked:
        assert page.count(f'<details class="client" id="{anchor}"') == 1
        file = f"athlete-{anchor.removeprefix('client-')}.html"
        assert f'href="{file}"' in page
        own = pages[file].read_text(encoding="utf-8")
        assert f'href="coach.html#{anchor}"' in own


def test_who_is_away_for_long_is_one_line_and_on_no_chart_of_the_club(report_data):
    gone = report_data.here[0]
    rows = (
        *report_data.here[1:],
        replace(gone, verdict=replace(gone.verdict, state="paused"), away=Away(True, True, 9.0, 3)),
    )
    data = replace(report_data, rows=rows)
    page = coach_page(data, file_names(data.athletes, "athlete"))
    away = sum(row.is_away for row in rows)
    assert f"{away} rung" in text_of(page)
    assert gone.who not in {row.get("who") for row in drawn_on(page)}


def test_level_and_line_ahead_meet_the_row(report_data):
    tables = report_data.tables
    for frame in (tables.level, tables.fan):
        assert (frame["low"] <= frame["mid"]).all()
        assert (frame["mid"] <= frame["high"]).all()
    ahead = tables.fan.groupby("who")["mid"]
    for row in report_data.rows:
        if row.who in ahead.groups and np.isfinite(row.level.value):
            line = ahead.get_group(row.who)
            assert line.iloc[0] == pytest.approx(row.level.value, abs=0.02)
            if row.state == FLAT:
                assert line.nunique() == 1
            if row.state == SLIPPING:
                assert line.max() <= line.iloc[0]


def test_what_is_flat_or_slips_does_not_climb_in_the_chart(report_data):
    """Each row under way drawn as if it were flat, and as if it slipped."""
    for state in (FLAT, SLIPPING):
        rows = [
            replace(row, verdict=replace(row.verdict, state=state))
            for row in report_data.rows
            if row.seen.sessions and row.wait
        ]
        ahead = open_tables(report_data.view, rows).fan.groupby("who")["mid"]
        assert len(ahead) == len(rows)
        assert (ahead.max() <= ahead.first() + 0.02).all()


def test_sets_on_the_chart_are_the_sets_of_the_log(report_data, awkward_log, small_cut):
    sets = awkward_log.sets[awkward_log.sets["date"] < small_cut]
    counts = sets.groupby(["athlete", "rung"]).size()
    shown = report_data.tables.sets.groupby("who").size().to_dict()
    tried = [row for row in report_data.rows if row.seen.sessions]
    assert shown == {row.who: counts[row.key] for row in tried}


def test_notes_stay_off_an_athletes_page_unless_asked_for(report_data):
    athlete = report_data.athletes[0]
    sets = report_data.tables.sets.assign(note="seemed tired")
    written = replace(report_data.tables, sets=sets)
    for notes in (False, True):
        data = replace(report_data, tables=written, notes=notes)
        page = athlete_page(data, athlete)
        assert "seemed tired" not in text_of(page)
        assert ("seemed tired" in json.dumps(specs_of(page))) == notes


def test_the_account_of_the_data_adds_up(report_data, awkward_log, small_cut):
    before = awkward_log.sets[awkward_log.sets["date"] < small_cut]
    figures = re.findall(r"[\d,]*\d", report_data.account)
    total, way, after = (int(n.replace(",", "")) for n in figures[:3])
    assert total == way + after == len(before)
    spells = re.search(r"(\d+) spells .*rung: (.*?)[;.]", report_data.account)
    assert int(spells[1]) == sum(map(int, re.findall(r"\d+", spells[2])))
