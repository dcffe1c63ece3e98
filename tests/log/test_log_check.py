"""The account of a log, in data and words, and the mapping that corrects it."""

from __future__ import annotations

import tomllib
from decimal import Decimal

import pandas as pd
import pytest

from forecast.errors import LogError
from forecast.log import describe_log, draft, read_log, write_rejected

NAMES = ["athlete", "date", "rung", "value", "clean", "stopped"]
ROWS = [
    ["Ann", "2026-04-03", "lean_10", "12", "yes", ""],
    ["Ann", "2026-04-03", "lean_10", "9", "no", "failed"],
    ["Ann", "2026-04-05", "press", "5", "", ""],
    ["Bo", "2026-04-05", "press", "6", "", ""],
    ["Bo", "2026-04-05", "strict pres", "6", "", ""],
    ["Bo", "2026-04-06", "strict pres", "6", "", ""],
    ["Bo", "2026-04-05", "zzzzz", "6", "", ""],
    ["Bo", "2026-04-05", "press", "6", "so-so", ""],
    ["Bo", "2026-04-05", "press", "6", "", "bored"],
    ["Bo", "03/04/26", "press", "6", "", ""],
    ["Bo", "2026-04-05", "lean_10", "1,234", "", ""],
    ["", "", "", "", "", ""],
]


@pytest.fixture
def frame():
    return pd.DataFrame(ROWS, columns=NAMES)


def test_counts_add_up(frame, ladder):
    log = read_log(frame, ladder)
    report = describe_log(log)
    assert (log.rows_in, len(log.sets), len(log.rejected)) == (12, 4, 8)
    assert report.problems["rows"].sum() == len(log.rejected)
    assert report.athletes["sets"].sum() == report.rungs["sets"].sum() == len(log.sets)
    assert list(report.rungs["rung"]) == list(ladder.keys), "rungs without a set are shown too"
    ann = report.athletes.set_index("athlete").loc["Ann"]
    assert (ann["rungs"], ann["sessions"], ann["sets"]) == (2, 2, 3)
    assert str(ann["first"].date()) == "2026-04-03"


def test_troubles_are_grouped_with_places_and_reasons(frame, ladder):
    report = describe_log(read_log(frame, ladder))
    first = report.problems.iloc[0]
    assert (first["kind"], first["rows"], first["example"]) == ("rung", 2, "strict pres")
    assert first["where"] == "table row 6, table row 7"
    assert "did you mean 'press'?" in first["reason"]
    assert "12 rows in = 4 sets + 8 rejected." in report.text
    assert "2 rows (table row 6, table row 7)" in report.text
    assert str(report) == report.text


def test_a_row_with_several_sets_is_named_once(ladder):
    wide = pd.DataFrame(
        [
            ["Ann", "2026-04-03", "strict pres", 6, 5, 4],
            ["Ann", "2026-04-05", "strict pres", 6, 6, 5],
        ],
        columns=["athlete", "date", "rung", "set 1", "set 2", "set 3"],
    )
    first = describe_log(read_log(wide, ladder)).problems.iloc[0]
    assert (first["rows"], first["where"]) == (6, "table row 2, table row 3")


def test_the_draft_asks_about_what_a_mapping_can_mend(frame, ladder):
    text = draft(frame, ladder).text()
    told = tomllib.loads(text)
    assert told["columns"]["athlete"] == "athlete"
    assert told["values"]["clean"] == {"yes": True, "no": False}
    assert told["values"]["rung"]["strict pres"] == "press", "one letter is missing"
    for line in (
        '# "zzzzz" = "KEY"  # 1 cell; keys: lean_10, press, pull, reach',
        '# ignore = ["zzzzz"]',
        '# "so-so" = true  # or false; 1 cell',
        '# "bored" = "failed"  # or "target"; or "choice"; 1 cell',
        '# date_order = "dmy"',
        '# decimal = ","',
    ):
        assert line in text, text
    answered = text
    for word in ("so-so", "bored"):
        answered = answered.replace(f'# "{word}" =', f'"{word}" =')
    answered = answered.replace("# date_order", "date_order").replace("# decimal", "decimal")
    answered = answered.replace('# "zzzzz" = "KEY"', '"zzzzz" = "reach"')
    corrected = read_log(frame, ladder, mapping=tomllib.loads(answered))
    assert list(corrected.rejected["kind"]) == ["blank"]


def test_a_clean_log_needs_no_mapping(frame, ladder):
    report = describe_log(read_log(frame.iloc[:4], ladder))
    assert report.problems.empty
    assert "mapping" not in report.text
    assert "Not understood" not in report.text


def test_an_empty_log_can_be_described(frame, ladder):
    report = describe_log(read_log(frame.iloc[:0], ladder))
    assert "0 rows in = 0 sets + 0 rejected." in report.text


def test_long_lists_are_cut_in_the_text_only(ladder):
    rows = [[f"P{n:03d}", "2026-04-03", "press", "5", "", ""] for n in range(60)]
    report = describe_log(read_log(pd.DataFrame(rows, columns=NAMES), ladder))
    assert len(report.athletes) == 60
    assert "and 40 more." in report.text
    assert "P059" not in report.text


@pytest.mark.parametrize("name", ["rejected.csv", "rejected.xlsx"])
def test_rejected_rows_can_be_taken_away(frame, ladder, tmp_path, name):
    log = read_log(frame, ladder)
    path = write_rejected(log, tmp_path / name)
    back = pd.read_csv(path) if name.endswith("csv") else pd.read_excel(path)
    assert list(back["row"]) == list(log.rejected["row"])
    assert list(back["reason"]) == list(log.rejected["reason"])


def test_rejected_rows_have_nowhere_to_go(frame, ladder, tmp_path):
    log = read_log(frame, ladder)
    with pytest.raises(LogError, match=r"\.csv or \.xlsx"):
        write_rejected(log, tmp_path / "rejected.json")
    with pytest.raises(LogError, match="can't be written"):
        write_rejected(log, tmp_path / "nowhere" / "rejected.csv")


def test_a_draft_of_a_table_with_odd_cells_is_toml(ladder):
    odd = pd.DataFrame({"a": [Decimal("sNaN"), None, "x"], "b": [[], {}, 10**400]}, dtype=object)
    assert "value" in draft(odd, ladder).text()
    tomllib.loads(draft(odd, ladder).text())


def test_problems_are_records_with_fields_and_the_sentence_comes_from_them(frame, ladder):
    log = read_log(frame, ladder)
    assert len(log.problems) == len(log.rejected)
    for (first, *_), row in zip(log.problems, log.rejected.itertuples(), strict=True):
        assert (first.file, first.row, first.column) == (row.file, row.row, row.column)
        assert (first.value, first.kind) == (row.value, row.kind)
        assert row.reason.startswith(f"{row.column or 'row'}: {first.reason}")
    asked = {(one.table, one.key) for row in log.problems for one in row}
    assert {("read", "date_order"), ("read", "decimal")} <= asked
    notation = read_log(frame.iloc[:1].assign(value="10/9"), ladder).problems[0][0]
    assert (notation.table, notation.key) == ("cells", "10/9")
    assert [answer for answer, _ in notation.choices] == ["sets", "sides"]
