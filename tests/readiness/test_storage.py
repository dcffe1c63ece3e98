"""Saving and loading: the same forecast, the same bytes, and clear words for broken files."""

from __future__ import annotations

import json
import zipfile

import pandas as pd
import pytest

from forecast.errors import ModelFileError, NotFittedError
from forecast.model import ReadinessForecaster, load_model


@pytest.fixture
def saved(small_model, tmp_path):
    return small_model.save(tmp_path / "model.zip")


def test_a_loaded_model_forecasts_the_same(saved, small_log, small_cut, small_result):
    model = load_model(saved)
    ours = model.forecast(small_log, small_cut)
    for name in ("summary", "curve", "reasons"):
        pd.testing.assert_frame_equal(
            getattr(ours, name), getattr(small_result, name), check_exact=True
        )


def test_settings_and_cut_come_back(saved, small_model):
    model = load_model(saved)
    assert model.get_params() == small_model.get_params()
    assert model.as_of_ == small_model.as_of_
    assert model.comparable_ == small_model.comparable_


def test_saving_twice_or_again_after_loading_gives_the_same_bytes(saved, tmp_path):
    again = load_model(saved).save(tmp_path / "again.zip")
    assert again.read_bytes() == saved.read_bytes()


def test_nothing_is_left_beside_the_file(saved):
    assert [path.name for path in saved.parent.iterdir()] == ["model.zip"]


def test_the_file_is_a_zip_of_plain_text(saved):
    with zipfile.ZipFile(saved) as archive:
        for name in archive.namelist():
            json.loads(archive.read(name).decode("ascii"))


def test_an_unfitted_model_is_not_saved(tmp_path):
    with pytest.raises(NotFittedError, match="before saving"):
        ReadinessForecaster().save(tmp_path / "model.zip")
    assert list(tmp_path.iterdir()) == []


def rewrite(path, change):
    with zipfile.ZipFile(path) as archive:
        (name,) = archive.namelist()
        content = json.loads(archive.read(name))
    change(content)
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr(name, json.dumps(content))


def test_another_format_is_told_from_damage(saved):
    rewrite(saved, lambda content: content.update(format=99))
    with pytest.raises(ModelFileError, match=r"format 99, this one reads \d+"):
        load_model(saved)


def test_an_unknown_part_is_named(saved):
    rewrite(saved, lambda content: content["learnt"]["map"]["engines_"].update(record="Crystal"))
    with pytest.raises(ModelFileError, match="unknown part, 'Crystal'"):
        load_model(saved)


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(ModelFileError, match=r"none\.zip: there is no such file"):
        load_model(tmp_path / "none.zip")


def cut_short(path):
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def flip_bytes(share):
    """Return a damage: 16 bytes turned over at this share of the file."""

    def damage(path):
        content = bytearray(path.read_bytes())
        at = int(share * len(content))
        content[at : at + 16] = bytes(byte ^ 0xFF for byte in content[at : at + 16])
        path.write_bytes(bytes(content))

    return damage


def other_zip(path):
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("letter.txt", "hello")


def no_zip(path):
    path.write_text("athlete,date\n", encoding="utf-8")


@pytest.mark.parametrize(
    "damage", [cut_short, *map(flip_bytes, (0.0, 0.1, 0.3, 0.5, 0.7, 0.9)), other_zip, no_zip]
)
def test_damage_is_one_sentence(saved, damage):
    damage(saved)
    with pytest.raises(ModelFileError, match="not a saved forecaster, or it is damaged"):
        load_model(saved)


@pytest.mark.parametrize(
    "change",
    [
        lambda content: content.pop("learnt"),
        lambda content: content.pop("settings"),
        lambda content: content["settings"].update(stranger=1),
        lambda content: content["learnt"]["map"]["engines_"]["fields"].pop("learnt"),
    ],
)
def test_a_part_missing_or_strange_is_damage_too(saved, change):
    rewrite(saved, change)
    with pytest.raises(ModelFileError):
        load_model(saved)


@pytest.mark.parametrize("name", ["nowhere/model.zip", "", "."])
def test_a_place_that_can_not_be_written_is_said_and_nothing_is_left(small_model, tmp_path, name):
    path = tmp_path / name if name else name
    with pytest.raises(ModelFileError, match="name of"):
        small_model.save(path)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("path", [None, 5])
def test_what_is_no_path_is_said(small_model, path):
    with pytest.raises(ModelFileError, match="name of"):
        small_model.save(path)
    with pytest.raises(ModelFileError, match="name of"):
        load_model(path)
