"""A log to share names nobody, and forecasts as the log it was made of."""

from __future__ import annotations

import dataclasses
import hmac
import tomllib

import numpy as np
import pandas as pd
import pytest

import forecast as fc
from forecast.__main__ import main
from forecast.errors import LogError
from forecast.ladder_file import read_ladder
from forecast.log import club_files, pseudonymise, read_club, shift_days, write_all

KEY = "sixteen bytes at least"


def pseudonym(name, key):
    """The keyed hash that is promised: HMAC-SHA256, twelve hexadecimal digits of it."""
    return "a" + hmac.new(key.encode(), f"name:{name}".encode(), "sha256").hexdigest()[:12]


SUMMARY = [
    "rung",
    "level",
    "gain_per_week",
    "weeks_low",
    "weeks_mid",
    "weeks_high",
    "p_12",
    "state",
]


@pytest.fixture(scope="module")
def noted_log(small_log):
    """The small log with notes, kinds of help, and a roster that holds a telephone number."""
    sets = small_log.sets.assign(note="with Zoe, by the window")
    sets.loc[sets.index % 50 == 0, ["assisted", "assist"]] = [True, "zoe's hand"]
    people = pd.DataFrame({"age": 30.0, "phone": "555"}, index=pd.Index(small_log.athletes))
    return dataclasses.replace(small_log, sets=sets, roster=people.rename_axis("athlete"))


@pytest.fixture(scope="module")
def shared(noted_log):
    return pseudonymise(noted_log, KEY)


def test_names_notes_and_what_is_not_known_here_are_gone(noted_log, shared, tmp_path):
    text = b"".join(content for _, content in club_files(shared, tmp_path)).decode().casefold()
    assert not any(name.casefold() in text for name in noted_log.athletes)
    assert not any(word in text for word in ("zoe", "window", "555"))
    assert list(shared.roster.columns) == ["age"]
    assert set(shared.sets["assist"]) == {"none", "assisted"}
    assert shared.rows_in == len(shared.sets) == len(noted_log.sets)


def test_intervals_days_of_the_week_and_all_else_stay(noted_log, shared):
    days = shift_days(KEY)
    assert days % 364 == 0
    assert 364 <= days <= 8 * 364
    names = {name: pseudonym(name, KEY) for name in noted_log.athletes}
    kept = ["date", "rung", "set", "value", "clean", "assisted", "load_kg", "stopped", "pain"]
    for name, hidden in names.items():
        ours = noted_log.sets[noted_log.sets["athlete"] == name][kept]
        theirs = shared.sets[shared.sets["athlete"] == hidden][kept]
        theirs = theirs.assign(date=theirs["date"] + pd.Timedelta(days=days))
        pd.testing.assert_frame_equal(ours.reset_index(drop=True), theirs.reset_index(drop=True))


def test_the_key_alone_decides(noted_log, shared):
    assert pseudonymise(noted_log, KEY.encode()).sets.equals(shared.sets)
    others = {pseudonym("Bo", f"{KEY} {n}") for n in range(50)}
    assert len(others) == 50
    assert {shift_days(f"{KEY} {n}") for n in range(100)} == {364 * n for n in range(1, 9)}
    with pytest.raises(LogError, match="too short"):
        pseudonymise(noted_log, "short")


def test_dates_moved_one_by_one_keep_the_intervals_of_each(noted_log):
    apart = pseudonymise(noted_log, KEY, each=True)
    moved = []
    for name in noted_log.athletes:
        ours = noted_log.sets.loc[noted_log.sets["athlete"] == name, "date"].to_numpy()
        hidden = apart.sets["athlete"] == pseudonym(name, KEY)
        gap = np.unique(ours - apart.sets.loc[hidden, "date"].to_numpy())
        assert len(gap) == 1
        moved.append(gap[0] / np.timedelta64(1, "D"))
    assert len(set(moved)) > 2


def test_the_files_are_read_back_as_the_same_log(shared, tmp_path):
    as_of = pd.Timestamp("2022-05-02")
    write_all(club_files(shared, tmp_path, as_of))
    club = read_club(tmp_path)
    assert club.as_of == as_of
    assert len(club.log.rejected) == 0
    assert club.log.ladder == shared.ladder
    columns = [c for c in shared.sets if c not in {"file", "row"}]
    pd.testing.assert_frame_equal(club.log.sets[columns], shared.sets[columns])
    assert club.log.roster["age"].tolist() == [30.0] * len(shared.athletes)
    assert tomllib.loads((tmp_path / "club.toml").read_text())["name"] == "A club"


def test_a_ladder_of_every_field_is_written_as_it_is(tmp_path):
    rungs = (
        fc.Rung("a", 'A "b" \\ c', "s", fc.Criterion("kg", 1.5, 2, load_kg=3.25), form="x\ny"),
        fc.Rung("b", "B", "", fc.Criterion("cm", 9.0, load_bodyweight=0.1), ("a",), 1.5, "a", "e"),
    )
    ladder = fc.Ladder("Ö", rungs)
    empty = fc.read_log(pd.DataFrame(columns=["athlete", "date", "rung", "value"]), ladder)
    write_all(club_files(empty, tmp_path))
    assert read_ladder(tmp_path / "ladder.toml") == ladder


def test_a_saved_model_forecasts_the_shared_log_the_same(
    noted_log, shared, small_model, small_cut, tmp_path
):
    moved = fc.load_model(small_model.dates_moved(shift_days(KEY)).save(tmp_path / "model.zip"))
    cut = small_cut - pd.Timedelta(days=shift_days(KEY))
    assert moved.as_of_ == small_model.as_of_ - pd.Timedelta(days=shift_days(KEY))
    ours = small_model.forecast(noted_log, small_cut).summary
    theirs = moved.forecast(shared, cut).summary
    ours = ours.assign(athlete=[pseudonym(name, KEY) for name in ours["athlete"]])
    ours = ours.set_index(["athlete", "rung"], drop=False).sort_index()
    theirs = theirs.set_index(["athlete", "rung"], drop=False).sort_index()
    # public numbers have six digits; turning the season may round one of them the other way
    pd.testing.assert_frame_equal(ours[SUMMARY], theirs[SUMMARY], rtol=0, atol=2e-6)


def test_the_command_writes_a_club(small_log, tmp_path, capsys):
    write_all(club_files(small_log, tmp_path, pd.Timestamp("2024-10-07"), "Ours"))
    (tmp_path / "key").write_text(KEY)
    asked = ["pseudonymise", str(tmp_path), "--out", str(tmp_path / "out")]
    with pytest.raises(SystemExit) as end:
        main([*asked, "--key", str(tmp_path / "key")])
    assert not end.value.code
    assert "Look through the ladder's texts" in capsys.readouterr().err
    club = read_club(tmp_path / "out")
    assert club.as_of == pd.Timestamp("2024-10-07") - pd.Timedelta(days=shift_days(KEY))
    assert club.log.sets["value"].sum() == pytest.approx(small_log.sets["value"].sum())
    for key, words in (("none", "can't be read"), ("out", "can't be read")):
        with pytest.raises(SystemExit):
            main([*asked, "--key", str(tmp_path / key)])
        assert words in capsys.readouterr().err
