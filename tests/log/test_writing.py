"""Files are there whole or not at all, and hold nothing that a spreadsheet or terminal runs."""

from __future__ import annotations

import errno
import io
import os
import stat
import subprocess
import sys

import openpyxl
import pandas as pd
import pytest

from forecast.errors import ForecastError, LadderError, LogError
from forecast.ladder_file import read_ladder
from forecast.log import (
    csv_bytes,
    describe_log,
    read_log,
    visible,
    write_all,
    write_rejected,
    write_whole,
)


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def test_a_new_file_and_an_old_one(tmp_path):
    path = tmp_path / ("x" * 250 + ".csv")  # as long as a name can be
    for content in (b"one", b"", b"two"):
        assert write_whole(path, content) == path
        assert path.read_bytes() == content
    assert names(tmp_path) == [path.name]


def test_rights_are_kept_and_new_files_get_the_usual_ones(tmp_path):
    path, plain = tmp_path / "a", tmp_path / "b"
    path.write_bytes(b"old")
    path.chmod(0o640)
    write_whole(path, b"new")
    assert stat.S_IMODE(path.stat().st_mode) == 0o640
    write_whole(tmp_path / "c", b"")
    plain.write_bytes(b"")
    assert (tmp_path / "c").stat().st_mode == plain.stat().st_mode


@pytest.mark.parametrize("fault", [OSError(errno.ENOSPC, "No space left"), KeyboardInterrupt()])
@pytest.mark.parametrize("where", ["fsync", "replace"])
def test_what_was_there_stays_when_writing_fails(tmp_path, monkeypatch, fault, where):
    path = tmp_path / "forecast.csv"
    path.write_bytes(b"old")

    def fail(*_):
        raise fault

    monkeypatch.setattr(os, where, fail)
    expected = ForecastError if isinstance(fault, OSError) else KeyboardInterrupt
    with pytest.raises(expected):
        write_whole(path, b"new")
    assert path.read_bytes() == b"old"
    assert names(tmp_path) == ["forecast.csv"]


def test_a_read_only_file_system_is_one_sentence(tmp_path, monkeypatch):
    def refuse(*_, **__):
        raise OSError(errno.EROFS, "Read-only file system")

    monkeypatch.setattr("builtins.open", refuse)
    monkeypatch.setattr("pathlib.Path.unlink", refuse)
    with pytest.raises(LogError, match="Read-only file system"):
        write_whole(tmp_path / "a", b"", LogError)


def test_what_a_killed_run_left_is_swept_later(tmp_path):
    left, waiting, own = (tmp_path / f".{name}.part" for name in ("0" * 16, "1" * 16, "mine"))
    for path in (left, waiting, own):
        path.write_bytes(b"half")
    for path in (left, own):
        os.utime(path, (0, 0))
    write_whole(tmp_path / "a", b"new")
    assert names(tmp_path) == sorted([waiting.name, own.name, "a"])


def test_of_several_files_none_is_new_before_all_are_written(tmp_path):
    first, second = tmp_path / "a", tmp_path / "b"
    first.write_bytes(b"old")

    def contents():
        yield first, b"new"
        yield second, b"new"
        raise ForecastError("the third page can't be made")

    with pytest.raises(ForecastError, match="third page"):
        write_all(contents())
    assert first.read_bytes() == b"old"
    assert names(tmp_path) == ["a"]


def test_links_are_written_through(tmp_path):
    (tmp_path / "real").mkdir()
    link, dangling = tmp_path / "link", tmp_path / "dangling"
    (tmp_path / "real" / "a").write_bytes(b"old")
    link.symlink_to("real/a")
    dangling.symlink_to("real/b")
    for path, target in ((link, "a"), (dangling, "b")):
        write_whole(path, b"new")
        assert path.is_symlink()
        assert (tmp_path / "real" / target).read_bytes() == b"new"
    assert names(tmp_path / "real") == ["a", "b"]


def test_devices_and_pipes_are_written_to_and_stay(tmp_path):
    null = tmp_path / "null"
    null.symlink_to(os.devnull)
    before = os.stat(os.devnull)
    write_whole(null, b"nothing")
    after = os.stat(os.devnull)
    assert stat.S_ISCHR(after.st_mode)
    assert (before.st_ino, before.st_rdev) == (after.st_ino, after.st_rdev)
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    reader = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    try:
        write_whole(pipe, b"through")
        assert os.read(reader, 100) == b"through"
    finally:
        os.close(reader)
    assert stat.S_ISFIFO(pipe.stat().st_mode)


@pytest.mark.parametrize("name", ["none/a.csv", "a\x00b", "", "x" * 300])
def test_what_can_not_be_written_is_one_sentence(tmp_path, name):
    with pytest.raises(LogError, match=r"can't be written|not a file name"):
        write_whole(tmp_path / name, b"", LogError)
    assert names(tmp_path) == []


KILLS = """
import os, signal, sys, time
from pathlib import Path
from forecast.log import write_whole
path = Path(sys.argv[1])
write_whole(path, b"0" * 300_000)
for kill in range(12):
    child = os.fork()
    while child == 0:
        for digit in b"123456789":
            write_whole(path, bytes([digit]) * 300_000)
    time.sleep(0.004 * kill)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    content = path.read_bytes()
    assert content == content[:1] * 300_000, f"broken after kill {kill}"
print("whole", "other" if content[:1] != b"0" else "never written")
"""


def test_a_dozen_kills_at_any_moment_leave_a_whole_file(tmp_path):
    done = subprocess.run(
        [sys.executable, "-c", KILLS, str(tmp_path / "page.html")],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.stdout == "whole other\n", done.stderr


# formulas -----------------------------------------------------------------------------------

TEXTS = ["=cmd|' /C calc'!A0", "+SUM(A1)", "-1+1", "@x", "\t=1", "-4", "+3,5", "-1e-3", "Bo", "a=b"]
GUARDED = [f"'{text}" for text in TEXTS[:5]] + TEXTS[5:]


@pytest.mark.parametrize("kind", ["str", "object", "category"])
def test_no_text_is_a_formula_for_a_spreadsheet(kind):
    frame = pd.DataFrame({"athlete": pd.Series(TEXTS).astype(kind), "value": -1.5})
    guarded = pd.read_csv(io.BytesIO(csv_bytes(frame)), dtype={"athlete": str})
    assert guarded["athlete"].tolist() == GUARDED
    assert guarded["value"].tolist() == [-1.5] * len(TEXTS)
    assert frame["athlete"].tolist() == TEXTS, "the table given stays as it was"


def test_an_empty_table_and_missing_cells_stay():
    frame = pd.DataFrame({"athlete": ["=1", None], "date": pd.to_datetime(["2026-05-01", None])})
    assert csv_bytes(frame) == b"athlete,date\n'=1,2026-05-01\n,\n"
    assert csv_bytes(frame.iloc[:0]) == b"athlete,date\n"
    assert csv_bytes(frame.iloc[:0], mark=True).startswith(b"\xef\xbb\xbf")


@pytest.mark.parametrize("suffix", [".csv", ".xlsx"])
def test_rejected_rows_hold_no_formula(tmp_path, ladder, suffix):
    frame = pd.DataFrame(
        {"athlete": ["=1+1"] * 2, "date": "2026-04-03", "rung": ["=HYPERLINK(1)", "press"]}
    ).assign(value=["5", "-4"])
    path = write_rejected(read_log(frame, ladder), tmp_path / f"rejected{suffix}")
    if suffix == ".csv":
        values = pd.read_csv(path)["value"].astype(str).tolist()
    else:
        sheet = openpyxl.load_workbook(path).active
        assert {cell.data_type for row in sheet.iter_rows() for cell in row} <= {"s", "n"}
        values = [row[3] for row in sheet.iter_rows(min_row=2, values_only=True)]
    assert values == ["'=HYPERLINK(1)", "-4"]


# control characters -------------------------------------------------------------------------


def test_control_characters_are_written_out():
    assert visible("Bo\x1b[2J\x07\x9b\u202e\ud800") == r"Bo\x1b[2J\x07\x9b\u202e\ud800"
    assert visible("two\nlines\tJosé 北 नि\u200dक") == "two\nlines\tJosé 北 नि\u200dक"


def test_no_name_of_a_log_reaches_the_terminal_as_an_order(ladder):
    frame = pd.DataFrame(
        {
            "athlete": ["Bo\x1b]0;x\x07", "Bo"],
            "date": "2026-04-03",
            "rung": ["press", "\x1b[2J"],
            "value": 5,
            "\x1b[31mred": "x",
        }
    )
    log = read_log(frame, ladder)
    assert log.athletes == [r"Bo\x1b]0;x\x07"]
    assert "\x1b" not in describe_log(log).text
    assert log.rejected["value"].tolist() == [r"\x1b[2J"]


@pytest.mark.parametrize("sign", [r"\u001b", r"\u0007", r"\u202E"])
def test_a_ladder_with_control_characters_is_refused(tmp_path, sign):
    path = tmp_path / "ladder.toml"
    path.write_text(
        f'[ladder]\nname = "L"\n[[rung]]\nkey = "a"\nname = "x{sign}[2J"\nmeasure = "reps"\n'
        'target = 8\nform = """two\nlines"""\n'
    )
    with pytest.raises(LadderError, match=r"'name' must not hold the control character"):
        read_ladder(path)
