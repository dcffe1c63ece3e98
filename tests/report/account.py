"""One check of a view: tables, exports, charts and pages say of each rung what its row says."""

from __future__ import annotations

import html
import io
import json
import re

import numpy as np
import pandas as pd
import pytest
from packed import specs_of

from forecast.changes import snapshot
from forecast.commands.weeks import WRITERS, Format
from forecast.model import View
from forecast.report import athlete_pages, coach_page, file_names, gather
from forecast.result import ReadinessForecast
from forecast.row import FLAT, PAIN, SUMMARY_COLUMNS, Row
from forecast.words import captions, for_coach
from forecast.words import pages as sentences

AHEAD = [name for name in SUMMARY_COLUMNS if name.startswith(("p_", "weeks_", "date_"))]


def check_account(view: View, club: str = "Club") -> int:
    """Check every output of the view against its rows; return how many are on hold."""
    rows = {row.key: row for row in view.rows}
    result = view.forecast()
    assert len(result.summary) == len(rows)
    for line in result.summary.itertuples(index=False):
        check_line(line, rows[line.athlete, line.rung], result.curve)
    check_exports(result)
    for line in view.plateaus().itertuples(index=False):
        row = rows[line.athlete, line.rung]
        assert (line.state, line.reason) == (row.state, for_coach(row).why)
        assert pd.isna(line.since) == (row.verdict.since is None)
    check_ladder(view, result.summary)
    shown = snapshot(view).rungs.set_index(["athlete", "rung"])
    for key, row in rows.items():
        assert shown.at[key, "state"] == row.state
    check_pages(view, result, club)
    return sum(row.state == PAIN for row in view.rows)


def check_line(line, row: Row, curve: pd.DataFrame) -> None:
    """One line of the summary, and its curve."""
    assert line.state == row.state
    mine = curve[(curve["athlete"] == line.athlete) & (curve["rung"] == line.rung)]
    if row.hold:
        assert line.on_hold == line.state == "pain"
        assert all(pd.isna(getattr(line, name)) for name in AHEAD)
        assert mine.empty
        return
    assert pd.isna(line.on_hold)
    assert mine["p_cleared"].is_monotonic_increasing
    for week, chance in row.wait.chances.items():
        shown = getattr(line, f"p_{week}")
        assert np.isnan(chance) == np.isnan(shown)
        if not np.isnan(shown):
            assert shown == pytest.approx(mine.set_index("week").at[week, "p_cleared"], abs=1e-6)
    if row.verdict.state == "flat":
        assert row.gain.lately <= row.verdict.least
    if row.verdict.state == "climbing":
        assert row.verdict.p_climbing >= 0.5
    level = row.level.guess if np.isnan(row.level.value) else row.level.value
    assert line.level_value == pytest.approx(level, abs=1e-6)


def check_exports(result: ReadinessForecast) -> None:
    """CSV, JSON and Parquet hold the summary, and nothing ahead beside a hold."""
    csv = pd.read_csv(io.BytesIO(WRITERS[Format.csv](result)))
    parquet = pd.read_parquet(io.BytesIO(WRITERS[Format.parquet](result)))
    held = result.summary["on_hold"].notna().to_numpy()
    for table in (csv, parquet):
        assert table["state"].tolist() == result.summary["state"].tolist()
        assert table.loc[held, AHEAD].isna().all(axis=None)
        np.testing.assert_allclose(
            table["weeks_mid"].to_numpy(float), result.summary["weeks_mid"].to_numpy(float)
        )
    whole = json.loads(WRITERS[Format.json](result))
    for line, hold in zip(whole["forecasts"], held, strict=True):
        if hold:
            assert not any(line[name] for name in AHEAD)
            assert line["p_cleared_by_week"] is None


def check_ladder(view: View, summary: pd.DataFrame) -> None:
    """Open rungs read the same up the ladder; athletes in pain have no date on any rung."""
    ahead = view.ladder_ahead(horizon_weeks=40)
    table = ahead.summary.set_index(["athlete", "rung"])
    hurt = set(summary.loc[summary["on_hold"].notna(), "athlete"])
    mine = table.index.get_level_values("athlete").isin(hurt)
    assert table.loc[mine, AHEAD].isna().all(axis=None)
    assert not set(ahead.curve["athlete"]) & hurt
    here = summary.set_index(["athlete", "rung"])
    for name in ("state", "level_value", "gain_lately", "weeks_low", "p_4", "p_flat"):
        same = table.loc[here.index, name]
        if name == "weeks_low":  # the ladder looks further ahead than the forecast
            same = same.where(same <= view.model.horizon_weeks)
        pd.testing.assert_series_equal(same, here[name], check_dtype=False)


def drawn(page: str) -> list[dict]:
    """Rows that the charts of a page hold."""
    return [row for spec in specs_of(page) for rows in spec["datasets"].values() for row in rows]


def words_of(page: str) -> str:
    """Text of a page without its code."""
    page = re.sub(r"<(script|style)\b.*?</\1>", " ", page, flags=re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", page)).split())


def check_pages(view: View, result: ReadinessForecast, club: str) -> None:
    """The coach's sheet, each athlete's page, their charts, and the table in a notebook."""
    data = gather(view, club=club, for_athlete=False)
    sheet = coach_page(data, file_names(data.athletes, "athlete"))
    pages = dict(athlete_pages(data, data.athletes))
    on_sheet, own = words_of(sheet), {name: words_of(page) for name, page in pages.items()}
    club_rows, own_rows = drawn(sheet), {name: drawn(page) for name, page in pages.items()}
    table = words_of(result._repr_html_())
    for row in data.rows:
        coach, card = for_coach(row), sentences.card(row, data.others.get(row.key, ""))
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
            check_charts(row, [line for line in lines if line.get("who") == row.who])
    if data.rows and all(row.hold for row in data.rows):
        assert not re.search(r"half by|8 in 10 in", on_sheet)


def check_charts(row: Row, lines: list[dict]) -> None:
    """The mark, the level and the points ahead, and nothing ahead beside a hold."""
    marks = [line for line in lines if "target" in line]
    assert len(marks) == (row.seen.sessions > 0)
    ahead = [line for line in lines if "mid" in line and line["date"] >= str(row.as_of.date())]
    points = {line["share"]: line for line in lines if "share" in line}
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
            assert for_coach(row).dated
            assert mark["date_mid"][:10] == str(row.wait.dates[1].date())
    if ahead and np.isfinite(row.level.value):
        assert ahead[0]["mid"] == pytest.approx(row.level.value, abs=0.02)
        if row.state == FLAT:
            assert len({line["mid"] for line in ahead}) == 1
