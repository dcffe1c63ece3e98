"""``setup`` at a prompt: driven by a pseudo-terminal from a messy workbook to a first forecast."""

from __future__ import annotations

import codecs
import datetime as dt
import io
import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import openpyxl
import pytest

from forecast.__main__ import main
from forecast.commands.setup import State, corrected
from forecast.ladder import Criterion, Rung
from forecast.log import ladder_draft, read_club
from forecast.words import CAUTION

pty = pytest.importorskip("pty", reason="no pseudo-terminals on this system")

PROMPT = re.compile(r"(?:undo\)|undo): $")
MOST_ANSWERS, UNDONE = 12, 4
START = dt.date(2026, 1, 6)
LEAN = {"Ilka": 4, "Tamsin": 6, "Bero": 9, "Oskar": 12}
ROWS = [
    (who, START + dt.timedelta(days=7 * week + n % 3), name, sets)
    for week in range(10)
    for n, (who, start) in enumerate(LEAN.items())
    for name, sets in (
        ("Floor lean", [start + week, start + week - 1, start + week - 2]),
        *([("Ring press", [1 + week // 3, 1 + week // 3])] if start + week > 12 else []),
    )
]
"""Who, when, what, and the sets: everybody gains a second a week, and goes on past twelve."""


def workbook(path: Path) -> None:
    """A title, headers of the coach's own, names once, sets in a cell, other exercises."""
    book = openpyxl.Workbook()
    tab = book.active
    tab.title = "Spring"
    for row in (["Our gym, spring"], [], ["Gymnast", "When", "Station", "Marks", "ok?", "Remarks"]):
        tab.append(row)
    before = None
    for n, (who, day, name, sets) in enumerate(sorted(ROWS, key=lambda row: (row[0], row[1]))):
        clean, remark = "no" if n % 11 == 0 else "yes", "spotted" if n % 13 == 0 else None
        shown = f"{sets[0]} s" if name == "Floor lean" and n % 9 == 0 else "/".join(map(str, sets))
        tab.append([who if who != before else None, f"{day:%d.%m.%Y}",
                    name.upper() if n % 5 else name, shown, clean, remark])  # fmt: skip
        before = who
        if n % 12 == 0:
            tab.append([None, f"{day:%d.%m.%Y}", "Jogging", "20 min", None, None])
    book.save(path)
    book.close()


ANSWERS = (
    # the screen since the last prompt holds, what a coach types
    (r"Where are the exercises named", {"Station": "n"}),
    (r"\d+ +Jogging", "{Jogging} drop"),
    (r"Floor lean +\S+ reps", "{Floor lean} seconds 15"),
    (r"undo: $", ""),
    (r"\[columns\] athlete", {"Gymnast": "n"}),
    (r"\[columns\] value", {"Marks": "n"}),
    (r"\[columns\] date", {"When": "n"}),
    (r"\[columns\] clean", {"ok?": "n"}),
    (r"\[cells\] 10/9", {"sets": "n"}),
    (r"\[notes\]", {"assisted": "n"}),
    (r"\[values.rung\] Jogging", {"ignore": "n"}),
)


def typed(screen: str) -> str:
    """What a coach answers to what stands on the screen."""
    for pattern, answer in ANSWERS:
        if not re.search(pattern, screen, re.S | re.I):
            continue
        if isinstance(answer, str):
            return re.sub(
                r"\{(.+?)\}", lambda m: re.findall(rf"(\d+) +{m[1]}", screen, re.I)[-1], answer
            )
        (meant,) = answer
        numbers = re.findall(rf"^ +(\d+)  \"?{re.escape(meant)}\"?(?:  |\r|$)", screen, re.M)
        if numbers:
            return numbers[-1]
    raise AssertionError(f"a question that no coach expects:\n{screen}")


def drive(*arguments: str, undo_at: int = 0) -> tuple[str, list[str], int]:
    """Run ``setup`` at a pseudo-terminal; return the screen, the answers and the exit code."""
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "forecast", "setup", *arguments],
        stdin=theirs, stdout=theirs, stderr=theirs, env=os.environ | {"COLUMNS": "160"},
    )  # fmt: skip
    os.close(theirs)
    decoder = codecs.getincrementaldecoder("utf-8")("replace")
    screen, looked, answers = "", 0, []
    try:
        while True:
            try:
                chunk = os.read(ours, 65536)
            except OSError:  # the other end is closed
                break
            if not chunk:
                break
            screen += decoder.decode(chunk)
            if PROMPT.search(screen[looked:]):
                assert len(answers) < 2 * MOST_ANSWERS, screen
                answer = "u" if len(answers) + 1 == undo_at else typed(screen[looked:])
                answers.append(answer)
                looked = len(screen)
                os.write(ours, f"{answer}\n".encode())
        return screen, answers, process.wait(timeout=300)
    finally:
        process.kill()
        os.close(ours)


@pytest.fixture(scope="module")
def driven(tmp_path_factory):
    folder = tmp_path_factory.mktemp("gym")
    workbook(folder / "training.xlsx")
    screen, answers, code = drive(str(folder / "training.xlsx"), undo_at=UNDONE)
    return folder, screen, answers, code


def test_from_a_messy_workbook_to_a_first_forecast(driven):
    folder, screen, answers, code = driven
    assert code == 0, screen
    assert len(answers) <= MOST_ANSWERS, answers
    assert re.search(r"open rungs? of", screen)
    assert "".join(CAUTION.split()) in "".join(screen.split())
    log = read_club(folder).log
    truth = sorted((who, day, float(v)) for who, day, _, sets in ROWS for v in sets)
    read = sorted(
        zip(log.sets["athlete"], log.sets["date"].dt.date, log.sets["value"], strict=True)
    )
    lost = [one for one in truth if one not in read]
    assert set(read) <= set(truth), "a set that nobody did"
    assert len(lost) <= 2 * sum(n % 9 == 0 for n in range(len(ROWS))), lost
    assert {rung.name.casefold() for rung in log.ladder.rungs} == {"floor lean", "ring press"}
    assert log.ladder.rungs[0].criterion.measure == "seconds"
    assert log.sets["assist"].eq("assisted").any()
    assert re.search(r"Floor lean +15\ss +112 sets of 4 athletes, 2 to 21\r", screen)
    assert 'not used: "ok?"' in screen  # a header that nobody knows is said to be left out


def test_an_undone_question_is_asked_again(driven):
    _, _, answers, _ = driven
    assert answers[UNDONE - 1] == "u"
    assert answers[UNDONE] == answers[UNDONE - 2]


def test_three_rows_stand_beside_each_answer(driven):
    _, screen, *_ = driven
    asked, *_ = re.findall(r"\[cells\] 10/9.*?undo\)", screen, re.S)
    assert len(re.findall(r"^ {8}\S", asked, re.M)) >= 4, asked


def test_what_is_there_is_left_alone(driven, capsys):
    folder, *_ = driven
    before = {path: path.read_bytes() for path in folder.glob("*.toml")}
    with pytest.raises(SystemExit) as end:
        main(["setup", str(folder / "training.xlsx"), "--yes"])
    assert end.value.code == 2
    assert "has a club.toml" in capsys.readouterr().err
    assert before == {path: path.read_bytes() for path in folder.glob("*.toml")}
    assert "last_read-*.zip" in (folder / ".gitignore").read_text()


@pytest.fixture
def plain(tmp_path, monkeypatch):
    """A log and its ladder, of which all is sure but two words; no forecast is made of it."""
    monkeypatch.setattr("forecast.commands.setup.weeks", lambda **_: print("the forecast"))
    words = {0: "Hopping", 1: "Skipping"}
    (tmp_path / "log.csv").write_text(
        "athlete,date,rung,value\n"
        + "".join(f"{who},{day},{words.get(n % 7, 'lean')},{sets[0]}\n"
                  for n, (who, day, name, sets) in enumerate(ROWS) if name == "Floor lean"),
        encoding="utf-8",
    )  # fmt: skip
    (tmp_path / "ladder.toml").write_text(
        '[ladder]\nname = "L"\n[[rung]]\nkey = "lean"\nmeasure = "seconds"\ntarget = 15\n'
    )
    return tmp_path


def called(*arguments):
    with pytest.raises(SystemExit) as end:
        main(["setup", *map(str, arguments)])
    return end.value.code or 0


def test_without_a_terminal_the_questions_stay_in_the_mapping(plain, capsys, monkeypatch):
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    code = called(plain / "log.csv", "--ladder", plain / "ladder.toml", "--out", plain / "club")
    told = capsys.readouterr()
    assert code == 0, told.err
    assert "No terminal to ask at" in told.err
    assert "the forecast" in told.out
    text = (plain / "club" / "mapping.toml").read_text(encoding="utf-8")
    for word in ("Hopping", "Skipping"):
        assert f'# "{word}" = ' in text
    club = tomllib.loads((plain / "club" / "club.toml").read_text(encoding="utf-8"))
    assert club["log"][0]["file"] == "../log.csv"


def test_an_answer_is_taken_back_and_others_put_off(plain, capsys, monkeypatch):
    typed = iter(["u", "9", "1", "u", "s", "1"])
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    monkeypatch.setattr(sys.stdin, "isatty", lambda: True)
    monkeypatch.setattr("typer.prompt", lambda text, **_: next(typed))
    code = called(plain / "log.csv", "--ladder", plain / "ladder.toml", "--out", plain / "club")
    told = capsys.readouterr()
    assert code == 0, told.err
    assert "nothing to undo" in told.out
    assert "not one of the answers" in told.out
    assert (
        told.out.count("[values.rung] Hopping") == 3
    )  # asked, after the first u, after the second
    assert "answered: 6; left in the mapping: 1" in told.out
    mapping = (plain / "club" / "mapping.toml").read_text(encoding="utf-8")
    assert '# "Hopping" = ' in mapping
    assert 'ignore = ["Skipping"]' in mapping
    assert next(typed, None) is None


def test_a_measure_is_never_guessed_without_asking(plain, capsys):
    assert called(plain / "log.csv", "--yes", "--out", plain / "club") == 1
    assert "nothing in the log tells" in capsys.readouterr().err
    text = (plain / "club" / "ladder.toml").read_text(encoding="utf-8")
    assert '# measure = "reps"  # or "seconds"' in text


@pytest.mark.parametrize(
    ("typed", "left"),
    [
        ("", ["a 10 reps", "b 5 seconds <a", "c 3 reps <b"]),
        ("1 12, 2 reps 7", ["a 12 reps", "b 7 reps <a", "c 3 reps <b"]),
        ("2 drop", ["a 10 reps", "c 3 reps <a"]),
        ("1 drop, 3 kg", ["b 5 seconds", "c 3 kg <b"]),
        ("2 drop, 3 kg 40", ["a 10 reps", "c 40 kg <a"]),
        ("3 up", None),
        ("1 drop, 2 drop, 3 drop", None),
        ("4 drop", None),
        ("0 12", None),
        ("2", None),
        ("2 minutes", None),
    ],
)
def test_a_drafted_ladder_is_corrected_in_words(typed, left):
    marks = [("a", "reps", 10.0, ()), ("b", "seconds", 5.0, ("a",)), ("c", "reps", 3.0, ("b",))]
    rungs = tuple(
        ladder_draft.LikelyRung(Rung(k, k, "", Criterion(m, t), n), False, 9, 2, 1.0, 9.0)
        for k, m, t, n in marks
    )
    state = corrected(State(rungs=rungs), typed)
    if left is None:
        assert state is None
        return
    shown = [
        f"{one.rung.key} {one.rung.criterion.target:g} {one.rung.criterion.measure}"
        + "".join(f" <{key}" for key in one.rung.needs)
        for one in state.rungs
    ]
    assert shown == left
    assert state.agreed == (not typed)
