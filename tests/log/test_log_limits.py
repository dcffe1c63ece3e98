"""Hostile files are refused in one short sentence, before memory or time is spent on them."""

from __future__ import annotations

import datetime as dt
import os
import time
import zipfile
from decimal import Decimal

import numpy as np
import pandas as pd
import pytest
from fuzzing import SEEDS

from forecast.errors import ForecastError, LadderError, LogError, MappingError, quote, shortened
from forecast.ladder_file import read_ladder
from forecast.log import load_mapping, read_club, read_log

SHEET = "xl/worksheets/sheet1.xml"


def book(path, change):
    """A sound workbook with its sheet changed."""
    sound = path.with_suffix(".sound")
    sound.write_bytes(SEEDS["xlsx"])
    with zipfile.ZipFile(sound) as old, zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            content = old.read(name)
            new.writestr(name, change(content) if name == SHEET else content)
    return path


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (
            lambda s: s.replace(b"<sheetData>", b"<sheetData>" + b" " * 510_000_000),
            "unpacks to 510",
        ),
        (lambda s: s.replace(b'<row r="2"', b'<row r="2000000000"'), "read up to 1048576 rows"),
        (
            lambda s: s.replace(b"<sheetData>", b"<sheetData><row>" + b"<c/>" * 2000 + b"</row>"),
            "1000 columns",
        ),
        (lambda s: s[: len(s) // 2], "not a readable XLSX workbook"),
        (lambda s: b"", "not a readable XLSX workbook|is empty"),
        (lambda s: s.replace(b"<v>", b"<v>x", 3), "not a readable XLSX workbook"),
    ],
)
def test_hostile_workbooks(tmp_path, ladder, change, words):
    path = book(tmp_path / "sets.xlsx", change)
    assert path.stat().st_size < 1_000_000
    start = time.process_time()
    with pytest.raises(LogError, match=words):
        read_log(path, ladder)
    assert time.process_time() - start < 20, "2 s where nothing else runs"


def test_files_and_tables_past_the_limits(tmp_path, ladder, monkeypatch):
    wide = tmp_path / "wide.csv"
    wide.write_text(",".join(f"c{n}" for n in range(100_000)) + "\n1,2\n")
    with pytest.raises(LogError, match=r"wide.csv has 1 rows and 100000 columns; 3000000 rows"):
        read_log(wide, ladder)
    with pytest.raises(LogError, match="columns are read at most"):
        read_log(pd.DataFrame(np.zeros((1, 1001))), ladder)
    monkeypatch.setattr("forecast.log.sizes.MAX_TEXT", 3)
    with pytest.raises(LogError, match="are read at most"):
        read_log(wide, ladder)
    monkeypatch.setattr("forecast.log.sizes.MAX_BYTES", 3)
    parquet = tmp_path / "sets.parquet"
    parquet.write_bytes(SEEDS["parquet"])
    with pytest.raises(LogError, match="0 MB of text are read at most"):
        read_log(parquet, ladder)


@pytest.mark.parametrize("name", ["a\x00b.csv", "x" * 300 + ".csv", "pipe.csv"])
def test_names_and_kinds_of_files_that_can_not_be(tmp_path, ladder, name):
    if name == "pipe.csv":
        os.mkfifo(tmp_path / name)
    with pytest.raises(LogError, match=r"not a path|can't be read|device or a pipe"):
        read_log(tmp_path / name, ladder)


@pytest.mark.parametrize(
    "text",
    [
        "x = " + "[" * 3000,
        "x = " + "9" * 5000,
        'x = "\x00"',
        "x = \udcff",
        "x = 0x" + "f" * 5000,
        "x = [{y = 0x1" + "0" * 16 + "}]",
    ],
    ids=range(6),
)
def test_hostile_toml(tmp_path, text):
    path = tmp_path / "club.toml"
    path.write_bytes(text.encode("utf-8", "surrogateescape"))
    for reader, error in (
        (read_ladder, LadderError), (load_mapping, MappingError), (read_club, LogError)
    ):  # fmt: skip
        with pytest.raises(error) as caught:
            reader(path)
        assert len(str(caught.value)) < 1000
    for reader in (read_ladder, load_mapping, read_club):
        with pytest.raises(ForecastError):
            reader(tmp_path / "a\x00b.toml")


def test_a_message_of_many_breaches_ends(tmp_path):
    path = tmp_path / "ladder.toml"
    needs = ", ".join(f'"no{n}"' for n in range(3000))
    path.write_text(
        '[ladder]\nname = "L"\n[[rung]]\nkey = "a"\nmeasure = "reps"\ntarget = 8\n'
        f"needs = [{needs}]\n"
    )
    with pytest.raises(LadderError, match="and 2980 more lines like these") as caught:
        read_ladder(path)
    assert len(str(caught.value)) < 5000


def test_a_breach_in_each_of_many_rungs_takes_no_time(tmp_path):
    path = tmp_path / "ladder.toml"
    rung = '[[rung]]\nkey = "a{n}"\nmeasure = "reps"\ntarget = 8\nneeds = ["b{n}"]\n'
    path.write_text('[ladder]\nname = "L"\n' + "".join(rung.format(n=n) for n in range(1000)))
    start = time.process_time()
    with pytest.raises(LadderError, match="and 980 more lines like these") as caught:
        read_ladder(path)
    assert time.process_time() - start < 5, "under 1 s where nothing else runs; 29 s once"
    assert len(str(caught.value)) < 20_000


def test_headers_numbered_without_end_are_no_sets(tmp_path, ladder):
    path = tmp_path / "sets.csv"
    path.write_text(f"athlete,date,rung,value,set {'9' * 5000}\nBo,2026-04-03,press,5,\n")
    log = read_log(path, ladder)
    assert log.sets["value"].tolist() == [5.0]


def test_a_long_quote_is_cut():
    assert quote("y" * 80) == f"'{'y' * 80}'"
    assert quote("y" * 81) == f"'{'y' * 80}...' (81 characters)"
    assert shortened("x" * 1_001) == "x" * 1_000 + "... (1001 characters)"


def test_a_long_cell_is_kept_whole_and_quoted_short(ladder):
    frame = pd.DataFrame([["Bo", "2026-04-03", "z" * 8000, 5]])
    frame.columns = ["athlete", "date", "rung", "value"]
    log = read_log(frame, ladder)
    assert log.rejected["value"].item() == "z" * 8000
    assert len(log.rejected["reason"].item()) < 300


CELLS = [
    Decimal("sNaN"), Decimal("NaN"), Decimal("1e500"), np.timedelta64("NaT"), np.datetime64("NaT"),
    np.timedelta64(5, "Y"), np.timedelta64(2**62, "s"), np.timedelta64(5),
    np.datetime64(2**62, "s"),
    pd.NaT, pd.NA, pd.Timedelta("1 day"), dt.timedelta(days=10**6), "\ud800", "\x00", "x" * 5000,
    10**400, -(10**400), complex(1, 2), b"\xff", [], {}, object, float("inf"), np.float64("nan"),
    dt.time(1, 2), dt.datetime(1, 1, 1), pd.Timestamp("1677-09-22"), True, np.bool_(False),
]  # fmt: skip


@pytest.mark.parametrize("column", ["athlete", "date", "rung", "value", "set", "clean", "assist",
                                    "load_kg", "stopped", "effort", "pain", "note"])  # fmt: skip
def test_no_odd_cell_in_memory_loses_a_row(ladder, column):
    sound = {"athlete": "Bo", "date": "2026-04-03", "rung": "press", "value": 5}
    frame = pd.DataFrame([{**sound, column: None}] * len(CELLS), dtype=object)
    frame[column] = pd.Series(CELLS, dtype=object)
    log = read_log(frame, ladder)
    assert log.rows_in == len(CELLS) == len(log.sets) + len(log.rejected)


BOUNDED = {
    "target = 8": [("target = 2001", "2000 or less in reps"), ("target = 1e300", "or less")],
    "confirm_sessions = 2": [("confirm_sessions = 2000000000", "must be 30 or less")],
    "min_weeks = 1": [("min_weeks = 15250", "260 or less"), ("min_weeks = nan", "'min_weeks'"),
                      ("load_kg = 501", "500 or less"), ("load_bodyweight = 50", "5 or less")],
    'key = "a"': [(f'key = "{"a" * 201}"', "200 characters at most")],
}  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new", "words"), [(old, *slip) for old, slips in BOUNDED.items() for slip in slips]
)
def test_no_number_of_a_ladder_is_beyond_its_bounds(tmp_path, old, new, words):
    path = tmp_path / "ladder.toml"
    sound = '[ladder]\nname = "L"\n[[rung]]\nkey = "a"\nmeasure = "reps"\ntarget = 8\n'
    sound += "confirm_sessions = 2\nmin_weeks = 1\n"
    assert sound.count(old) == 1
    path.write_text(sound)
    read_ladder(path)
    path.write_text(sound.replace(old, new))
    with pytest.raises(LadderError, match=words) as caught:
        read_ladder(path)
    assert len(str(caught.value)) < 400


def test_a_ladder_has_a_thousand_rungs_at_most(tmp_path):
    path = tmp_path / "ladder.toml"
    rung = '[[rung]]\nkey = "a{n}"\nmeasure = "reps"\ntarget = 8\n'
    path.write_text('[ladder]\nname = "L"\n' + "".join(rung.format(n=n) for n in range(1001)))
    with pytest.raises(LadderError, match="1000 entries at most, not 1001"):
        read_ladder(path)


@pytest.mark.parametrize(
    ("read", "words"),
    [
        ({"header_row": 0}, "1 or more"),
        ({"header_row": 10**9}, "or less"),
        ({"year": 1949}, "1950 or more"),
        ({"year": 2100}, "2099 or less"),
    ],
)
def test_no_number_of_a_mapping_is_beyond_its_bounds(read, words):
    with pytest.raises(MappingError, match=words):
        load_mapping({"read": read})


@pytest.mark.parametrize("encoding", ["a\x00b", "base64", "no such", ""])
def test_an_encoding_that_is_none_is_named(tmp_path, ladder, encoding):
    path = tmp_path / "sets.csv"
    path.write_text("athlete,date,rung,value\nBo,2026-04-03,press,5\n")
    if encoding:
        with pytest.raises(LogError, match="is not an encoding"):
            read_log(path, ladder, encoding=encoding)
    else:
        assert len(read_log(path, ladder, encoding=encoding).sets) == 1


@pytest.mark.parametrize("name", ["x" * 300, "x" * 300 + ".toml", "x" * 5000 + "/club.toml"])
def test_a_path_too_long_is_one_sentence(tmp_path, name):
    for reader in (read_ladder, load_mapping, read_club):
        with pytest.raises(ForecastError, match=r"can't be read|too long"):
            reader(tmp_path / name)
