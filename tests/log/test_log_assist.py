"""A word of help never seen before that most rows hold is asked about, not believed."""

from __future__ import annotations

import pandas as pd
import pytest

from forecast.log import describe_log, read_log


def rows(*assist):
    return pd.DataFrame(
        {
            "athlete": "Bo",
            "date": pd.date_range("2026-01-01", periods=len(assist)).astype("str"),
            "rung": "press",
            "value": 5,
            "helper": list(assist),
        }
    )


def read(frame, ladder, **words):
    mapping = {"columns": {"assist": "helper"}, "values": {"assist": words}}
    return read_log(frame, ladder, mapping=mapping)


@pytest.mark.parametrize("word", ["normal", "JT", "lento", "rings", "floor"])
def test_a_strange_word_in_most_rows_is_asked_about(ladder, word):
    log = read(rows(*[word] * 6, "", "band", "none"), ladder)
    assert log.sets["assist"].tolist() == ["none", "band", "none"]
    assert log.rejected["row"].tolist() == [2, 3, 4, 5, 6, 7]
    assert set(log.rejected["column"]) == {"helper"}
    reason = log.rejected["reason"][0]
    low = word.casefold()
    assert f"'{low}' stands in 6 of 9 rows: did somebody or something help" in reason
    assert f'"{low}" = "none"' in reason
    assert f'"{low}" = "assisted"' in reason
    assert "check --draft" in describe_log(log).text


@pytest.mark.parametrize(("answer", "kind"), [("none", "none"), ("Band", "band"), ("JT", "jt")])
def test_the_answer_is_taken(ladder, answer, kind):
    log = read(rows(*["JT"] * 6, "", "band"), ladder, jt=answer)
    assert log.rejected.empty
    assert log.sets["assist"].tolist() == [kind] * 6 + ["none", "band"]


def test_several_strange_words_count_together(ladder):
    log = read(rows("JT", "JT", "MK", "MK", "", "band"), ladder)
    assert log.rejected["value"].tolist() == ["JT", "JT", "MK", "MK"]
    half = read(rows("JT", "MK", "", "band"), ladder)
    assert half.rejected.empty
    assert half.sets["assist"].tolist() == ["jt", "mk", "none", "band"]


@pytest.mark.parametrize("word", ["no", "No.", "none", "0", "-", "", "unassisted", False])
def test_words_for_no_help_are_known(ladder, word):
    log = read(rows(*[word] * 8, "band"), ladder)
    assert log.rejected.empty
    assert log.sets["assist"].tolist() == ["none"] * 8 + ["band"]


@pytest.mark.parametrize("word", ["band", "red band", "Spotter", "counterweight 5 kg", "yes"])
def test_words_for_help_are_known_however_many(ladder, word):
    log = read(rows(*[word] * 9), ladder)
    assert log.rejected.empty
    assert log.sets["assisted"].all()


def test_blank_rows_do_not_thin_out_the_share(ladder):
    frame = rows(*["normal"] * 3)
    blank = pd.DataFrame([[None] * 5] * 9, columns=frame.columns)
    log = read(pd.concat([frame, blank], ignore_index=True), ladder)
    assert log.sets.empty
    assert log.rejected["kind"].tolist() == ["word"] * 3 + ["blank"] * 9


def test_a_file_without_rows_asks_nothing(ladder):
    assert read(rows().astype("object"), ladder).rejected.empty
