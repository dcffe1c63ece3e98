"""Clubs with too little in their logs: each section says so, no page is lost, all say the same."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from account import check_account, words_of
from packed import texts_of
from slow import day_and_night
from tiny_clubs import CLUBS, as_csv

import forecast as fc
from forecast.__main__ import main
from forecast.ahead import what_if
from forecast.log import TrainingLog
from forecast.model import View
from forecast.report import write_report
from forecast.report.analyst import QUESTIONS
from forecast.words.pages import text as page_text

NO_CURVE = "No rung has a curve yet"
NOBODY_BEGAN = "was under way when the log began|were under way when the log began"
NO_LAPSE = "Not enough data on lapse"
NO_MARK = "Learnt from|No rung leads on to another"
NO_ROSTER = "No roster was given"
NO_LINE = "no line to draw from one to the other"
FEW_SPELLS = "Too little to compare rungs by|there is no other rung to compare it with"

SAID = {
    "one_athlete": {"clearing": NOBODY_BEGAN, "pace": "The pace of one athlete alone"},
    "nobody_cleared": {"clearing": NO_CURVE, "lapse": "A curve takes 3 spells"},
    "one_set": {"growth": NO_LINE, "pace": "there is nobody and nothing to compare with"},
    "two_sets": {"growth": NO_LINE, "bottlenecks": FEW_SPELLS},
    "everything_cleared": {"bottlenecks": FEW_SPELLS},
    "on_the_rung_when_the_log_begins": {"clearing": NOBODY_BEGAN},
    "three_athletes": {"clearing": NO_CURVE},
}
"""What sections of some clubs must say beside what those of all clubs must."""
BY_DAY = ("one_athlete", "nobody_cleared", "everything_cleared", "one_set")
"""Clubs of the day's tier; the others wait for the night."""
OF_ALL = {
    "lapse": NO_LAPSE,
    "audit": NO_MARK,
    "roster": NO_ROSTER,
    "trust": "Stricter: 'backtest|Not worked out",
}


@dataclass(frozen=True)
class Club:
    """A club's files, its log, a forecaster fitted to it, and the log as that one sees it."""

    folder: Path
    log: TrainingLog
    model: fc.ReadinessForecaster
    view: View


@pytest.fixture(scope="module")
def club_of(tmp_path_factory):
    """Return a function: the club of a name, fitted once."""

    @cache
    def make(name: str) -> Club:
        folder = tmp_path_factory.mktemp(name)
        ladder, rows = CLUBS[name]
        (folder / "ladder.toml").write_text(ladder, encoding="utf-8")
        (folder / "log.csv").write_text(as_csv(rows()), encoding="utf-8")
        log = fc.read_log(folder / "log.csv", fc.read_ladder(folder / "ladder.toml"))
        set_aside = 1 if name == "last_row_two_years_ahead" else 0  # it stands alone, and is said
        assert len(log.rejected) == set_aside
        model = fc.ReadinessForecaster(horizon_weeks=26, draws=8, paths=96).fit(log)
        return Club(folder, log, model, model.view(log))

    return make


def section(page: str, slot: str) -> str:
    """The words of one question of the analyst's page."""
    found = re.search(rf'<section aria-labelledby="part-{slot}">(.*?)</section>', page, re.DOTALL)
    assert found, f"the analyst's page has no section {slot}"
    return words_of(found.group(1))


def refuse(constant: str) -> None:
    raise AssertionError(f"{constant} in a chart's data")


def check_page(page: str) -> None:
    """Nothing on it that is not a number, in words or in charts."""
    found = re.findall(r"(?<![\w-])(?:nan|NaN|NaT|inf|None)(?![\w-])", words_of(page))
    assert found == []
    for text in texts_of(page):
        json.loads(text, parse_constant=refuse)
        assert "nan" not in text


def check_pages(paths: list[Path], name: str) -> None:
    pages = {path.name: path.read_text(encoding="utf-8") for path in paths}
    assert {"coach.html", "analyst.html"} < set(pages)
    assert any(file.startswith("athlete-") for file in pages)
    for page in pages.values():
        check_page(page)
    for slot in QUESTIONS:
        title = page_text(f"ask_{slot}")
        answer = section(pages["analyst.html"], slot).removeprefix(title).strip()
        assert answer, f"nothing is said under {title!r}"
    for slot, sentence in {**OF_ALL, **SAID.get(name, {})}.items():
        assert re.search(sentence, section(pages["analyst.html"], slot))


@pytest.mark.parametrize("name", day_and_night(CLUBS, BY_DAY))
def test_every_page_of_any_club_is_written(club_of, name, tmp_path):
    club = club_of(name)
    check_pages(write_report(club.view, out=tmp_path, club="Tiny club"), name)


@pytest.mark.parametrize("name", day_and_night(CLUBS, BY_DAY))
def test_any_club_tells_one_story(club_of, name):
    check_account(club_of(name).view)


NUMBERS = ("level", "level_value", "gain_per_week", "p_next_session", "p_never_in_horizon")


@pytest.mark.parametrize("name", day_and_night(CLUBS, BY_DAY))
def test_the_ladder_ahead_is_finite(club_of, name):
    club = club_of(name)
    ahead = club.view.ladder_ahead(target_date=club.view.as_of + pd.Timedelta(days=99))
    tables = [ahead.summary, ahead.target]
    if len(ahead.summary):
        asked = what_if(club.view, athlete=ahead.summary["athlete"][0], sessions_per_week=[3])
        tables.append(asked.table)
    for table in tables:
        known = [column for column in NUMBERS if column in table]
        # A gain is measured: there is none before the first session.
        tried = table["sessions"] > 0 if "sessions" in table else np.ones(len(table), dtype=bool)
        rest = [column for column in known if column != "gain_per_week"]
        assert np.isfinite(table[rest].to_numpy(dtype=float)).all()
        assert np.isfinite(table.loc[tried, known].to_numpy(dtype=float)).all()
        assert not np.isinf(table.select_dtypes("number").to_numpy(dtype=float)).any()
    assert ahead.curve["p_cleared"].between(0, 1).all()
    assert (ahead.summary["level_value"] <= 1000 * ahead.summary["target"]).all()


@pytest.mark.parametrize("name", day_and_night(CLUBS, BY_DAY))
def test_the_forecast_is_finite_and_never_falls(club_of, name):
    club = club_of(name)
    result = club.view.forecast()
    for _, rows in result.curve.groupby(["athlete", "rung"]):
        chances = rows.sort_values("week")["p_cleared"].to_numpy()
        assert ((chances >= 0) & (chances <= 1)).all()
        assert (np.diff(chances) >= 0).all()
    tried = result.summary["sessions"] > 0
    known = result.summary.loc[tried, ["level", "level_value", "gain_per_week", "p_next_session"]]
    assert np.isfinite(known.to_numpy(dtype=float)).all()


@pytest.mark.parametrize(
    "name", day_and_night(["everything_cleared", "all_cleared_at_once"], BY_DAY)
)
def test_who_has_no_open_rung_reads_so(club_of, name, tmp_path):
    club = club_of(name)
    paths = {p.name: p for p in write_report(club.view, out=tmp_path, who=["athlete"])}
    said = words_of(paths["athlete-al0.html"].read_text(encoding="utf-8"))
    assert ("No rung is open for you now" in said) == (name == "everything_cleared")
    assert "Pain ends the session" in said


def test_a_club_without_an_open_rung_is_told_that_nobody_waits(club_of, tmp_path):
    club = club_of("everything_cleared")
    path = write_report(club.view, out=tmp_path, who=["coach"])[0]
    said = words_of(path.read_text(encoding="utf-8"))
    assert "No rung is open" in said
    assert "Pain ends the session" in said


def test_what_is_short_on_every_rung_is_said_once(club_of, tmp_path):
    club = club_of("nobody_cleared")
    path = write_report(club.view, out=tmp_path, who=["analyst"])[0]
    for slot in QUESTIONS:
        said = section(path.read_text(encoding="utf-8"), slot)
        assert said.lower().count("not enough data") <= 1


@pytest.fixture
def command(capsys):
    """Return a function: the pages that the command writes for a club."""

    def run(club: Club, out: Path, *options: str) -> list[Path]:
        log, ladder = str(club.folder / "log.csv"), str(club.folder / "ladder.toml")
        with pytest.raises(SystemExit) as end:
            main(["report", log, "--ladder", ladder, "--out", str(out), *options])
        said = capsys.readouterr()
        assert (end.value.code or 0) == 0, said.err
        return [Path(line) for line in said.out.splitlines() if line.endswith(".html")]

    return run


@pytest.mark.parametrize("name", day_and_night(["one_athlete", "everything_cleared"], BY_DAY[:1]))
def test_the_command_writes_them_too(club_of, command, name, tmp_path):
    club = club_of(name)
    club.model.save(tmp_path / "model.zip")
    check_pages(command(club, tmp_path / "out", "--model", str(tmp_path / "model.zip")), name)


def test_the_command_fits_a_log_of_one_set(club_of, command, tmp_path):
    check_pages(command(club_of("one_set"), tmp_path), "one_set")
