"""A walk through every output of odd clubs: all say of a rung what its row says, and no more."""

from __future__ import annotations

import html
import io
import json
import re
from functools import cache

import numpy as np
import pandas as pd
import pytest
from tiny_clubs import CLUBS, LADDER, as_csv

import forecast as fc
from forecast import words
from forecast.changes import snapshot
from forecast.commands.weeks import WRITERS, Format
from forecast.report import gather, write_report
from forecast.row import SUMMARY_COLUMNS
from forecast.simulate import LAWS, simulate_cohort

QUICK = {"horizon_weeks": 30, "draws": 8, "paths": 96}
CUT = pd.Timestamp("2024-10-14")
TINY = [name for name, (ladder, _) in CLUBS.items() if ladder == LADDER]
MADE = [(law, seed) for seed, law in enumerate([*sorted(LAWS), *sorted(LAWS)])]
AHEAD = [n for n in SUMMARY_COLUMNS if n.startswith(("p_", "weeks_", "date_"))]


def log_of(name, folder) -> fc.TrainingLog:
    (folder / "ladder.toml").write_text(LADDER, encoding="utf-8")
    (folder / "sets.csv").write_text(as_csv(CLUBS[name][1]()), encoding="utf-8")
    return fc.read_log(folder / "sets.csv", fc.read_ladder(folder / "ladder.toml"))


@cache
def tiny_model() -> fc.ReadinessForecaster:
    import pathlib
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        return fc.ReadinessForecaster(**QUICK).fit(log_of("three_athletes", pathlib.Path(folder)))


@cache
def made_model() -> fc.ReadinessForecaster:
    cohort = simulate_cohort("steady", 12, seed=3, weeks=40, follow_up=0)
    return fc.ReadinessForecaster(**QUICK).fit(cohort.log, "2024-10-07")


def in_pain(log, with_sets):
    """The log with pain in the last session of every third athlete."""
    sets = log.sets.copy()
    hurt = sorted(sets["athlete"].unique())[::3]
    last = sets.groupby("athlete")["date"].transform("max")
    sets.loc[sets["athlete"].isin(hurt) & sets["date"].eq(last), "pain"] = 6.0
    return with_sets(log, sets)


def check(view, folder):
    rows = {row.key: row for row in view.rows}
    result = view.forecast()
    summary = result.summary
    assert len(summary) == len(rows)
    for line in summary.itertuples(index=False):
        _line_is_row(line, rows[line.athlete, line.rung], result.curve)
    _exports(result)
    _states(view, rows)
    _ladder(view, summary)
    shown = snapshot(view).rungs.set_index(["athlete", "rung"])
    for key, row in rows.items():
        assert shown.at[key, "state"] == row.state
    _pages(view, rows, folder)


def _line_is_row(line, row, curve):
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
        told = getattr(line, f"p_{week}")
        assert np.isnan(chance) == np.isnan(told)
        if not np.isnan(told):
            assert told == pytest.approx(mine.set_index("week").at[week, "p_cleared"], abs=1e-6)
    if row.verdict.state == "flat":
        assert row.gain.lately <= row.verdict.least
    if row.verdict.state == "climbing":
        assert row.verdict.p_climbing >= 0.5
    shown = row.level.guess if np.isnan(row.level.value) else row.level.value
    assert line.level_value == pytest.approx(shown, abs=1e-6)


def _exports(result):
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


def _states(view, rows):
    table = view.plateaus()
    for line in table.itertuples(index=False):
        row = rows[line.athlete, line.rung]
        assert (line.state, line.reason) == (row.state, words.for_coach(row).why)
        assert pd.isna(line.since) == (row.verdict.since is None)


def _ladder(view, summary):
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
        pd.testing.assert_series_equal(same, here[name], check_dtype=False)


def _pages(view, rows, folder):
    pages = write_report(view, who=["coach", "athlete"], out=folder / "pages")
    coach = _text(next(page for page in pages if page.name == "coach.html"))
    for row in rows.values():
        if row.is_away:
            continue
        said = words.for_coach(row)
        for told in ((said.state,), (said.weeks, said.headline)):
            assert any(one.replace(words.say.NBSP, " ").lower() in coach.lower() for one in told), (
                row.key,
                told,
            )
    if rows and all(row.hold for row in rows.values()):
        assert not re.search(r"half by|8 in 10 in", coach)


def _text(page):
    plain = re.sub(r"<(script|style).*?</\1>", " ", page.read_text(encoding="utf-8"), flags=re.S)
    return " ".join(
        html.unescape(re.sub(r"<[^>]+>", " ", plain)).replace(words.say.NBSP, " ").split()
    )


DAILY = {"one_athlete", "all_unclean", "gap_of_two_years", "everything_cleared"}


@pytest.mark.parametrize(
    "name", [pytest.param(n, marks=() if n in DAILY else pytest.mark.nightly) for n in TINY]
)
def test_a_tiny_club_tells_one_story(name, tmp_path):
    check(tiny_model().in_hindsight().view(log_of(name, tmp_path)), tmp_path)


@pytest.mark.parametrize(
    ("law", "seed"),
    [pytest.param(*pair, marks=() if pair[1] < 2 else pytest.mark.nightly) for pair in MADE],
)
def test_an_invented_club_with_pain_tells_one_story(law, seed, tmp_path, with_sets):
    log = simulate_cohort(law, 10, seed=seed, weeks=40, follow_up=0).log
    view = made_model().view(in_pain(log, with_sets), CUT)
    assert any(row.hold for row in view.rows)
    check(view, tmp_path)


def test_a_page_is_gathered_from_the_view_it_is_given(small_model, small_log, small_cut):
    view = small_model.view(small_log, small_cut)
    assert gather(view).rows == view.rows
