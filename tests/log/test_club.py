"""One file that binds ladder, logs, mappings and roster."""

from __future__ import annotations

import datetime as dt
import io
import sys
import tomllib

import numpy as np
import pandas as pd
import pytest

from forecast.__main__ import main
from forecast.errors import LadderError, LogError, MappingError
from forecast.ladder import Criterion, Ladder, Rung
from forecast.log import add_tables, draft, load_mapping, read_club, read_tables

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


def test_a_club_s_logs_are_drafted_each_from_its_own_mapping(folder, capsys):
    with pytest.raises(SystemExit) as end:
        main(["check", str(folder), "--draft", str(folder / "draft.toml")])
    said = capsys.readouterr()
    assert not end.value.code, said.err
    first, second = (folder / f"draft-sets-{n}.toml" for n in (1, 2))
    assert '# "swing" = "KEY"  # 1 cell; keys: hang, press' in first.read_text(encoding="utf-8")
    assert 'athlete = "wer"' in second.read_text(encoding="utf-8")
    assert 'date_order = "dmy"' in second.read_text(encoding="utf-8")
    assert "put mapping = 'draft-sets-1.toml' below file = 'a/sets.csv'" in said.err
    assert "3 rows in = 2 sets + 1 rejected" in said.out
    first.write_text(
        first.read_text(encoding="utf-8").replace('# ignore = ["swing"]', 'ignore = ["swing"]'),
        encoding="utf-8",
    )
    text = CLUB.replace('"their.toml"', '"draft-sets-2.toml"')
    text = text.replace('"a/sets.csv"', '"a/sets.csv"\nmapping = "draft-sets-1.toml"')
    (folder / "club.toml").write_text(text, encoding="utf-8")
    log = read_club(folder).log
    assert (len(log.sets), len(log.rejected)) == (2, 1)
    assert "under ignore" in log.rejected["reason"].item()


def test_a_club_of_one_log_has_one_draft_where_asked(folder, capsys):
    (folder / "club.toml").write_text(
        'ladder = "ladder.toml"\n[[log]]\nfile = "a/sets.csv"\n', encoding="utf-8"
    )
    with pytest.raises(SystemExit):
        main(["check", str(folder / "club.toml"), "--draft", str(folder / "draft.toml")])
    assert "with 1 question " in capsys.readouterr().err
    assert (folder / "draft.toml").exists()
    with pytest.raises(SystemExit):
        main(["check", str(folder / "a" / "sets.csv"), "--draft", str(folder / "other.toml")])
    assert "--ladder FILE, or with a club" in capsys.readouterr().err
    assert not (folder / "other.toml").exists()


def test_a_draft_keeps_what_the_mapping_before_it_says():
    frame = pd.DataFrame({"a": ["Bo"], "d": ["03.04.2026"], "r": ["hang"], "v": ["3x10 weird"]})
    said = {
        "columns": {"athlete": "a", "date": "d", "rung": "r", "value": "v"},
        "ignore": ["Jog"],
        "values": {"value": {"out": 0}, "pain": {"ouch": 5}, "clean": {"ok": True}},
        "cells": {"3x10": "sets x value"},
        "words": {"weird": "note"},
        "units": {"v": "s"},
        "roster": {"age": "years"},
        "read": {"date_order": "dmy", "year": 2026, "last_date": dt.date(2026, 5, 1)},
    }
    ladder = Ladder("One", (Rung("hang", "Hang", "", Criterion("seconds", 10.0)),))
    text = draft(frame, ladder, mapping=load_mapping(said)).text()
    again = load_mapping(tomllib.loads(text)).model_dump(exclude_defaults=True)
    assert again.pop("values") == said["values"] | {"rung": {"hang": "hang"}}
    assert again == {k: v for k, v in said.items() if k != "values"}


@pytest.fixture
def parsed(monkeypatch):
    """Names of the files whose rows are parsed, in order."""
    seen: list[str] = []
    club_module = sys.modules[read_club.__module__]
    parse = club_module.parse_rows

    def counted(raw, *rest):
        seen.append(raw.file)
        return parse(raw, *rest)

    monkeypatch.setattr(club_module, "parse_rows", counted)
    return seen


def same(one, other):
    assert (one.log.warnings, one.log.understood, one.log.rows_in) == (
        other.log.warnings, other.log.understood, other.log.rows_in
    )  # fmt: skip
    pd.testing.assert_frame_equal(one.log.sets, other.log.sets)
    pd.testing.assert_frame_equal(one.log.rejected, other.log.rejected)


def test_a_file_that_stayed_as_it_was_is_not_read_again(folder, parsed):
    plain = read_club(folder)
    assert not list(folder.glob("last_read-*"))
    same(read_club(folder, keep=True), plain)
    del parsed[:]
    same(read_club(folder, keep=True), plain)
    assert parsed == []
    with (folder / "a" / "sets.csv").open("a", encoding="utf-8") as file:
        file.write("Kim,2026-04-05,hang,9\n")
    more = read_club(folder, keep=True)
    assert len(parsed) == 1
    assert len(more.log.sets) == len(plain.log.sets) + 1
    same(read_club(folder), more)
    assert len(list(folder.glob("last_read-*"))) == 2  # of the file as it was nothing is left


def test_another_mapping_ladder_or_order_of_dates_is_read_anew(folder, parsed):
    read_club(folder, keep=True)
    for name, old, new in (
        ("their.toml", 'date_order = "dmy"', 'date_order = "mdy"'),
        ("ladder.toml", "target = 10", "target = 12"),
        ("club.toml", 'file = "a/sets.csv"', 'file = "a/sets.csv"\ndate_order = "ymd"'),
    ):
        path = folder / name
        path.write_text(path.read_text(encoding="utf-8").replace(old, new), encoding="utf-8")
        del parsed[:]
        same(read_club(folder, keep=True), read_club(folder))
        assert len(parsed) > 2  # both files without keeping, and at least one with


@pytest.mark.parametrize("content", [b"", b"no zip", b"PK\x05\x06" + bytes(18)])
def test_kept_rows_that_are_spoilt_are_read_anew(folder, content):
    plain = read_club(folder, keep=True)
    for path in folder.glob("last_read-*"):
        path.write_bytes(content)
    same(read_club(folder, keep=True), plain)


def test_a_link_in_place_of_kept_rows_is_neither_read_nor_written_through(folder, parsed):
    plain = read_club(folder, keep=True)
    kept, aside = min(folder.glob("last_read-*")), folder / "theirs"
    kept.rename(aside)
    before = aside.read_bytes()
    kept.symlink_to(aside)
    del parsed[:]
    same(read_club(folder, keep=True), plain)
    assert parsed
    assert not kept.is_symlink()
    assert aside.read_bytes() == before


def test_kept_rows_that_were_tampered_with_are_read_anew(folder):
    plain = read_club(folder, keep=True)
    for change in ({"value": -5.0}, {"value": np.inf}, {"athlete": None}, {"date": pd.NaT}):
        for path in folder.glob("last_read-*"):
            facts, tables = read_tables(path, "rows")
            changed = {key: table.assign(**change) for key, table in tables.items()}
            content = io.BytesIO()
            add_tables(content, "rows", facts, changed)
            path.write_bytes(content.getvalue())
        same(read_club(folder, keep=True), plain)
