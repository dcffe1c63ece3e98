"""Small logs with their truths: a draft accepted as it is written reads nothing wrong.

``draw_shapes.py`` writes the files; ``files.toml`` says how many sets a draft accepted as written
may leave unread because it asks first.
"""

from __future__ import annotations

import csv
import statistics
import tomllib
from collections import Counter
from functools import cache
from pathlib import Path

import pytest

from forecast.errors import LogError
from forecast.ladder_file import read_ladder
from forecast.log import draft, read_log

SHAPES = Path(__file__).parent / "shapes"
FILES = tomllib.loads((SHAPES / "files.toml").read_text(encoding="utf-8"))
LADDER = read_ladder(SHAPES / "ladder.toml")
QUESTIONS: dict[str, int] = {}


@cache
def truth():
    sets: dict[str, Counter] = {name: Counter() for name in FILES}
    with (SHAPES / "truth.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            for value in row["values"].split():
                sets[row["file"]][row["athlete"], row["date"], row["rung"], float(value)] += 1
    return sets


@cache
def drafted(name):
    roster = SHAPES / "roster.csv" if FILES[name].get("roster") else None
    return draft(SHAPES / name, LADDER, roster=roster)


def read(name, mapping):
    """What a mapping reads: the sets, counted; the log, none where it is asked about first."""
    try:
        log = read_log(SHAPES / name, LADDER, mapping=mapping)
    except LogError:
        return Counter(), None
    assert log.rows_in == len(log.sets) + len(log.rejected)
    days = log.sets["date"].dt.strftime("%Y-%m-%d")
    rows = zip(log.sets["athlete"], days, log.sets["rung"], log.sets["value"].round(6), strict=True)
    return Counter(rows), log


def merged(mapping, answers):
    """A mapping with answers that go before its own."""
    made = dict(mapping)
    for key, value in answers.items():
        both = isinstance(value, dict) and isinstance(made.get(key), dict)
        made[key] = merged(made[key], value) if both else value
    return made


@pytest.mark.parametrize("name", FILES)
def test_a_draft_accepted_as_written_reads_nothing_wrong(name):
    made = drafted(name)
    QUESTIONS[name] = len(made.questions)
    sets, _ = read(name, tomllib.loads(made.text()))
    assert sets - truth()[name] == Counter(), made.text()
    assert (truth()[name] - sets).total() == FILES[name]["lost"], made.text()
    assert made.mapping == {k: v for k, v in tomllib.loads(made.text()).items() if v}


@pytest.mark.parametrize("name", FILES)
def test_with_answers_all_is_read(name):
    made = drafted(name)
    mapping = merged(made.guessed(), FILES[name].get("answers", {}))
    sets, log = read(name, mapping)
    assert sets == truth()[name], made.text()
    kinds = Counter(log.sets["assist"]), int((~log.sets["clean"]).sum()), log.sets["pain"].count()
    n = len(log.sets)
    expected = {
        "form": (Counter(none=n), -(-n // 3), 0),
        "band": (Counter({"red band": n}) if "notes" in name else Counter(band=n), 0, 0),
        "notes": (Counter(none=n - n // 6, assisted=n // 6), n // 6, n // 6),
        "notes_de": (Counter(none=n - n // 6, assisted=n // 6), n // 6, n // 6),
    }.get(FILES[name].get("told"))
    assert expected in (None, kinds)


def test_few_questions():
    counts = [len(drafted(name).questions) for name in FILES]
    assert len(counts) >= 60
    assert statistics.median(counts) <= 3


@pytest.mark.parametrize("name", ["slashes.csv", "tabs_and_a_column_of_names.xlsx", "times.csv"])
def test_answers_are_shown_on_rows_as_they_would_read_them(name):
    made = drafted(name)
    for question in made.questions:
        shown = {made.samples(question, answer.value) for answer in question.answers}
        assert len(shown) == len(question.answers)
        assert all(shown)


def test_an_answer_is_sure_from_then_on():
    made = drafted("slashes.csv")
    (question,) = made.questions
    again = draft(SHAPES / "slashes.csv", LADDER, mapping=made.answered(question, "sides"))
    assert again.questions == ()
    assert again.mapping["cells"] == {"10/9": "sides"}
