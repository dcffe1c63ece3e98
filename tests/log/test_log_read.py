"""Words, mapping, repeats, and the account that every row is somewhere."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from forecast.errors import LogError, MappingError
from forecast.ladder import Criterion, Ladder, Rung
from forecast.log import REJECTED_COLUMNS, SET_COLUMNS, load_mapping, read_log


def table(*rows, columns="athlete date rung value clean"):
    return pd.DataFrame(list(rows), columns=columns.split())


def one(ladder, **cells):
    """Read a single row with the given cells in place of good ones."""
    row = {"athlete": "Bo", "date": "2026-04-03", "rung": "lean_10", "value": "12", **cells}
    return read_log(pd.DataFrame([row]), ladder)


# words --------------------------------------------------------------------------------------


@pytest.mark.parametrize("word", ["yes", "Y", "true", "1", "x", "✓", "✔", " OK ", "", 1, True, 1.0])
def test_clean(ladder, word):
    assert one(ladder, clean=word).sets["clean"].item()


# any bend of a straight arm makes the set unclean: common practice, no source
@pytest.mark.parametrize("word", ["no", "N", "false", "0", "✗", "bent", 0, False, "Bad"])
def test_unclean(ladder, word):
    assert not one(ladder, clean=word).sets["clean"].item()


@pytest.mark.parametrize("word", ["?", "none", "so-so", 2])
def test_neither_clean_nor_unclean(ladder, word):
    assert "neither yes nor no" in one(ladder, clean=word).rejected["reason"].item()


def test_clean_can_be_left_out(ladder):
    assert one(ladder).sets["clean"].item()


@pytest.mark.parametrize(
    ("word", "assist"),
    [
        *[(word, "none") for word in ("", "None", "no", 0, False, None)],
        # a band is help: common practice, no source
        *[("Band", "band"), ("spotter", "spotter"), ("counterweight 5 kg", "counterweight 5 kg")],
        *[(word, "assisted") for word in ("yes", 1, "x")],
    ],
)
def test_assist(ladder, word, assist):
    sets = one(ladder, assist=word).sets
    assert sets["assist"].item() == assist
    assert sets["assisted"].item() == (assist != "none")


@pytest.mark.parametrize(
    ("word", "stopped"),
    [
        ("failed", "failed"),
        ("FAIL", "failed"),
        ("target", "target"),
        ("by choice", None),
        ("choice", "choice"),
        ("", "unknown"),
        ("unknown", "unknown"),
        ("bored", None),
    ],
)
def test_stopped(ladder, word, stopped):
    log = one(ladder, stopped=word)
    if stopped is None:
        assert "failed, target and choice" in log.rejected["reason"].item()
    else:
        assert log.sets["stopped"].item() == stopped


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("lean_10", "lean_10"),
        ("LEAN_10", "lean_10"),
        ("Lean 10", "lean_10"),
        ("lean-10", "lean_10"),
        ("Floor  lean", "lean_10"),
        ("floor lean", "lean_10"),
        (" strict press ", "press"),
    ],
)
def test_rungs_go_by_key_or_name(ladder, text, key):
    assert one(ladder, rung=text, value="5").sets["rung"].item() == key


def test_a_misspelt_rung_gets_a_suggestion(ladder):
    rejected = one(ladder, rung="flor lean").rejected
    assert rejected["kind"].item() == "rung"
    assert "did you mean 'lean_10'?" in rejected["reason"].item()
    assert "map it under [values.rung]" in one(ladder, rung="zzzzz").rejected["reason"].item()


def test_a_name_shared_by_two_rungs_needs_the_key():
    criterion = Criterion("seconds", 10.0)
    twins = Ladder(
        "x", (Rung("on_bar", "Hang", "", criterion), Rung("on_rings", "Hang", "", criterion))
    )
    assert "on_bar and on_rings; write the key" in one(twins, rung="hang").rejected["reason"].item()
    assert one(twins, rung="on_rings").sets["rung"].item() == "on_rings"


def test_ticks_and_blanks_are_a_question(ladder):
    ticked = table(["Bo", "2026-04-03", "press", 5, "x"], ["Bo", "2026-04-03", "press", 5, ""])
    log = read_log(ticked, ladder)
    assert log.sets["clean"].all()
    assert any("ticks and 1 blank" in said for said in log.warnings)
    told = read_log(ticked, ladder, mapping={"values": {"clean": {"": False}}})
    assert list(told.sets["clean"]) == [True, False]
    assert not any("ticks" in said for said in told.warnings)


def test_a_row_with_several_troubles_tells_them_all(ladder):
    rejected = one(ladder, rung="zzzzz", date="soon", value="12 parsecs", pain="11").rejected
    assert len(rejected) == 1
    for part in ("date: 'soon'", "rung: 'zzzzz'", "value: 'parsecs'", "pain: '11'"):
        assert part in rejected["reason"].item()
    assert rejected["column"].item() == "date"
    assert rejected["value"].item() == "soon"


def test_a_miss_is_a_set(ladder):
    assert one(ladder, value="0").sets["value"].item() == 0.0


def test_an_athlete_called_none_is_a_person(ladder):
    assert one(ladder, athlete="None").athletes == ["None"]
    assert one(ladder, athlete="Na").athletes == ["Na"]


def test_names_that_differ_in_case_are_kept_apart_but_reported(ladder):
    frame = table(["Ann", "2026-04-03", "press", 5, ""], ["ann", "2026-04-03", "press", 5, ""])
    log = read_log(frame, ladder)
    assert log.athletes == ["Ann", "ann"]
    assert any("'Ann', 'ann' differ only in case" in said for said in log.warnings)
    merged = read_log(frame, ladder, mapping={"values": {"athlete": {"ann": "Ann"}}})
    assert merged.athletes == ["Ann"]


# columns and mapping ------------------------------------------------------------------------


def test_obvious_synonyms_in_any_case(ladder):
    frame = pd.DataFrame(
        {
            " Client ": ["Bo"],
            "DATE": ["2026-04-03"],
            "Exercise": ["Strict press"],
            "Reps": [8],
            "Set #": [2],
            "Added weight (lb)": [30],
            "RPE": [7],
            "Comments": ["ok"],
            "shoe size": [43],
        }
    )
    log = read_log(frame, ladder)
    sets = log.sets.iloc[0]
    assert (sets["athlete"], sets["rung"], sets["value"], sets["set"]) == ("Bo", "press", 8.0, 2)
    assert sets["load_kg"] == pytest.approx(30 * 0.45359237)
    assert (sets["effort"], sets["note"]) == (7.0, "ok")
    assert any("not used: 'shoe size'" in said for said in log.understood)


def test_our_own_name_goes_before_a_synonym(ladder):
    frame = one(ladder).sets[["athlete", "date", "rung", "value"]].assign(name="Gym", result=99)
    assert read_log(frame, ladder).sets[["athlete", "value"]].values.tolist() == [["Bo", 12.0]]


def test_two_candidates_are_asked_about(ladder):
    frame = pd.DataFrame(columns=["Client", "Member", "date", "rung", "value"])
    with pytest.raises(MappingError, match='"Client", "Member" could each be athlete'):
        read_log(frame, ladder)


def test_a_missing_column_comes_with_a_snippet_to_paste(ladder):
    frame = pd.DataFrame(columns=["Whose", "Dates", "rung", "Outcome"])
    with pytest.raises(MappingError) as caught:
        read_log(frame, ladder)
    message = str(caught.value)
    assert 'its columns are "Whose", "Dates", "rung", "Outcome"' in message
    snippet = message[message.index("[columns]") :]
    assert snippet.splitlines()[0] == "[columns]"
    assert 'date = "Dates"' in snippet


MAPPING = """\
[columns]
athlete = "Wer"
date = "Datum"
rung = "Was"
value = "Ergebnis"
clean = "Form"
load_kg = "Last"
stopped = "Ende"

[values.clean]
"sauber" = true
"krumm" = false
[values.rung]
"Lehne" = "lean_10"
[values.value]
"daneben" = 0
[values.stopped]
"abgestürzt" = "failed"

[read]
date_order = "dmy"
load_unit = "lb"
decimal = ","
encoding = "cp1252"
"""


def test_a_mapping_file(tmp_path, ladder):
    log_path, mapping_path = tmp_path / "sets.csv", tmp_path / "mapping.toml"
    mapping_path.write_text(MAPPING, encoding="utf-8")
    log_path.write_text(
        "Wer;Datum;Was;Ergebnis;Form;Last;Ende\n"
        "Jörg;03.04.26;LEHNE;1,234;Sauber;10;\n"
        "Jörg;03.04.26;lehne;daneben;krumm;;Abgestürzt\n",
        encoding="cp1252",
    )
    log = read_log(log_path, ladder, mapping=mapping_path)
    assert log.rejected.empty
    assert log.athletes == ["Jörg"]
    assert list(log.sets["date"].unique()) == [pd.Timestamp("2026-04-03")]
    assert list(log.sets["value"]) == [1.234, 0.0]
    assert list(log.sets["clean"]) == [True, False]
    assert log.sets["load_kg"].iloc[0] == pytest.approx(4.5359237)
    assert list(log.sets["stopped"]) == ["unknown", "failed"]
    same = read_log(log_path, ladder, mapping=load_mapping(mapping_path).model_dump())
    pd.testing.assert_frame_equal(same.sets, log.sets)


def test_an_argument_goes_before_the_mapping(ladder):
    frame = table(["Bo", "03/04/2026", "press", 5, ""])
    log = read_log(frame, ladder, mapping={"read": {"date_order": "dmy"}}, date_order="mdy")
    assert log.sets["date"].item() == pd.Timestamp("2026-03-04")


@pytest.mark.parametrize(
    ("mapping", "said"),
    [
        ({"colums": {}}, "did you mean 'columns'?"),
        ({"columns": {"athlet": "x"}}, "did you mean 'athlete'?"),
        ({"columns": {"athlete": 3}}, "'athlete' must be text in quotes, not 3"),
        ({"columns": {"athlete": "Nobody"}}, "no column 'Nobody'"),
        ({"columns": {"athlete": ["athlete", "date"]}}, "name one column"),
        ({"values": {"clea": {}}}, "did you mean 'clean'?"),
        ({"values": {"rung": {"x": "lean_11"}}}, "did you mean 'lean_10'?"),
        ({"values": {"clean": {"ok": True, "OK": False}}}, "given twice"),
        ({"read": {"date_oder": "dmy"}}, "did you mean 'date_order'?"),
        ({"read": {"date_order": "myd"}}, "'date_order' must be 'dmy', 'mdy' or 'ymd', not 'myd'"),
    ],
)
def test_slips_in_the_mapping(ladder, mapping, said):
    with pytest.raises(MappingError) as caught:
        read_log(table(["Bo", "2026-04-03", "press", 5, ""]), ladder, mapping=mapping)
    assert said in str(caught.value)


def test_mapping_files_that_are_none(tmp_path, ladder):
    with pytest.raises(MappingError, match="There is no mapping file"):
        load_mapping(tmp_path / "none.toml")
    with pytest.raises(MappingError, match="can't be read"):
        load_mapping(tmp_path)
    (tmp_path / "bad.toml").write_text("[columns\n", encoding="utf-8")
    with pytest.raises(MappingError, match="not valid TOML"):
        load_mapping(tmp_path / "bad.toml")


def two_columns(*pairs):
    rungs = ["lean_10", "press", "lean_10", "press"]
    rows = [["Bo", "2026-04-03", r, *pair] for r, pair in zip(rungs, pairs, strict=False)]
    return pd.DataFrame(rows, columns=["athlete", "date", "rung", "Hold (s)", "Reps"])


def test_values_in_a_column_for_each_unit(ladder):
    log = read_log(two_columns((12, None), (0, 5), ("", "7"), (None, None)), ladder)
    assert list(log.sets["value"]) == [12.0, 5.0]
    assert list(log.rejected["kind"]) == ["unit", "missing"]
    assert list(log.rejected["column"]) == ["Reps", "Hold (s)"]


def test_two_values_for_one_rung_contradict(ladder):
    frame = two_columns((12, None)).assign(**{"Hold (min)": [1]})
    log = read_log(frame, ladder)
    assert log.rejected["kind"].item() == "contradiction"


# repeats ------------------------------------------------------------------------------------

NUMBERED = "athlete date rung set value note"


def numbered(*rows):
    return table(*(["Bo", "2026-04-03", "press", *row] for row in rows), columns=NUMBERED)


def test_equal_rows_without_set_numbers_are_repeated_sets(ladder):
    log = read_log(table(*[["Bo", "2026-04-03", "press", 5, ""]] * 3), ladder)
    assert list(log.sets["set"]) == [1, 2, 3]
    assert log.rejected.empty
    assert any("2 rows, kept as repeated sets" in said for said in log.warnings)


def test_equal_rows_with_set_numbers_are_duplicates(ladder):
    log = read_log(numbered((1, 5, ""), (2, 5, ""), (1, 5, "")), ladder)
    assert list(log.sets["row"]) == [2, 3]
    assert list(log.rejected[["row", "kind"]].iloc[0]) == [4, "duplicate"]
    assert "table row 2" in log.rejected["reason"].item()


def test_one_set_with_two_values_is_a_contradiction(ladder):
    log = read_log(numbered((1, 5, ""), (2, 5, ""), (1, 6, "")), ladder)
    assert list(log.sets["set"]) == [2]
    assert list(log.rejected["row"]) == [2, 4]
    assert set(log.rejected["kind"]) == {"contradiction"}
    for reason in log.rejected["reason"]:
        assert "table row 2, table row 4" in reason


def test_a_duplicate_of_a_contradicted_set(ladder):
    log = read_log(numbered((1, 5, ""), (1, 5, ""), (1, 6, "")), ladder)
    assert log.sets.empty
    assert list(log.rejected["kind"]) == ["contradiction", "duplicate", "contradiction"]


def test_free_numbers_go_to_sets_without_one(ladder):
    log = read_log(numbered((None, 1, ""), (2, 2, ""), (None, 3, ""), (5, 4, "")), ladder)
    assert dict(zip(log.sets["set"], log.sets["value"], strict=True)) == {1: 3, 2: 2, 3: 1, 5: 4}


def test_without_set_numbers_the_order_of_rows_does_not_matter(ladder):
    rows = [(None, v, n) for v, n in [(3, ""), (7, "b"), (5, ""), (7, "a"), (5, "")]]
    there, back = (read_log(numbered(*part), ladder).sets for part in (rows, rows[::-1]))
    assert list(there["value"]) == [7, 7, 5, 5, 3]
    pd.testing.assert_frame_equal(there.drop(columns="row"), back.drop(columns="row"))


def test_morning_and_evening_are_one_session_counted_through(ladder):
    rows = [("2026-04-03 18:00", 1, 5), ("2026-04-03 18:00", 2, 4), ("2026-04-03 08:00", 1, 7)]
    frame = table(*(["Bo", d, "press", s, v, ""] for d, s, v in rows), columns=NUMBERED)
    log = read_log(frame, ladder)
    assert list(log.sets["set"]) == [1, 2, 3]
    assert list(log.sets["value"]) == [7, 5, 4]
    assert log.rejected.empty


def test_overlapping_exports_do_not_count_twice(ladder):
    row = ["Bo", "2026-04-03", "press", 5, ""]
    first, second = table(row, row), table(row, row, row, ["Bo", "2026-04-05", "press", 5, ""])
    log = read_log([first, second], ladder)
    assert len(log.sets) == 4
    assert list(log.rejected["file"]) == ["table 2", "table 2"]
    assert list(log.rejected["row"]) == [2, 3]
    assert set(log.rejected["kind"]) == {"duplicate"}


# the account --------------------------------------------------------------------------------

CELLS = (
    st.none()
    | st.text(max_size=6)
    | st.integers(-5, 50)
    | st.floats(allow_nan=True)
    | st.booleans()
    | st.dates(dt.date(2020, 1, 1), dt.date(2030, 1, 1))
)
GARBAGE = st.lists(
    st.fixed_dictionaries(
        {
            "athlete": st.sampled_from(["Ann", "Bo"]) | CELLS,
            "date": st.sampled_from(["2026-04-03", "13/04/2026", "03/04/26"]) | CELLS,
            "rung": st.sampled_from(["lean_10", "press", "Reach"]) | CELLS,
            "value": st.sampled_from(["5", "5 reps", "5 s", 5]) | CELLS,
            "set": st.sampled_from([1, 2, None, ""]) | CELLS,
            "clean": st.sampled_from(["yes", "no", ""]) | CELLS,
            "assist": CELLS,
            "load_kg": CELLS,
            "stopped": st.sampled_from(["failed", ""]) | CELLS,
            "effort": CELLS,
            "pain": CELLS,
            "note": CELLS,
        }
    ),
    max_size=12,
)
LADDER = Ladder(
    "Invented",
    (
        Rung("lean_10", "Floor lean", "", Criterion("seconds", 10.0)),
        Rung("press", "Strict press", "", Criterion("reps", 8.0)),
        Rung("reach", "Reach", "", Criterion("cm", 30.0)),
    ),
)
NAMES = ["athlete", "date", "rung", "value", "set", "clean", "assist", "load_kg", "stopped"]
NAMES += ["effort", "pain", "note"]


def garbage_table(rows):
    return pd.DataFrame(rows, columns=NAMES, dtype=object)


@settings(max_examples=24, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(GARBAGE)
def test_no_row_is_ever_lost(rows):
    log = read_log(garbage_table(rows), LADDER, date_order="dmy")
    assert log.rows_in == len(rows) == len(log.sets) + len(log.rejected)
    assert sorted([*log.sets["row"], *log.rejected["row"]]) == list(range(2, len(rows) + 2))
    assert {name: str(kind) for name, kind in log.sets.dtypes.items()} == SET_COLUMNS
    assert tuple(log.rejected.columns) == REJECTED_COLUMNS
    assert (log.rejected["reason"].str.len() > 0).all()
    assert not log.sets.duplicated(["athlete", "date", "rung", "set"]).any()
    assert (log.sets["set"] >= 1).all()
    assert np.isfinite(log.sets["value"]).all()
    assert (log.sets["value"] >= 0).all()
    assert set(log.sets["rung"]) <= set(LADDER.keys)


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(GARBAGE)
def test_reading_twice_gives_the_same(rows):
    first, second = (read_log(garbage_table(rows), LADDER, date_order="dmy") for _ in range(2))
    pd.testing.assert_frame_equal(first.sets, second.sets)
    pd.testing.assert_frame_equal(first.rejected, second.rejected)


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(GARBAGE, st.randoms(use_true_random=False))
def test_the_order_of_numbered_rows_does_not_matter(rows, random):
    rows = [{**row, "set": n + 1} for n, row in enumerate(rows)]
    mixed = list(rows)
    random.shuffle(mixed)
    kept = [
        read_log(garbage_table(r), LADDER, date_order="dmy").sets.drop(columns="row")
        for r in (rows, mixed)
    ]
    pd.testing.assert_frame_equal(*kept)


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(GARBAGE)
def test_a_log_read_again_from_its_own_sets_is_the_same(rows):
    log = read_log(garbage_table(rows), LADDER, date_order="dmy")
    again = read_log(log.sets.drop(columns=["assisted", "file", "row"]), LADDER)
    names = [name for name in SET_COLUMNS if name not in {"file", "row"}]
    assert again.rejected.empty
    pd.testing.assert_frame_equal(again.sets[names], log.sets[names])


def test_an_empty_log_is_a_log(ladder):
    log = read_log(table(), ladder)
    assert log.rows_in == 0
    assert {name: str(kind) for name, kind in log.sets.dtypes.items()} == SET_COLUMNS
    assert any("No set could be used" in said for said in log.warnings)


def test_before_uses_nothing_of_the_day_or_later(ladder):
    frame = table(*(["Bo", f"2026-04-{d:02d}", "press", 5, ""] for d in (1, 2, 3)))
    assert list(read_log(frame, ladder).before("2026-04-02").sets["date"].dt.day) == [1]


def test_cells_that_are_lists_are_no_crash(ladder):
    log = one(ladder, value=[5], clean=[True], note=("a", ["b"]), rung={"x": 1})
    assert log.rejected["kind"].item() == "rung"


def test_a_truth_value_is_not_the_number_one(ladder):
    rows = [["Bo", "2026-04-03", "press", value, ""] for value in (1, True, 1.0, "1")]
    log = read_log(table(*rows), ladder)
    assert list(log.sets["row"]) == [2, 4, 5]
    assert "'true' is not a number" in log.rejected["reason"].item()


def test_a_blank_row_is_one_trouble_not_five(ladder):
    log = read_log(table([None, "", " ", float("nan"), pd.NaT]), ladder)
    assert log.rejected["kind"].item() == "blank"
    assert log.rejected["reason"].item() == "row: nothing in it."


@pytest.mark.parametrize("header", ["set ²", "²", "set ①"])
def test_a_digit_that_is_no_number_in_a_header_costs_the_column_alone(ladder, tmp_path, header):
    path = tmp_path / "log.csv"
    path.write_text(
        f"athlete,date,rung,value,{header}\nAna,2026-04-03,press,7,x\n", encoding="utf-8"
    )
    log = read_log(path, ladder)
    assert log.sets["value"].tolist() == [7.0]


def test_half_a_character_in_an_index_is_refused_in_a_sentence(ladder):
    index = pd.Index(["\ud800"], name="date", dtype=object)
    table = pd.DataFrame({"athlete": ["Ana"], "rung": ["press"], "value": [7]}, index=index)
    with pytest.raises(LogError, match="the index holds a character that is not text"):
        read_log(table, ladder)
