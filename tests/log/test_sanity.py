"""What a coach would ask about a log as it was read, and what is refused until it is answered."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from forecast.__main__ import main
from forecast.ladder import Criterion, Ladder, Rung
from forecast.log import read_log, sanity

LADDER = Ladder(
    "Invented",
    (
        Rung("lean", "Floor lean", "", Criterion("seconds", 20.0)),
        Rung("press", "Strict press", "", Criterion("reps", 8.0), needs=()),
    ),
)


def sets(seed: int = 0, people: int = 4, sessions: int = 10) -> pd.DataFrame:
    """An ordinary log: two sets a session, gains of a few per cent."""
    draw = np.random.default_rng(seed)
    rows = []
    for n in range(people):
        start, pace = draw.uniform(5, 14), draw.uniform(0.0, 0.06)
        for turn in range(sessions):
            best = start * np.exp(pace * turn + draw.normal(0, 0.12))
            day = pd.Timestamp("2026-01-05") + pd.Timedelta(days=4 * turn + n % 2)
            rows += [{"athlete": f"Person {n}", "date": str(day.date()), "rung": "lean",
                      "set": k, "value": max(round(best) - k, 1)} for k in (1, 2)]  # fmt: skip
    return pd.DataFrame(rows)


COLUMNS = {name: name for name in ("athlete", "value")}
"""Said in a mapping: reading takes no column by its name whose cells are words of another."""


def page(*tables: pd.DataFrame, **mapping) -> sanity.Sanity:
    source = list(tables) if len(tables) > 1 else tables[0]
    return sanity.look_through(read_log(source, LADDER, mapping={"columns": COLUMNS} | mapping))


def asked(flags) -> list[str]:
    return [flag.what for flag in flags]


def test_an_ordinary_log_is_not_questioned():
    quiet = [page(sets(seed)) for seed in range(20)]
    assert [one.wrong for one in quiet] == [()] * 20
    assert sum(bool(one.first or one.others) for one in quiet) <= 1


def test_values_by_rung_and_athlete_with_three_rows():
    table = sets().query("athlete == 'Person 0'")
    (row,) = sanity.as_read(read_log(table, LADDER)).to_dict("records")
    assert row["sets"] == len(table)
    assert row["median"] == table["value"].median()
    assert (row["low"], row["high"]) == (table["value"].min(), table["value"].max())
    assert row["rows"].count(": ") == 3


def test_athletes_called_yes_and_no_are_refused():
    table = sets()
    table["athlete"] = np.where(np.arange(len(table)) % 3 == 0, "no", "yes")
    one = page(table.drop(columns="set"))
    assert asked(one.wrong) == ["named_answer"] * 2
    assert not page(table.drop(columns="set"), right=["yes", "no"]).wrong


def test_people_called_by_a_letter_or_a_number_are_people():
    table = sets()
    table["athlete"] = table["athlete"].map(
        dict(zip(table["athlete"].unique(), "NYTF", strict=True))
    )
    assert not page(table).wrong
    table["athlete"] = table["athlete"].map(dict(zip("NYTF", "1023", strict=True)))
    assert not page(table).wrong


def test_athletes_called_like_rungs_are_refused():
    table = sets()
    table["athlete"] = np.where(np.arange(len(table)) % 2 == 0, "Lean", "strict press")
    assert asked(page(table.drop(columns="set")).wrong) == ["named_rung"] * 2


def test_numbers_of_sets_are_refused():
    table = sets()
    table["value"] = table["set"]
    assert asked(page(table.drop(columns="set")).wrong) == ["set_numbers"]
    assert asked(page(table).wrong) == ["set_numbers"]


def test_a_file_tenfold_of_the_other_is_refused():
    table = sets()
    late = table["date"] > "2026-01-25"
    tenfold = table[late].assign(value=table["value"] * 10)
    one = page(table[~late], tenfold)
    assert "jump" in asked(one.wrong)
    assert not page(table[~late], table[late]).wrong


def test_one_letter_apart_is_asked():
    table = sets(sessions=30)
    table["athlete"] = table["athlete"].replace("Person 0", "Annalena")
    rare = table.index[(table["athlete"] == "Annalena")][-2:]
    table.loc[rare, "athlete"] = "Annalenna"
    assert asked(page(table).others) == ["spelling"]


def test_a_mark_that_nobody_comes_near_is_asked():
    table = sets()
    table["value"] = 1
    assert "never_near" in asked(page(table).others)


@pytest.mark.parametrize("slip", [10, 100])
def test_a_planted_slip_is_named(slip):
    """One value of a clean log, at ten or a hundred times, is named with its row."""
    named, tried = 0, 20
    for seed in range(tried):
        table = sets(seed)
        at = int(np.random.default_rng(1000 + seed).integers(len(table)))
        table.loc[at, "value"] *= slip
        flags = page(table).first
        named += any(flag.row == at + 2 for flag in flags)
    assert named >= 0.95 * tried


def test_a_session_that_clears_from_far_below_is_named_until_it_is_called_right():
    table = sets(people=1).assign(value=6)
    last = table.index[-2]
    table.loc[last, "value"] = 21
    (flag,) = page(table).first
    assert str(21) in flag.reason
    assert flag.row == last + 2
    assert not page(table, right=[flag.key]).first


def test_weeks_says_no_and_how_to_say_yes(tmp_path, capsys):
    table = sets()
    table["athlete"] = np.where(np.arange(len(table)) % 3 == 0, "no", "yes")
    table.drop(columns="set").to_csv(tmp_path / "log.csv", index=False)
    (tmp_path / "ladder.toml").write_text(
        '[ladder]\nname = "L"\n[[rung]]\nkey = "lean"\nmeasure = "seconds"\ntarget = 20\n'
    )
    (tmp_path / "mapping.toml").write_text('[columns]\nathlete = "athlete"\n')
    run = [str(tmp_path / "log.csv"), "--ladder", str(tmp_path / "ladder.toml"), "--mapping",
           str(tmp_path / "mapping.toml")]  # fmt: skip
    with pytest.raises(SystemExit) as end:
        main(["weeks", *run])
    told = capsys.readouterr()
    assert end.value.code == 1
    assert told.out == ""
    assert 'right = ["no", "yes"]' in told.err
    with pytest.raises(SystemExit) as end:
        main(["check", *run])
    assert not end.value.code
    assert "an answer, not a person" in capsys.readouterr().out
