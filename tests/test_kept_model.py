"""The model that stays beside the club file: found again, never mistaken, never in the way."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest
from made_club import few_of, write_club

from forecast import ReadinessForecaster, load_model, read_club
from forecast.__main__ import main
from forecast.commands.weeks import keep_answer, read_answer
from forecast.kept import keep_model, kept_path


@pytest.fixture
def club(tmp_path, small_log):
    """A folder with three of the small cohort as a club."""
    return write_club(tmp_path, few_of(small_log))


@pytest.fixture
def fits(monkeypatch, small_model):
    """Let every fit return the small cohort's model, and count them."""
    done = []

    def fit(self, log, as_of=None, *, progress=None):
        done.append(as_of)
        for name, value in vars(small_model).items():
            if name.endswith("_"):
                setattr(self, name, value)
        return self

    monkeypatch.setattr(ReadinessForecaster, "fit", fit)
    return done


def ask(capsys, *arguments):
    with pytest.raises(SystemExit) as end:
        main([str(argument) for argument in arguments])
    out, err = capsys.readouterr()
    assert not end.value.code, err
    return out, err


def test_the_same_question_is_fitted_once_unless_asked_afresh(capsys, club, fits):
    first, _ = ask(capsys, "weeks", club)
    again, _ = ask(capsys, "weeks", club)
    assert again == first
    assert len(fits) == 1
    ask(capsys, "plateau", club / "club.toml")
    assert len(fits) == 1
    ask(capsys, "weeks", club, "--fresh")
    assert len(fits) == 2
    ask(capsys, "weeks", club, "--seed", 3)
    assert len(fits) == 3


def test_other_records_are_fitted_and_one_model_is_kept(capsys, club, fits):
    ask(capsys, "weeks", club)
    sets = pd.read_csv(club / "sets.csv")
    sets.iloc[:-1].to_csv(club / "sets.csv", index=False)
    ask(capsys, "weeks", club)
    assert len(fits) == 2
    assert len(list(club.glob("last_model-*.zip"))) == 1


def test_a_spoilt_file_is_fitted_anew(capsys, club, fits):
    ask(capsys, "weeks", club)
    (kept,) = club.glob("last_model-*.zip")
    kept.write_bytes(kept.read_bytes()[:1000])
    _, said = ask(capsys, "weeks", club)
    assert f"note: {kept}" in said
    assert len(fits) == 2
    assert load_model(kept).rungs_


def test_a_link_in_its_place_is_neither_read_nor_written_through(capsys, club, fits):
    first, _ = ask(capsys, "weeks", club)
    (kept,) = club.glob("last_model-*.zip")
    aside = club / "theirs"
    kept.rename(aside)
    before = aside.read_bytes()
    kept.symlink_to(aside)
    assert ask(capsys, "weeks", club)[0] == first
    assert len(fits) == 2
    assert not kept.is_symlink()
    assert aside.read_bytes() == before


def test_a_model_that_cannot_be_kept_is_a_note_and_no_failure(tmp_path, small_model):
    said = keep_model(tmp_path / "nowhere" / "last_model-1.zip", small_model)
    assert "not kept" in said


def test_the_name_tells_records_settings_and_dates_apart(tmp_path, small_log):
    settings = {"horizon": 30, "seed": 0}
    cut = pd.Timestamp("2024-10-07")
    one = kept_path(tmp_path, settings, small_log, cut)
    elsewhere = replace(small_log, ladder=replace(small_log.ladder, source="../other/ladder.toml"))
    assert one == kept_path(tmp_path, settings, elsewhere, cut)  # by another path to the club
    worse = small_log.sets.assign(value=small_log.sets["value"].where(lambda v: v.index != 5, 0.0))
    others = [
        kept_path(tmp_path, settings, replace(small_log, sets=worse), cut),
        kept_path(tmp_path, settings, small_log, cut + pd.Timedelta(days=1)),
        kept_path(tmp_path, settings | {"seed": 9}, small_log, cut),
    ]
    assert len({one, *others}) == 4


def test_an_answer_is_kept_with_its_model_and_read_back_to_the_byte(
    capsys, club, fits, monkeypatch
):
    first, _ = ask(capsys, "weeks", club, "--why")
    (kept,) = club.glob("last_model-*.zip")
    worked_out = kept.read_bytes()
    assert load_model(kept).rungs_
    monkeypatch.setattr(ReadinessForecaster, "view", None)  # nothing is worked out any more
    assert ask(capsys, "weeks", club, "--why")[0] == first
    assert kept.read_bytes() == worked_out
    told = read_answer(kept, "pool")
    other = kept.with_name("last_model-other.zip")
    ReadinessForecaster.save(load_model(kept), other)
    keep_answer(other, told)
    assert other.read_bytes() == worked_out
    for engine in ("growth", "survival"):
        assert read_answer(kept, engine) is None


def test_a_kept_answer_is_the_forecast_with_its_types(capsys, club, fits):
    ask(capsys, "weeks", club)
    (kept,) = club.glob("last_model-*.zip")
    told = read_answer(kept, "pool").forecast
    read = read_club(club)
    want = load_model(kept).forecast(read.log, read.as_of)
    for name in ("summary", "curve", "reasons"):
        pd.testing.assert_frame_equal(getattr(told, name), getattr(want, name), check_exact=True)
    assert (told.as_of, told.horizon_weeks) == (want.as_of, want.horizon_weeks)
