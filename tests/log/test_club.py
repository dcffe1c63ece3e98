"""One file that binds ladder, logs, mappings and roster."""

from __future__ import annotations

import pandas as pd
import pytest

from forecast.errors import LadderError, LogError, MappingError
from forecast.log import read_club

LADDER = """
[ladder]
name = "Two"
[[rung]]
key = "hang"
measure = "seconds"
target = 10
[[rung]]
key = "press"
measure = "reps"
target = 5
"""
CLUB = """
name = "Invented"
ladder = "ladder.toml"
roster = "people.csv"
as_of = 2026-05-01
[[log]]
file = "a/sets.csv"
[[log]]
file = "b/sets.csv"
mapping = "their.toml"
"""


@pytest.fixture
def folder(tmp_path):
    for name, text in {
        "ladder.toml": LADDER,
        "club.toml": CLUB,
        "people.csv": "athlete,age\nBo,30\nKim,31\n",
        "their.toml": '[read]\ndate_order = "dmy"\n[columns]\nathlete = "wer"\nvalue = "wieviel"\n',
        "a/sets.csv": "athlete,date,rung,value\nBo,2026-04-03,hang,8\nBo,2026-04-03,swing,8\n",
        "b/sets.csv": "wer;date;rung;wieviel\nKim;03.04.2026;press;4\n",
    }.items():
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return tmp_path


def test_every_log_is_read_with_its_own_mapping_and_the_counts_add_up(folder):
    club = read_club(folder)
    assert club.name == "Invented"
    assert club.as_of == pd.Timestamp("2026-05-01")
    assert club.log.athletes == ["Bo", "Kim"]
    assert club.log.rows_in == 3 == len(club.log.sets) + len(club.log.rejected)
    assert list(club.log.roster.index) == ["Bo", "Kim"]


def test_logs_of_one_file_name_are_told_apart(folder):
    club = read_club(folder / "club.toml")
    assert set(club.log.sets["file"]) == {"a/sets.csv", "b/sets.csv"}
    assert club.log.rejected["file"].item() == "a/sets.csv"


def test_a_club_needs_neither_name_nor_roster_nor_date(folder):
    text = 'ladder = "ladder.toml"\n[[log]]\nfile = "a/sets.csv"\n'
    (folder / "club.toml").write_text(text, encoding="utf-8")
    club = read_club(folder)
    assert club.name == folder.name
    assert club.as_of is None
    assert club.log.roster.empty


@pytest.mark.parametrize(
    ("old", "new", "error", "words"),
    [
        ('ladder = "ladder.toml"', "", LogError, "'ladder' is missing"),
        ("roster =", "rooster =", LogError, "'rooster' is not known here"),
        ("mapping =", "maping =", LogError, "[[log]] number 2: 'maping' is not known"),
        ('file = "b/sets.csv"', "", LogError, "[[log]] number 2: 'file' is missing"),
        ('file = "b/sets.csv"', 'file = "c.csv"', LogError, "There is no file"),
        ("2026-05-01", '"soon"', LogError, "'as_of' can't be 'soon'"),
        ("ladder.toml", "steps.toml", LadderError, "steps.toml"),
        ("their.toml", "no.toml", MappingError, "no.toml"),
        ('name = "Invented"', "name = ", LogError, "not valid TOML"),
    ],
)
def test_a_slip_is_named_with_its_place(folder, old, new, error, words):
    assert CLUB.count(old) == 1
    (folder / "club.toml").write_text(CLUB.replace(old, new), encoding="utf-8")
    with pytest.raises(error) as caught:
        read_club(folder)
    assert words in str(caught.value)


def test_a_club_without_logs_says_what_to_add(folder):
    (folder / "club.toml").write_text('ladder = "ladder.toml"\n', encoding="utf-8")
    with pytest.raises(LogError, match=r"no log is named; add\n\[\[log\]\]"):
        read_club(folder)


def test_a_folder_without_a_club_file_says_what_it_needs(tmp_path):
    with pytest.raises(LogError, match=r"a folder needs a club\.toml"):
        read_club(tmp_path)
