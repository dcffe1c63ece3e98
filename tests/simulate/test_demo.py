"""The demo club: made the same every time, rough as real logs are, and readable."""

import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from demo_club import main
from reference.demo_words import ANNEX_COLUMNS, MOVED
from reference.roughen import SLIPS, annex_rows, floor_rows, log_order, with_slips

from forecast.ladder_file import read_ladder
from forecast.log import SET_COLUMNS, read_log
from forecast.simulate import Setting, default_ladder, simulate_cohort

COMMITTED = Path(__file__).parents[2] / "data_demo"
SAID = ["athlete", "date", "rung", "set", "value", "clean", "assisted", "load_kg", "stopped"]


@pytest.fixture(scope="module")
def logs():
    ladder = read_ladder(COMMITTED / "ladder.toml")
    club = tomllib.loads((COMMITTED / "club.toml").read_text(encoding="utf-8"))
    return [
        read_log(
            COMMITTED / part["file"],
            ladder,
            mapping=COMMITTED / part["mapping"] if "mapping" in part else None,
            roster=COMMITTED / club["roster"],
        )
        for part in club["log"]
    ]


def test_committed_bytes_are_the_bytes_made_anew(tmp_path, capsys):
    main(["--out", str(tmp_path / "club")])
    made = [Path(line) for line in capsys.readouterr().out.split()]
    beside = {"README.md", ".gitattributes"}
    # Commands keep the last model, the last run and the diary beside the club file.
    there = {p.name for p in COMMITTED.iterdir() if not p.name.startswith("last_")}
    assert there - beside - {"diary.csv"} == {path.name for path in made}
    for path in made:
        same = path.read_bytes() == (COMMITTED / path.name).read_bytes()
        assert same, f"{path.name} differs: make data_demo again"


def test_ladder_file_says_what_the_ladder_says():
    assert read_ladder(COMMITTED / "ladder.toml") == default_ladder()


def test_two_years_of_a_club_of_more_than_forty(logs):
    sets = pd.concat([log.sets for log in logs])
    assert sets["athlete"].nunique() >= 40
    assert sets["date"].min() < pd.Timestamp("2024-06-10")
    assert sets["date"].max() == pd.Timestamp("2026-05-31")
    assert 12_000 < sum(log.rows_in for log in logs) < 20_000
    assert sets["rung"].nunique() >= 10
    assert set(sets["athlete"]) <= set(logs[0].roster.index)


def test_one_to_two_rows_in_a_hundred_are_set_aside_and_all_are_accounted_for(logs):
    for log in logs:
        assert log.rows_in == len(log.sets) + len(log.rejected)
        assert 0.005 < len(log.rejected) / log.rows_in < 0.025
    reasons = set(pd.concat([log.rejected for log in logs])["kind"])
    assert len(reasons) >= 7


def test_one_athlete_went_from_one_coach_to_the_other(logs):
    name, day = MOVED
    first, second = (log.sets[log.sets["athlete"] == name]["date"] for log in logs)
    assert len(first) > 20
    assert len(second) > 20
    assert first.max() < pd.Timestamp(day) <= second.min()


@pytest.fixture(scope="module")
def clean_sets():
    cohort = simulate_cohort(
        "steady",
        10,
        seed=5,
        weeks=40,
        follow_up=0,
        start="2025-06-02",
        setting=Setting(rounding_seconds=0.5),
    )
    return log_order(cohort.sets)


def agree(read, clean):
    keys = ["athlete", "date", "rung", "set"]
    pd.testing.assert_frame_equal(
        read.sets[SAID].sort_values(keys, ignore_index=True),
        clean[SAID].sort_values(keys, ignore_index=True),
    )
    assert read.rejected.empty


def test_what_the_first_coach_writes_reads_back_as_it_was(clean_sets, tmp_path):
    rng = np.random.default_rng(1)
    rows = floor_rows(clean_sets, default_ladder(), rng)
    for written in (r"^\d+ sec$", r"^0:\d\d$", r"^x\d+$", r"^\d+ reps$", r"^\d+s$"):
        assert rows["value"].str.contains(written).any()
    rows.to_csv(tmp_path / "log.csv", index=False)
    agree(read_log(tmp_path / "log.csv", default_ladder()), clean_sets)


def test_what_the_second_coach_writes_reads_back_as_it_was(clean_sets, tmp_path):
    rng = np.random.default_rng(1)
    rows = annex_rows(clean_sets, default_ladder(), rng).rename(columns=ANNEX_COLUMNS)
    assert rows["Ergebnis"].str.contains(",5").any()
    rows.to_csv(tmp_path / "log.csv", index=False, sep=";", encoding="cp1252")
    mapping = COMMITTED / "mapping_annex.toml"
    agree(read_log(tmp_path / "log.csv", default_ladder(), mapping=mapping), clean_sets)


def test_slips_touch_the_share_of_rows_they_say(clean_sets):
    ladder = default_ladder()
    rows = floor_rows(clean_sets, ladder, np.random.default_rng(1))
    rough = with_slips(rows, clean_sets, ladder, np.random.default_rng(2))
    n, more = len(rows), len(rough) - len(rows) - 4
    expected = SLIPS["repeated"] + SLIPS["contradiction"]
    assert more == pytest.approx(n * expected, abs=4 * np.sqrt(n * expected))
    assert (rough == "").all(axis=1).sum() == 4
    assert list(rough.columns) == list(rows.columns)
    untouched = rows.merge(rough, how="left", indicator=True)["_merge"] == "both"
    assert untouched.mean() == pytest.approx(1 - (sum(SLIPS.values()) - expected), abs=0.006)


def test_names_of_columns_are_those_of_the_log():
    assert set(ANNEX_COLUMNS) <= set(SET_COLUMNS)
