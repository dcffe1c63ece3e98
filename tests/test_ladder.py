"""Reading ladders: what a coach may write, and what each slip is answered with."""

from __future__ import annotations

from pathlib import Path

import pytest

from forecast.errors import LadderError
from forecast.ladder import Criterion
from forecast.ladder_file import read_ladder

BASE = """\
[ladder]
name = "Wall to bar"

[[rung]]
key = "wall"
name = "Wall lean"
measure = "seconds"
target = 15

[[rung]]
key = "bar"
measure = "reps"
target = 8
confirm_sessions = 2
min_weeks = 1

[[rung]]
key = "top"
measure = "seconds"
target = 3.5
fallback = "bar"
"""


@pytest.fixture
def write(tmp_path: Path):
    def to_file(text: str) -> Path:
        path = tmp_path / "ladder.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return to_file


def test_a_plain_ladder_is_read_in_the_order_of_the_file(write):
    ladder = read_ladder(write(BASE))
    assert ladder.name == "Wall to bar"
    assert ladder.keys == ("wall", "bar", "top")
    assert ladder.rung("bar").criterion == Criterion("reps", 8.0, confirm_sessions=2)
    assert ladder.rung("wall").name == "Wall lean"
    assert ladder.rung("bar").name == "bar", "the name defaults to the key"
    assert ladder.rung("bar").stage == ""
    assert ladder.rung("top").fallback == "bar"
    assert [rung.needs for rung in ladder.rungs] == [(), ("wall",), ("bar",)]


def test_a_root_and_a_branch(write):
    gates = BASE + '\n[[rung]]\nkey = "gate"\nmeasure = "cm"\ntarget = 5\nneeds = []\n'
    gates += '\n[[rung]]\nkey = "last"\nmeasure = "kg"\ntarget = 20\nneeds = ["top", "gate"]\n'
    ladder = read_ladder(write(gates))
    assert ladder.rung("gate").needs == ()
    assert ladder.rung("last").needs == ("top", "gate")


def test_a_byte_order_mark_does_no_harm(tmp_path):
    path = tmp_path / "ladder.toml"
    path.write_text(BASE, encoding="utf-8-sig")
    assert read_ladder(path).keys == ("wall", "bar", "top")


# Rungs as straight-arm coaches set them: common practice, no source.
PRACTICE = """\
[ladder]
name = "Straight arm"

[[rung]]
key = "floor_lean"
measure = "seconds"
target = 15            # holds pass at 3 to 15 s: common practice, no source
min_weeks = 2          # one or two weeks to settle: common practice, no source
form = "Elbows locked; any bend of the arm makes the set unclean."
equipment = "floor"

[[rung]]
key = "parallettes_lean"
measure = "seconds"
target = 10
equipment = "parallettes"

[[rung]]
key = "rings_lean"
name = "Lean"
measure = "seconds"
target = 10
equipment = "rings"

[[rung]]
key = "bar_lean"
name = "Lean"
measure = "seconds"
target = 10
equipment = "bar"

[[rung]]
key = "strict_press"
measure = "reps"
target = 5             # 5 to 10 strict reps: common practice, no source

[[rung]]
key = "two_bells"
measure = "reps"
target = 10
load_kg = 13.6         # two dumbbells of 15 lb: common practice, no source

[[rung]]
key = "rounds"
measure = "reps"
target = 3             # a composite standard in rounds: common practice, no source
form = "One round is three positions of 3 s each; three rounds without coming down."

[[rung]]
key = "longest"
name = "Longest hold"
measure = "seconds"
target = 8             # a longest hold on top once 3 to 5 s are solid: common practice, no source
confirm_sessions = 2
needs = ["rounds"]
fallback = "bar_lean"
caution = "Pain stops the session."
"""


def test_ladders_as_coaches_write_them_fit_without_bending(write):
    ladder = read_ladder(write(PRACTICE))
    assert len(ladder.rungs) == 8
    assert {r.equipment for r in ladder.rungs} >= {"floor", "parallettes", "rings", "bar"}
    assert ladder.rung("two_bells").criterion.load_kg == pytest.approx(
        2 * 15 * 0.45359237, abs=0.01
    )
    assert ladder.rung("rounds").form.startswith("One round is three positions")
    assert ladder.rungs[-1].key == "longest"


SLIPS = [
    (
        "target = 15",
        "targt = 15",
        ["line 8", "rung 1 ('wall')", "did you mean 'target'?"],
    ),
    ("target = 15\n", "", ["rung 1 ('wall')", "'target' is missing"]),
    ("target = 15", "target = 0", ["line 8", "above 0", "not 0"]),
    ("target = 15", "target = -3", ["above 0", "not -3"]),
    ("target = 15", "target = nan", ["ordinary number", "nan"]),
    ("target = 15", "target = inf", ["ordinary number", "inf"]),
    ("target = 15", 'target = "15"', ["number without quotes", "'15'"]),
    ("target = 15", "target = true", ["number", "True"]),
    ('measure = "reps"', 'measure = "rep"', ["rung 2 ('bar')", "'seconds', 'reps', 'kg' or 'cm'"]),
    ("sessions = 2", "sessions = 0", ["line 14", "1 or more", "not 0"]),
    ("sessions = 2", "sessions = 1.5", ["whole number", "1.5"]),
    ("sessions = 2", "sessions = true", ["whole number", "True"]),
    ("min_weeks = 1", "min_weeks = -1", ["0 or more", "-1"]),
    ("min_weeks = 1", "load_kg = 0", ["'load_kg'", "above 0"]),
    ("min_weeks = 1", "usual_weeks = [4]", ["'usual_weeks'", "2 entries, not 1"]),
    ("min_weeks = 1", "usual_weeks = [0, 9]", ["above 0"]),
    ("min_weeks = 1", "usual_weeks = [12, 4]", ["must rise", "[4, 12]", "not [12, 4]"]),
    ("min_weeks = 1", "load_kg = 5\nload_bodyweight = 0.5", ["rung 2", "not both"]),
    ('key = "bar"', 'key = "wall"', ["rung 2 ('wall')", "rung 1 has the key 'wall' already"]),
    ('key = "bar"', 'key = "WALL"', ["rung 1 has the key 'wall' already"]),
    ('key = "bar"', 'key = " "', ["'key'", "not be empty"]),
    ('key = "bar"\n', "", ["rung 2", "'key' is missing"]),
    (
        'fallback = "bar"',
        'fallback = "bra"',
        ["line 21", "'bra', which is not a rung", "mean 'bar'"],
    ),
    ('fallback = "bar"', 'fallback = "top"', ["names the rung itself"]),
    ('fallback = "bar"', 'needs = ["wal"]', ["'needs' names 'wal'", "did you mean 'wall'?"]),
    ('fallback = "bar"', 'needs = "wall"', ["list in square brackets"]),
    ('fallback = "bar"', "needs = [3]", ["text in quotes", "3"]),
    ('fallback = "bar"', 'needs = ["zzz"]', ["keys are wall, bar, top"]),
    ("target = 15", 'target = 15\nneeds = ["top"]', ["circle", "'wall' needs 'top'"]),
    ('[ladder]\nname = "Wall to bar"', "", ["'ladder' is missing"]),
    ('name = "Wall to bar"', "", ["[ladder]", "'name' is missing"]),
    ('name = "Wall to bar"', 'name = "x"\nnam = 1', ["'nam'", "did you mean 'name'?"]),
    ("[ladder]", "[laddder]", ["'laddder'", "did you mean 'ladder'?"]),
    ("target = 15", "target = ", ["not valid TOML", "line 8"]),
]


@pytest.mark.parametrize(("old", "new", "said"), SLIPS)
def test_a_slip_is_answered_with_place_and_advice(write, old, new, said):
    text = BASE.replace(old, new, 1)
    assert text != BASE
    with pytest.raises(LadderError) as caught:
        read_ladder(write(text))
    message = str(caught.value)
    assert "ladder.toml" in message
    for part in said:
        assert part in message


def test_a_rung_that_needs_a_later_one_is_told_to_move(write):
    text = BASE.replace("min_weeks = 1", 'needs = ["top"]').replace(
        'fallback = "bar"', 'needs = ["wall"]'
    )
    with pytest.raises(LadderError, match="'bar' needs 'top', which stands further down; move it"):
        read_ladder(write(text))


def test_all_slips_are_named_at_once(write):
    text = BASE.replace("target = 15", "target = 0").replace("target = 8", 'target = "8"')
    with pytest.raises(LadderError) as caught:
        read_ladder(write(text))
    assert len(str(caught.value).splitlines()) == 2


def test_a_header_inside_a_text_gives_no_wrong_line(write):
    text = BASE.replace('name = "Wall lean"', 'form = """\n[[rung]]\n"""')
    with pytest.raises(LadderError) as caught:
        read_ladder(write(text.replace("target = 8", "target = 0")))
    assert "line" not in str(caught.value)
    assert "rung 2 ('bar')" in str(caught.value)


@pytest.mark.parametrize(
    "text", ["", '[ladder]\nname = "x"\n', '[ladder]\nname = "x"\n[rung]\n', "rung = []"]
)
def test_an_empty_ladder_is_refused(write, text):
    with pytest.raises(LadderError, match="has no rung"):
        read_ladder(write(text))


def test_single_brackets_are_explained(write):
    with pytest.raises(LadderError, match="double square brackets"):
        read_ladder(write('[ladder]\nname = "x"\n[rung]\nkey = "a"\n'))


@pytest.mark.parametrize("path", [None, 5, "", "  ", ["a.toml"], b"a.toml", "a\0.toml"])
def test_what_is_no_path_is_refused(path):
    with pytest.raises(LadderError, match="is not a path"):
        read_ladder(path)


def test_files_that_are_no_ladder(tmp_path):
    with pytest.raises(LadderError, match="There is no ladder file"):
        read_ladder(tmp_path / "none.toml")
    with pytest.raises(LadderError, match="can't be read"):
        read_ladder(tmp_path)
    latin = tmp_path / "latin.toml"
    latin.write_bytes('[ladder]\nname = "Förde"\n'.encode("cp1252"))
    with pytest.raises(LadderError, match="not in UTF-8"):
        read_ladder(latin)


def test_the_weeks_a_coach_expects_are_read(tmp_path):
    path = tmp_path / "ladder.toml"
    path.write_text(BASE.replace("min_weeks = 1", "usual_weeks = [4, 12]"), encoding="utf-8")
    assert {rung.usual_weeks for rung in read_ladder(path).rungs} == {(4.0, 12.0), None}
