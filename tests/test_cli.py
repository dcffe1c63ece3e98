"""The command line: what it prints, what it writes, and one sentence for every slip."""

from __future__ import annotations

import io
import json
import re
import shutil
import subprocess
import sys
from dataclasses import replace

import pandas as pd
import pytest
from made_club import few_of, write_club
from slow import day_and_night

import forecast as fc
from forecast.__main__ import COMMANDS, USER_ERROR, main
from forecast.ahead import retests
from forecast.commands.common import WIDTH, in_roster, named, read_records
from forecast.commands.weeks import nothing_open
from forecast.errors import ForecastWarning
from forecast.histories import build_histories
from forecast.row import SUMMARY_COLUMNS, TRIAGE
from forecast.words import CAUTION, for_coach


@pytest.fixture(scope="module")
def fitted(small_model):
    """The public forecaster, fitted to the small cohort."""
    return small_model


@pytest.fixture(scope="module")
def club(tmp_path_factory, small_log, fitted):
    """A folder with the small cohort as a club, one bad row in its log, and a saved model."""
    folder = tmp_path_factory.mktemp("club")
    bad = small_log.sets.iloc[[0]].assign(value=-4.0, set=9)
    write_club(folder, pd.concat([small_log.sets, bad]))
    fitted.save(folder / "model.zip")
    return folder


@pytest.fixture(scope="module")
def few_club(tmp_path_factory, small_log):
    """A folder with three of the small cohort as a club."""
    return write_club(tmp_path_factory.mktemp("few"), few_of(small_log))


@pytest.fixture
def run(capsys):
    """Run a command in this process; returns exit code, output, errors."""

    def call(*arguments):
        with pytest.raises(SystemExit) as end:
            main([str(argument) for argument in arguments])
        out, err = capsys.readouterr()
        return end.value.code or 0, out, err

    return call


@pytest.fixture(scope="module")
def told():
    """What ``weeks`` said before, by its options."""
    return {}


@pytest.fixture
def weeks(run, club, told):
    """Run ``weeks`` on the club with its saved model; what was asked before is not asked again."""

    def call(*arguments, afresh=False):
        if afresh or "--out" in arguments or arguments not in told:
            told[arguments] = run("weeks", club, "--model", club / "model.zip", *arguments)
        return told[arguments]

    return call


@pytest.fixture
def view(small_view):
    """The small log as its model sees it: what the commands should say."""
    return small_view


# weeks --------------------------------------------------------------------------------------


def test_the_table_fits_and_names_everybody(weeks, small_result):
    code, out, err = weeks()
    assert code == 0, err
    assert max(map(len, out.splitlines())) <= WIDTH <= 120
    assert not any(line != line.rstrip() for line in out.splitlines())
    for athlete in small_result.summary["athlete"]:
        assert athlete in out
    assert f"{len(small_result.summary)} open rungs" in out
    assert "(1 of" in out  # the bad row is counted
    assert out.rstrip().endswith(" ".join(CAUTION.split())[-20:])
    assert err == ""


def test_only_sets_before_the_date_asked_about_are_counted(weeks, small_log, small_cut):
    used = int((small_log.sets["date"] < small_cut).sum())
    assert 0 < used < len(small_log.sets)
    assert f"From {used:,} sets " in weeks()[1]


def lines_of(out):
    """The lines of the table, one an open rung."""
    return out.split("State\n")[1].split("\n\n")[0].splitlines()


def test_each_athlete_has_a_line_of_the_most_urgent_rung_and_how_many_more(weeks, view):
    rows = [row for row in view.rows if not row.is_away]
    lines = lines_of(weeks()[1])
    for name in (names := list(dict.fromkeys(row.athlete for row in rows))):
        (line,) = (one for one in lines if one.split()[0] == name)
        first, *others = (row for row in rows if row.athlete == name)
        assert first.rung.name[:10] in line
        assert (f"and {len(others)} more" in line) == bool(others)
    assert [line.split()[0] for line in lines[: len(names)]] == names


def test_each_open_rung_has_one_line_most_urgent_first_and_away_is_one(weeks, view):
    rows = [row for row in view.rows if not row.is_away]
    gone = len(view.rows) - len(rows)
    lines = lines_of(weeks("--all")[1])
    assert sum("--away" in line for line in lines) == (gone > 0)
    assert [line.split()[0] for line in lines[: len(rows)]] == [row.athlete for row in rows]
    for line, row in zip(lines, rows, strict=False):
        said = for_coach(row)
        for text in (said.state[:15], said.stands, said.weeks, said.half_by[:10]):
            assert text.replace("\u00a0", " ") in line.replace("\u00a0", " ")
    assert len({row.state for row in rows}) > 1  # else the order shows nothing
    assert len(lines_of(weeks("--all", "--away")[1])) >= len(view.rows)


def test_why_adds_the_chances_every_reason_and_the_next_step(weeks, view):
    row = next(row for row in view.rows if row.wait)
    _, out, _ = weeks("--athlete", row.athlete, "--why")
    said, squeezed = for_coach(row), "".join(out.split())
    for sentence in (said.why, *said.reasons, said.next_step, said.record):
        assert "".join(sentence.split()) in squeezed
    for _, chance in said.chances:
        assert chance.removesuffix(" %") in out


def test_csv_is_clean_on_the_output_alone(weeks, small_result):
    code, out, err = weeks("--format", "csv")
    assert code == 0
    table = pd.read_csv(io.StringIO(out))
    assert list(table.columns) == [*SUMMARY_COLUMNS, "why", "next_step"]
    assert len(table) == len(small_result.summary)
    assert table["p_8"].to_numpy() == pytest.approx(
        small_result.summary["p_8"].to_numpy(), nan_ok=True
    )
    assert table["why"].str.len().min() > 15
    assert err.strip().endswith(CAUTION)


def test_json_holds_curve_reasons_and_caution(weeks, small_result):
    whole = json.loads(weeks("--format", "json")[1])
    assert whole["as_of"] == "2024-10-07"
    assert whole["caution"] == CAUTION
    assert len(whole["forecasts"]) == len(small_result.rows)
    first = next(one for one in whole["forecasts"] if not one["on_hold"])
    assert len(first["p_cleared_by_week"]) == small_result.horizon_weeks
    assert first["p_cleared_by_week"][7] == pytest.approx(first["p_8"])
    assert {"what", "value", "unit", "text"} == set(first["reasons"][0])


@pytest.mark.parametrize(
    "ending", day_and_night(["csv", "json", "parquet", "txt"], {"csv", "parquet"})
)
def test_out_goes_by_its_ending(weeks, tmp_path, small_result, ending):
    path = tmp_path / f"weeks.{ending}"
    code, out, err = weeks("--out", path)
    assert (code, out) == (0, "")
    assert f"{len(small_result.summary)} open rungs written to" in err
    if ending == "parquet":
        assert len(pd.read_parquet(path)) == len(small_result.summary)
    else:
        assert small_result.summary["athlete"].iloc[0] in path.read_text(encoding="utf-8")
    assert [p.name for p in tmp_path.iterdir()] == [path.name]


def test_same_call_same_bytes(weeks):
    assert weeks("--format", "csv", afresh=True)[1] == weeks("--format", "csv", afresh=True)[1]


def test_weeks_fits_where_no_model_is_given_and_saves_it(run, few_club, tmp_path):
    saved = tmp_path / "model.zip"
    code, out, err = run(
        "weeks", few_club, "--horizon", 30, "--format", "csv",
        "--save-model", saved,
    )  # fmt: skip
    assert code == 0, err
    table = pd.read_csv(io.StringIO(out))
    assert (table["p_12"].notna() == table["on_hold"].isna()).all()
    log, as_of = _of(few_club)
    usual = fc.ReadinessForecaster(horizon_weeks=30).fit(log, as_of)
    usual.save(tmp_path / "usual.zip")
    assert saved.read_bytes() == (tmp_path / "usual.zip").read_bytes()
    assert fc.load_model(saved).comparable_ == usual.comparable_


def test_log_files_with_a_ladder_need_no_club(run, club):
    code, out, err = run(
        "weeks", club / "sets.csv", "--ladder", club / "ladder.toml", "--as-of", "2024-10-07",
        "--model", club / "model.zip", "--why", "--engine", "growth",
    )  # fmt: skip
    assert code == 0, err
    assert "as of 2024-10-07" in out


# names ---------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def names_log(small_log):
    """The small log with names of people."""
    sets = small_log.sets
    people = ["Mora Q.", "Morwen T.", "G\xebsa F."]
    known = dict(zip(sorted(set(sets["athlete"])), people, strict=False))
    kept = sets[sets["athlete"].isin(list(known))]
    return replace(small_log, sets=kept.assign(athlete=kept["athlete"].map(known)))


@pytest.mark.parametrize(
    ("typed", "meant"),
    [("Mora Q.", "Mora Q."), ("morw", "Morwen T."), ("gesa", "G\xebsa F."), ("f.", "G\xebsa F.")],
)
def test_half_a_name_is_enough_where_it_is_one_persons(names_log, typed, meant):
    assert named([typed, meant], names_log) == [meant]


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("mor", "fits Mora Q., Morwen T.; write more of the name"),
        ("Morven", "did you mean Morwen T."),
        ("zzz", "its athletes are G\xebsa F., Mora Q., Morwen T."),
        (" ", "its athletes are"),
    ],
)
def test_a_name_that_is_nobodys_or_two_peoples_is_said(names_log, typed, said):
    with pytest.raises(fc.ForecastError, match=re.escape(said)):
        named([typed], names_log)


def test_who_has_nothing_open_is_said(names_log, small_cut):
    roster = pd.DataFrame({"age": [20.0]}, index=pd.Index(["Zora B."], name="athlete"))
    log = replace(names_log, roster=roster)
    histories = build_histories(log, small_cut)
    nobody = pd.DataFrame({"athlete": pd.Series(dtype="str")})
    said = " ".join(nothing_open(log, histories, nobody).values())
    assert f"Zora B. has no set before {small_cut.date()}." in said
    cleared = histories.spells.dropna(subset="cleared_on").sort_values("cleared_on")
    for name, own in cleared.groupby("athlete"):
        assert f"{name} has nothing open: the last rung" in said
        assert str(own["cleared_on"].iloc[-1].date()) in said
    everybody = pd.DataFrame({"athlete": [*log.athletes, "Zora B."]})
    assert nothing_open(log, histories, everybody) == {}


def test_an_order_of_dates_is_asked_for_as_an_option(run, club, tmp_path):
    log = tmp_path / "log.csv"
    log.write_text("athlete,date,rung,value\nBo,03/04/2024,hollow,4\n", encoding="utf-8")
    _, _, err = run("check", log, "--ladder", club / "ladder.toml", "--date-order", "dmy")
    assert "date_order=" not in err
    log.write_text(
        "athlete,date,rung,value\nBo,13/04/2024,hollow,4\nBo,04/13/2024,hollow,4\n",
        encoding="utf-8",
    )
    code, _, err = run("check", log, "--ladder", club / "ladder.toml")
    assert code == USER_ERROR
    assert "--date-order on the command line" in err


# ahead, plateau -----------------------------------------------------------------------------


def test_ahead_goes_up_to_the_top(run, club, tmp_path, view, small_log):
    code, out, err = run(
        "ahead", club, "--model", club / "model.zip", "--athlete", "a001", "--by", "2025-12-31"
    )
    assert code == 0, err
    top = small_log.ladder.rungs[-1].name
    assert top[:10] in out
    assert "by 2025-12-31" in out
    assert max(map(len, out.splitlines())) <= WIDTH
    path = tmp_path / "ahead.csv"
    assert run("ahead", club, "--model", club / "model.zip", "--out", path)[0] == 0
    expected = view.ladder_ahead().summary
    assert pd.read_csv(path)["p_12"].to_numpy() == pytest.approx(
        expected["p_12"].to_numpy(), nan_ok=True
    )


def test_plateau_is_triage(run, club, tmp_path, view):
    code, out, err = run("plateau", club, "--model", club / "model.zip")
    assert code == 0, err
    listed = [row.athlete for row in view.rows if row.state in TRIAGE]
    assert [line.split(",")[0] for line in out.splitlines() if ": " in line and line[0] == "a"] == (
        listed
    )
    path = tmp_path / "states.csv"
    assert run("plateau", club, "--model", club / "model.zip", "--out", path)[0] == 0
    assert pd.read_csv(path)["state"].tolist() == view.plateaus()["state"].tolist()


# today, messages ----------------------------------------------------------------------------


def test_today_is_a_line_an_athlete_on_screen_paper_and_to_type_into(run, club, tmp_path, view):
    asked = ("today", club, "--model", club / "model.zip")
    code, out, err = run(*asked)
    assert code == 0, err
    here = {row.athlete for row in view.rows if not row.is_away}
    assert {line.split(",")[0] for line in out.splitlines() if line[:1] == "a"} == here
    assert out.rstrip().endswith(" ".join(CAUTION.split())[-20:])
    first, second = sorted(here)[:2]
    assert run(*asked, "--present", f"{first}, {second}", "--out", tmp_path / "x.csv")[0] == 0
    assert sorted(pd.read_csv(tmp_path / "x.csv")["athlete"]) == [first, second]
    code, _, err = run(*asked, "--coach", "Kim")
    assert code == USER_ERROR
    assert "--coach needs a roster with a column 'coach'" in err


def test_whose_athletes_come_is_read_off_the_roster():
    roster = pd.DataFrame({"coach": ["Kim", "Lo", "kim "]}, index=["Bo", "Ada", "Cy"])
    assert in_roster(roster, "coach", "KIM") == ["Bo", "Cy"]
    with pytest.raises(fc.ForecastError, match=r"Nobody in the roster has coach 'Max'; there are"):
        in_roster(roster, "coach", "Max")


def test_a_message_an_athlete_is_short_and_plain(run, club, view):
    asked = ("report", club, "--model", club / "model.zip", "--text")
    code, out, err = run(*asked, "--who", "athlete")
    assert code == 0, err
    messages = out.strip().split("\n\n")
    assert len(messages) == len({row.athlete for row in view.rows})
    assert max(map(len, messages)) <= 420
    assert all(text.endswith("Pain stops the session.") for text in messages)
    assert run(*asked)[0] == USER_ERROR  # for athletes alone


# changes ------------------------------------------------------------------------------------


def test_changes_are_told_since_the_last_run_and_kept_for_the_next(run, club, few_club, tmp_path):
    own = tmp_path / "club"
    shutil.copytree(few_club, own)
    asked = ("changes", own, "--model", club / "model.zip")
    code, out, err = run(*asked, "--as-of", "2024-10-14", "--since", "2024-10-07")
    assert code == 0, err
    assert "since 2024-10-07, as of 2024-10-14" in out
    assert out.rstrip().endswith(" ".join(CAUTION.split())[-20:])
    assert not (own / "last_run.json").exists()  # a look back is not a run
    kept = tmp_path / "kept.json"
    first = run(*asked, "--as-of", "2024-10-07", "--kept", kept)
    assert first[0] == 0, first[2]
    again = run(*asked, "--as-of", "2024-10-14", "--kept", kept)
    assert again[1] == out  # the rows kept say what the earlier day said
    path = tmp_path / "changes.json"
    assert run(*asked, "--as-of", "2024-10-14", "--kept", kept, "--out", path)[0] == 0
    whole = json.loads(path.read_text(encoding="utf-8"))
    assert whole["since"] == "2024-10-07"
    assert len(whole["changes"]) == int(re.search(r"(\d+) change", out)[1])
    assert whole["caution"] == CAUTION


def test_log_files_without_a_club_have_no_last_run(run, club):
    code, _, err = run("changes", club / "sets.csv", "--ladder", club / "ladder.toml")
    assert code == USER_ERROR
    assert "give --since DATE, or --kept FILE" in err


def test_the_coachs_page_begins_with_what_changed(run, club, few_club, tmp_path):
    code, _, err = run(
        "report", few_club, "--model", club / "model.zip", "--out", tmp_path, "--who", "coach",
        "--as-of", "2024-10-14", "--since", "2024-10-07",
    )  # fmt: skip
    assert code == 0, err
    page = (tmp_path / "coach.html").read_text(encoding="utf-8")
    assert page.index("What changed since") < page.index("<details")


# what-if, retests, cohort, audit -----------------------------------------------------------


def test_what_if_compares_rates_and_warns(run, club, tmp_path, small_result):
    athlete = small_result.summary["athlete"].iloc[0]
    asked = ("what-if", club, "--model", club / "model.zip", "--athlete", athlete)
    path = tmp_path / "rates.csv"
    code, _, err = run(*asked, "--sessions-per-week", 3, "--horizon", 30, "--out", path)
    assert code == 0, err
    table = pd.read_csv(path)
    assert set(table["as_now"]) == {True, False}
    assert (table.loc[~table["as_now"], "sessions_per_week"] == 3).all()
    code, _, err = run(*asked, "--sessions-per-week", 9)
    assert code == USER_ERROR
    assert "sessions_per_week = 9" in err


@pytest.mark.parametrize(
    ("command", "end"),
    [
        (("ahead", "--by", "2025-10-31"), "Pain stops"),
        pytest.param(("what-if",), "This is association", marks=pytest.mark.nightly),
    ],
)
def test_beside_pain_the_ladder_is_on_hold(run, club, tmp_path, small_result, command, end):
    athlete = small_result.summary["athlete"].iloc[0]
    own = tmp_path / "club"
    shutil.copytree(club, own)
    table = pd.read_csv(own / "sets.csv")
    mine = table["athlete"].eq(athlete) & table["date"].lt("2024-10-07")
    table.loc[mine & table["date"].eq(table.loc[mine, "date"].max()), "pain"] = 6
    table.to_csv(own / "sets.csv", index=False)
    name, *options = command
    asked = (name, own, "--model", own / "model.zip", "--athlete", athlete, "--horizon", 60)
    code, out, err = run(*asked, *options)
    assert code == 0, err
    figures = out[out.index("\n") : out.index(end)]
    assert figures.count("on hold") >= 2
    assert not re.search(r"> 60|\d+ %|\d{4}-\d\d-\d\d", figures), figures
    _, out, _ = run("plateau", own, "--model", own / "model.zip", "--athlete", athlete)
    assert re.findall(rf"^{athlete}, .*: (\w+)$", out, re.M) == ["pain"] * out.count("Pain of 6")
    for form in ("csv", "json"):
        _, out, _ = run(
            "weeks", own, "--model", own / "model.zip", "--athlete", athlete, "--format", form
        )
        assert not re.search(r"\d{4}-\d\d-\d\d(?!.*as_of)", out.replace("2024-10-07", "")), out


def test_retests_lists_what_is_due(run, club, tmp_path, view):
    expected = retests(view)
    path = tmp_path / "due.csv"
    assert run("retests", club, "--model", club / "model.zip", "--out", path)[0] == 0
    assert pd.read_csv(path)["due"].tolist() == expected["due"].tolist()
    _, out, _ = run("retests", club, "--model", club / "model.zip")
    assert f"{expected['due'].sum()} of {len(expected)} cleared rungs due" in " ".join(out.split())
    assert all(name in out for name in expected.loc[expected["due"], "athlete"])


def test_cohort_names_the_slowest_rung_by_time_at_risk(run, club, tmp_path):
    path = tmp_path / "rungs.csv"
    assert run("cohort", club, "--model", club / "model.zip", "--out", path)[0] == 0
    table = pd.read_csv(path)
    at_risk = table["weeks_logged"] / table["cleared"].where(table["cleared"] > 0)
    assert table["weeks_per_clearing"].to_numpy() == pytest.approx(at_risk.to_numpy(), nan_ok=True)
    _, out, _ = run("cohort", club, "--model", club / "model.zip")
    slow = table[(table["spells"] >= 5) & (table["cleared"] > 0)]
    slowest = slow.loc[slow["weeks_per_clearing"].idxmax(), "rung_name"]
    assert f"Slowest: {slowest}" in " ".join(out.split())


def test_audit_says_what_a_small_club_can_be_told(run, club, tmp_path):
    asked = ("audit", club, "--model", club / "model.zip")
    code, out, err = run(*asked)
    assert code == 0, err
    lines = " ".join(out.split())
    assert "What a mark 10 % higher would do (90 % intervals). Learnt from" in lines
    assert "A pass mark is never a reason to hurry" in lines
    assert run(*asked, "--out", tmp_path / "marks.csv")[0] == 0
    table = pd.read_csv(tmp_path / "marks.csv")
    assert {"next_factor", "next_factor_low", "next_factor_high", "verdict"} <= set(table.columns)


# check, backtest, demo ----------------------------------------------------------------------


def test_check_tells_what_was_not_understood(run, club, tmp_path):
    code, out, _ = run("check", club, "--rejected", tmp_path / "rejected.csv")
    assert code == 0
    assert "1 rejected" in out
    assert "-4" in (tmp_path / "rejected.csv").read_text(encoding="utf-8-sig")


def test_backtest_of_the_baselines_prints_and_writes_scores(run, club, tmp_path):
    path, kept = tmp_path / "scores.csv", tmp_path / "kept.zip"
    code, out, err = run(
        "backtest", club, "--on", "2024-08-01", "--horizon", 12, "--scores", path, "--keep", kept
    )  # fmt: skip
    assert code == 0, err
    assert "CRPS, weeks" in out
    assert {"straight_line", "cohort_curve"} <= set(pd.read_csv(path)["forecaster"])
    code, _, err = run(
        "report", club, "--model", club / "model.zip", "--out", tmp_path, "--who", "analyst",
        "--backtest", kept,
    )  # fmt: skip
    assert code == 0, err
    page = (tmp_path / "analyst.html").read_text(encoding="utf-8")
    assert page.count("the range meant to hold 8 times in 10 held") == 2  # on top, and in full
    assert 'data-draw="reliability"' in page
    assert "No backtest was run" not in page


def test_demo_fits_once_and_says_where_the_pages_are(run, few_club, fitted, monkeypatch, tmp_path):
    kept = shutil.ignore_patterns("last_*")
    shutil.copytree(few_club, tmp_path / "data_demo", ignore=kept)
    monkeypatch.chdir(tmp_path)
    fits = []
    monkeypatch.setattr(
        fc.ReadinessForecaster, "fit", lambda self, *args, **kw: fits.append(args) or fitted
    )
    code, out, err = run("demo")
    assert code == 0, err
    assert len(fits) == 1
    assert CAUTION[:19] in out
    told = out[out.index("Pages") :].split()
    pages = [tmp_path / word for word in told if word.endswith(".html")]
    assert [page.stem for page in pages[:2]] == ["coach", "analyst"]
    assert all(page.is_file() for page in pages)
    # A page for everybody: those with an open rung, and those with none left.
    log, as_of = _of(few_club)
    people = log.sets.loc[log.sets["date"] < as_of, "athlete"] if as_of else log.sets["athlete"]
    assert set(fitted.forecast(log, as_of).summary["athlete"]) <= set(people)
    assert len(list((tmp_path / "build" / "pages").glob("athlete-*.html"))) == people.nunique()


def _of(club):
    records = read_records([str(club)])
    return records.log, records.as_of


def test_demo_writes_where_it_is_told_and_says_at_once_where_it_cannot(run, tmp_path):
    taken = tmp_path / "taken"
    taken.touch()
    code, out, err = run("demo", "--out", taken)
    assert (code, out) == (USER_ERROR, "")
    assert "name another with --out" in err


def test_demo_without_the_source_says_so(run, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("forecast.commands.report.FOLDER", "not_there")
    code, _, err = run("demo")
    assert code == USER_ERROR
    assert "comes with the source" in err


# slips --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["weeks", "nowhere"], "There is no nowhere"),
        (["weeks", "{club}/sets.csv"], "--ladder FILE"),
        (["weeks", "{club}", "--mapping", "m.toml"], "names its own in club.toml"),
        (["weeks", "{club}", "--as-of", "1.5.2026"], "write it as 2026-05-01"),
        (["weeks", "{club}", "--as-of", "2020-01-01"], "No set is dated before 2020-01-01"),
        (["weeks", "{club}", "--format", "parquet"], "name it with --out FILE"),
        (["weeks", "{club}", "--model", "no.zip"], "no such file"),
        (["weeks", "{club}", "--model", "{club}/sets.csv"], "not a saved forecaster"),
        (["weeks", "{club}", "--model", "{club}/model.zip", "--seed", "4"], "brings its own"),
        (["weeks", "{club}", "--model", "{club}/model.zip", "--athlete", "Nobody"], "'Nobody'"),
        (
            ["weeks", "{club}", "--model", "{club}/model.zip", "--out", "{club}/no/x.csv"],
            "can't be written",
        ),
        (["weeks", "{club}", "--ladder", "{club}/no.toml"], "no.toml"),
        (["check", "{club}/none"], "There is no"),
        (["backtest", "{club}", "--on", "2019-01-01"], "lies outside the log"),
        (
            ["report", "{club}", "--out", "{club}/pages", "--backtest", "{club}/none.zip"],
            "check the name",
        ),
    ],
)
def test_a_slip_is_one_sentence_and_no_traceback(run, club, arguments, words):
    code, out, err = run(*(part.replace("{club}", str(club)) for part in arguments))
    assert code == USER_ERROR
    assert out == ""
    assert err.startswith("rungwise: ")
    assert words in err
    assert "Traceback" not in err


@pytest.mark.parametrize(
    "arguments",
    [["weeks"], ["nonsense"], ["weeks", "x", "--seed", "-1"], ["weeks", "x", "--horizon", "0"]],
)
def test_wrong_arguments_end_with_the_same_code(run, arguments):
    code, out, err = run(*arguments)
    assert (code, out) == (USER_ERROR, "")
    assert "Traceback" not in err


def test_our_warnings_are_a_sentence(run, monkeypatch, capsys):
    import warnings

    def warn():
        warnings.simplefilter("always")
        warnings.warn("few data", ForecastWarning, stacklevel=1)

    monkeypatch.setattr("forecast.__main__.app", lambda args: warn())
    main([])
    assert capsys.readouterr().err == "note: few data\n"


def test_every_command_explains_itself(run):
    for command in COMMANDS:
        code, out, _ = run(command, "--help")
        assert code == 0
        assert COMMANDS[command].split(".")[0].split(":")[0][:30] in " ".join(out.split())


def test_it_runs_as_a_module():
    done = subprocess.run(
        [sys.executable, "-m", "forecast", "--version"], capture_output=True, text=True, check=True
    )
    assert done.stdout.startswith("rungwise ")


def test_what_nobody_foresaw_is_one_sentence_and_a_report(run, monkeypatch, tmp_path):
    def broken(command):
        raise RuntimeError("a bug")

    monkeypatch.setattr("forecast.__main__.function_of", broken)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    code, out, err = run("weeks", "club")
    assert (code, out) == (3, "")
    (report,) = tmp_path.iterdir()
    assert "The fault is ours" in err
    assert str(report) in err
    assert "Traceback" not in err
    assert "RuntimeError: a bug" in report.read_text(encoding="utf-8")


def test_another_club_s_model_is_a_prior_and_weeks_says_so(run, club, few_club, tmp_path):
    own = tmp_path / "club"
    shutil.copytree(few_club, own, ignore=shutil.ignore_patterns("last_*"))
    code, out, _ = run("weeks", own, "--like", club / "model.zip")
    assert code == 0
    assert "another club's model of 12 athletes" in " ".join(out.split())
    assert not list(own.glob("last_model-*"))
    code, _, err = run(
        "weeks", few_club, "--like", club / "model.zip", "--model", club / "model.zip"
    )
    assert code == USER_ERROR
    assert "--like goes with a new fit" in err


def test_check_holds_the_weeks_expected_against_the_log(run, club, tmp_path):
    folder = shutil.copytree(club, tmp_path / "club")
    ladder = folder / "ladder.toml"
    text = ladder.read_text(encoding="utf-8")
    ladder.write_text(text.replace("measure = ", "usual_weeks = [4, 12]\nmeasure = ", 1), "utf-8")
    code, out, _ = run("check", folder)
    assert code == 0
    assert "8 in 10 are expected to take 4 to 12 weeks" in out
