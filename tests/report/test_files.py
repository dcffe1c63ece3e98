"""File names that any system takes."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecast.errors import ForecastError
from forecast.report import write_report
from forecast.report.write import file_names, make_folder, slug


@given(st.text(max_size=80))
def test_a_slug_is_short_plain_and_never_empty(name):
    assert slug(name)
    assert len(slug(name)) <= 48
    assert set(slug(name)) <= set("abcdefghijklmnopqrstuvwxyz0123456789-")


@given(st.lists(st.text(max_size=12), unique=True, max_size=8))
def test_every_name_gets_a_file_of_its_own(names):
    found = file_names(names, "athlete")
    assert set(found) == set(names)
    assert len(set(found.values())) == len(names)


def test_accents_fold_and_twins_are_told_apart():
    found = file_names(["Mélis N.", "Melis N", "Bo"], "athlete")
    assert found["Bo"] == "athlete-bo.html"
    assert found["Mélis N."] != found["Melis N"]
    assert all(name.startswith("athlete-melis-n-") for name in list(found.values())[:2])


def test_names_without_a_latin_letter_get_a_digest():
    assert file_names(["山田"], "athlete")["山田"] != file_names(["川口"], "athlete")["川口"]


def test_a_folder_that_is_a_file_is_named(tmp_path):
    place = tmp_path / "taken"
    place.write_text("x")
    with pytest.raises(ForecastError, match=r"taken.*--out"):
        make_folder(place)


def test_of_the_pages_none_is_new_before_all_are_made(
    awkward_log, small_model, small_cut, tmp_path, monkeypatch
):
    (tmp_path / "coach.html").write_text("old")

    def interrupted(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr("forecast.report.write.analyst_page", interrupted)
    with pytest.raises(KeyboardInterrupt):
        write_report(awkward_log, small_model, small_cut, out=tmp_path, who=["coach", "analyst"])
    assert (tmp_path / "coach.html").read_text() == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["coach.html"]
