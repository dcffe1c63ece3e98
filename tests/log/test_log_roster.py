"""The roster: one row an athlete, and what is said about the rest."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from forecast.errors import LogError, MappingError
from forecast.log import read_log

SETS = pd.DataFrame(
    {"athlete": ["Ann", "Bo"], "date": "2026-04-03", "rung": "press", "value": [5, 6]}
)


def read(ladder, roster, **options):
    return read_log(SETS, ladder, roster=roster, **options)


def test_no_roster_is_an_empty_one(ladder):
    roster = read_log(SETS, ladder).roster
    assert roster.index.name == "athlete"
    assert roster.empty


def test_covariates_in_any_order_and_spelling(ladder, tmp_path):
    path = tmp_path / "roster.csv"
    path.write_text(
        "Name;Age;Bodyweight;Height;Years of training;Dominant hand;Grip (cm)\n"
        "Bo;31;72,5;180;2;left;8\nAnn;28;;;;right;\n",
        encoding="utf-8",
    )
    log = read(ladder, path)
    assert list(log.roster.index) == ["Ann", "Bo"]
    bo = log.roster.loc["Bo"]
    assert (bo["age"], bo["body_mass_kg"], bo["height_cm"], bo["training_years"]) == (
        31.0,
        72.5,
        180.0,
        2.0,
    )
    assert bo["dominant_hand"] == "left"
    assert log.roster["grip_cm"].dtype == np.float64
    assert np.isnan(log.roster.loc["Ann", "body_mass_kg"])
    assert not log.warnings


def test_pounds_in_the_header(ladder):
    roster = read(ladder, pd.DataFrame({"athlete": ["Bo"], "Body weight (lb)": [160]})).roster
    # 1 lb = 0.45359237 kg: international agreement of 1959, NIST SP 811
    assert roster.loc["Bo", "body_mass_kg"] == pytest.approx(160 * 0.45359237, rel=1e-12)


def test_a_slip_is_left_blank_and_said(ladder):
    log = read(ladder, pd.DataFrame({"athlete": ["Bo", "Ann"], "age": [310, "old"]}))
    assert log.roster["age"].isna().all()
    assert any("roster row 2, age: '310' is not a number from 3 to 120" in w for w in log.warnings)
    assert any("roster row 3, age: 'old'" in w for w in log.warnings)


def test_a_column_with_words_stays_text(ladder):
    roster = read(ladder, pd.DataFrame({"athlete": ["Bo", "Ann"], "level": [3, "new"]})).roster
    assert list(roster["level"]) == ["new", "3"]


def test_repeated_athletes_are_reported(ladder):
    frame = pd.DataFrame(
        {
            "athlete": ["Bo", "Bo", "Ann", "Ann"],
            "age": [30, 30, 20, 21],
            "city": ["x", "x", "y", ""],
        }
    )
    log = read(ladder, frame)
    assert log.roster.loc["Bo", "age"] == 30
    assert np.isnan(log.roster.loc["Ann", "age"])
    assert log.roster.loc["Ann", "city"] == "y"
    assert any("'Bo' is in the roster more than once" in said for said in log.warnings)
    assert any("with different age; those were left blank" in said for said in log.warnings)


def test_rows_without_a_name_and_athletes_without_a_row(ladder):
    log = read(ladder, pd.DataFrame({"athlete": ["Bo", None], "age": [30, 40]}))
    assert list(log.roster.index) == ["Bo"]
    assert any("roster row 3 names no athlete" in said for said in log.warnings)
    assert any("Not in the roster: 'Ann'" in said for said in log.warnings)


def test_the_mapping_names_columns_and_people(ladder):
    frame = pd.DataFrame({"Wer": ["B."], "Masse": [70]})
    mapping = {
        "roster": {"athlete": "Wer", "body_mass_kg": "Masse"},
        "values": {"athlete": {"B.": "Bo"}},
    }
    assert read(ladder, frame, mapping=mapping).roster.loc["Bo", "body_mass_kg"] == 70
    with pytest.raises(MappingError, match=r"no column 'Wear', which \[roster\] names for athlete"):
        read(ladder, frame, mapping={"roster": {"athlete": "Wear"}})


def test_a_roster_without_athletes_or_file(ladder, tmp_path):
    with pytest.raises(MappingError, match=r"no column could be athlete"):
        read(ladder, pd.DataFrame({"who": ["Bo"]}))
    with pytest.raises(MappingError, match=r"several columns could be athlete"):
        read(ladder, pd.DataFrame({"client": ["Bo"], "member": ["Bo"]}))
    with pytest.raises(LogError, match="There is no file"):
        read(ladder, tmp_path / "none.csv")


def test_a_roster_of_titles_only(ladder):
    assert read(ladder, pd.DataFrame(columns=["athlete", "age"])).roster.empty
