"""The same log in every format gives the same sets."""

from __future__ import annotations

import contextlib
import csv
import datetime as dt
import sqlite3
import zipfile
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

import forecast as fc
from forecast.errors import LogError
from forecast.ladder import Criterion, Ladder, Rung
from forecast.log import SET_COLUMNS, read_log

LADDER = Ladder("Invented", (Rung("press", "Strict press", "", Criterion("reps", 8.0)),))
TABLE = pd.DataFrame(
    {
        "athlete": ["Anaïs", "Anaïs", "Bo"],
        "date": ["2026-04-03", "2026-04-03", "2026-04-17"],
        "rung": ["lean_10", "lean_10", "press"],
        "value": ["12.5", "9", "7"],
        "clean": ["yes", "no", ""],
        "note": ["", "tight; slow, steady", "„gut“ – übrig"],
    }
)


def assert_is_the_table(log):
    sets = log.sets
    assert {name: str(kind) for name, kind in sets.dtypes.items()} == SET_COLUMNS
    assert list(sets["athlete"]) == ["Anaïs", "Anaïs", "Bo"]
    assert list(sets["value"]) == [12.5, 9.0, 7.0]
    assert list(sets["clean"]) == [True, False, True]
    assert list(sets["set"]) == [1, 2, 1]
    assert list(sets["note"]) == list(TABLE["note"])
    assert list(sets["row"]) == [2, 3, 4]
    assert list(sets["date"].dt.day) == [3, 3, 17]
    assert log.rows_in == 3
    assert log.rejected.empty


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
def test_text_in_every_encoding_and_separator(tmp_path, ladder, encoding, separator):
    path = tmp_path / "sets.csv"
    TABLE.to_csv(path, index=False, sep=separator, encoding=encoding)
    log = read_log(path, ladder)
    assert_is_the_table(log)
    assert any("Windows-1252" in said for said in log.warnings) == (encoding == "cp1252")


@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
def test_every_line_ending(tmp_path, ladder, newline):
    path = tmp_path / "sets.csv"
    TABLE.to_csv(path, index=False, lineterminator=newline)
    assert_is_the_table(read_log(path, ladder))


def test_tsv_goes_by_its_ending_even_with_commas_in_the_header(tmp_path, ladder):
    path = tmp_path / "sets.tsv"
    TABLE.rename(columns={"note": "note, free, long, text, of, any, kind"}).to_csv(
        path, index=False, sep="\t"
    )
    log = read_log(path, ladder)
    assert list(log.sets["value"]) == [12.5, 9.0, 7.0]


def test_the_separator_line_of_spreadsheets_is_no_header(tmp_path, ladder):
    path = tmp_path / "sets.csv"
    path.write_text("sep=;\n" + TABLE.to_csv(index=False, sep=";"), encoding="utf-8")
    log = read_log(path, ladder)
    assert len(log.sets) == 3
    assert list(log.sets["row"]) == [3, 4, 5]


def test_a_decimal_comma_between_semicolons(tmp_path, ladder):
    path = tmp_path / "sets.csv"
    path.write_text("athlete;date;rung;value\nBo;2026-04-03;lean_10;12,5\n", encoding="utf-8")
    assert read_log(path, ladder).sets["value"].item() == 12.5


def test_an_unquoted_decimal_comma_between_commas_is_a_row_too_long(tmp_path, ladder):
    path = tmp_path / "sets.csv"
    path.write_text(
        "athlete,date,rung,value\nBo,2026-04-03,lean_10,12,5\nBo,2026-04-03,lean_10,12\n",
        encoding="utf-8",
    )
    log = read_log(path, ladder)
    assert len(log.sets) == 1
    assert log.rejected["kind"].item() == "shape"
    assert "5 cells, the header 4" in log.rejected["reason"].item()


def test_rows_are_counted_as_a_person_does(tmp_path, ladder):
    path = tmp_path / "sets.csv"
    path.write_text(
        'athlete,date,rung,value,note\nBo,2026-04-03,lean_10,12,"two\nlines"\n\n'
        "Bo,2026-04-03,lean_10,soon\nBo,2026-04-03,lean_10,11\n",
        encoding="utf-8",
    )
    log = read_log(path, ladder)
    assert list(log.sets["row"]) == [2, 6]
    assert log.sets["note"].iloc[0] == "two lines"
    assert list(zip(log.rejected["row"], log.rejected["kind"], strict=True)) == [
        (4, "blank"),
        (5, "number"),
    ]
    assert log.rows_in == 4


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "is empty"),
        ("\n\n", "is empty"),
        ('athlete,date\n"Bo,2026\nAnn,2027\n', "line 2: a quotation mark"),
        ("athlete\x00,date\n", "NUL"),
    ],
)
def test_text_that_is_no_table(tmp_path, ladder, text, said):
    path = tmp_path / "sets.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(LogError, match=said):
        read_log(path, ladder)


def test_encodings_by_name(tmp_path, ladder):
    path = tmp_path / "sets.csv"
    TABLE.drop(columns="note").to_csv(path, index=False, encoding="mac_roman")
    assert read_log(path, ladder, encoding="mac_roman").athletes == ["Anaïs", "Bo"]
    with pytest.raises(LogError, match="'klingon' is not an encoding"):
        read_log(path, ladder, encoding="klingon")
    with pytest.raises(LogError, match="does not fit the encoding utf-8"):
        read_log(path, ladder, encoding="utf-8")


def test_bytes_that_fit_no_encoding(tmp_path, ladder):
    path = tmp_path / "sets.csv"
    path.write_bytes(b"athlete,date\n\x81\x8d,2026\n")
    with pytest.raises(LogError, match="neither UTF-8 nor Windows-1252"):
        read_log(path, ladder)


def workbook(path, rows, formats=None):
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "log"
    for row in rows:
        sheet.append(row)
    for place, number_format in (formats or {}).items():
        sheet[place].number_format = number_format
    book.save(path)
    book.close()


def test_workbook(tmp_path, ladder):
    path = tmp_path / "sets.xlsx"
    table = TABLE.assign(
        date=pd.to_datetime(TABLE["date"]), value=TABLE["value"].astype(float)
    ).replace("", None)
    table.to_excel(path, index=False)
    assert_is_the_table(read_log(path, ladder))


def test_typed_cells_of_a_workbook(tmp_path, ladder):
    path = tmp_path / "sets.xlsx"
    head = ["athlete", "date", "rung", "value", "clean", "set"]
    workbook(
        path,
        [
            head,
            ["Bo", dt.datetime(2026, 4, 3), "lean_10", dt.time(0, 12), True, 1],
            ["Bo", dt.datetime(2026, 4, 3), "lean_10", dt.time(0, 0, 9), False, 2],
            ["Bo", 46115, "press", 7, 1, 1],
            [None] * 6,
            ["Bo", "3 Apr 2026", "press", "x5", 0, 2],
            [None] * 6,
            [None] * 6,
        ],
        # whoever types 0:12 gets a clock time in the format h:mm
        {"D2": "h:mm", "D3": "h:mm:ss"},
    )
    log = read_log(path, ladder)
    assert list(log.sets["value"]) == [12.0, 9.0, 7.0, 5.0]
    assert list(log.sets["clean"]) == [True, False, True, False]
    assert set(log.sets["date"]) == {pd.Timestamp("2026-04-03")}
    assert list(log.rejected["kind"]) == ["blank"], "blank rows at the end are mere formatting"
    assert log.rows_in == 5
    assert any("read as minutes and seconds" in said for said in log.warnings)


def test_sheets(tmp_path, ladder):
    path = tmp_path / "sets.xlsx"
    with pd.ExcelWriter(path) as book:
        pd.DataFrame({"read": ["me"]}).to_excel(book, sheet_name="cover", index=False)
        TABLE.replace("", None).to_excel(book, sheet_name="log", index=False)
        pd.DataFrame().to_excel(book, sheet_name="bare", index=False)
    assert_is_the_table(read_log(path, ladder, sheet="log"))
    assert_is_the_table(read_log(path, ladder, mapping={"read": {"sheet": "log"}}))
    with pytest.raises(LogError, match="no sheet 'lag'; its sheets are cover, log, bare"):
        read_log(path, ladder, sheet="lag")
    with pytest.raises(LogError, match="sheet 'bare' is empty"):
        read_log(path, ladder, sheet="bare")


def test_a_wrong_used_range_cuts_no_rows_off(tmp_path, ladder):
    path, wrong = tmp_path / "sets.xlsx", tmp_path / "wrong.xlsx"
    TABLE.replace("", None).to_excel(path, index=False)
    with zipfile.ZipFile(path) as source, zipfile.ZipFile(wrong, "w") as target:
        for name in source.namelist():
            data = source.read(name)
            if name.endswith("sheet1.xml"):
                assert b'<dimension ref="A1:F4"' in data
                data = data.replace(b'<dimension ref="A1:F4"', b'<dimension ref="A1"')
            target.writestr(name, data)
    assert_is_the_table(read_log(wrong, ladder))


def test_log_and_roster_in_one_workbook(tmp_path, ladder):
    path = tmp_path / "club.xlsx"
    with pd.ExcelWriter(path) as book:
        TABLE.replace("", None).to_excel(book, sheet_name="log", index=False)
        people = pd.DataFrame({"athlete": ["Bo", "Anaïs"], "age": [30, 40]})
        people.to_excel(book, sheet_name="people", index=False)
    mapping = {"read": {"sheet": "log", "roster_sheet": "people"}}
    log = read_log(path, ladder, roster=path, mapping=mapping)
    assert_is_the_table(log)
    assert log.roster["age"].to_dict() == {"Anaïs": 40.0, "Bo": 30.0}


def test_parquet(tmp_path, ladder):
    path = tmp_path / "sets.parquet"
    TABLE.assign(date=pd.to_datetime(TABLE["date"]), value=[12.5, 9, 7]).to_parquet(path)
    assert_is_the_table(read_log(path, ladder))
    TABLE.set_index("athlete").to_parquet(path)
    assert_is_the_table(read_log(path, ladder))


@pytest.mark.parametrize("name", ["sets.parquet", "sets.xlsx"])
def test_damaged_files(tmp_path, ladder, name):
    path = tmp_path / name
    path.write_bytes(b"no such thing")
    with pytest.raises(LogError, match="is not a readable"):
        read_log(path, ladder)


def test_a_table_in_memory_is_left_as_it_was(ladder):
    before = TABLE.copy(deep=True)
    log = read_log(TABLE, ladder)
    assert_is_the_table(log)
    log.sets.loc[0, "note"] = "changed"
    pd.testing.assert_frame_equal(TABLE, before)


def test_categories_and_missing_values_in_memory(ladder):
    typed = TABLE.astype({"athlete": "category", "clean": "category"}).assign(
        value=pd.array([12.5, 9, 7], dtype="Float64"),
        pain=pd.array([1, None, 2], dtype="Int64"),
        clean=pd.array([True, False, None], dtype="boolean"),
    )
    log = read_log(typed, ladder)
    assert_is_the_table(log)
    assert log.sets["pain"].isna().tolist() == [False, True, False]


def test_a_database_is_read_with_pandas(tmp_path, ladder):
    """The lines of docs/my-log.md, in a folder with such a database."""
    page = (Path(__file__).parents[2] / "docs" / "my-log.md").read_text(encoding="utf-8")
    code = page[page.index("with sqlite3.connect") :].partition("```")[0]
    path = tmp_path / "club.db"
    with contextlib.closing(sqlite3.connect(path)) as made:
        TABLE.to_sql("sets", made, index=False)
    names = {"sqlite3": sqlite3, "pd": pd, "fc": fc, "ladder": ladder}
    exec(code.replace("club.db", str(path)), names)
    names["connection"].close()
    assert names["log"].sets["value"].tolist() == [12.5, 9.0, 7.0]
    assert names["log"].rejected.empty


def test_several_sources_are_one_log(tmp_path, ladder):
    first, second = tmp_path / "a.csv", tmp_path / "b.xlsx"
    TABLE.iloc[:1].to_csv(first, index=False)
    TABLE.iloc[1:].replace("", None).to_excel(second, index=False)
    log = read_log([first, str(second)], ladder)
    assert list(log.sets["value"]) == [12.5, 9.0, 7.0]
    assert list(log.sets["file"]) == ["a.csv", "b.xlsx", "b.xlsx"]
    assert list(log.sets["row"]) == [2, 2, 3]
    assert list(log.sets["set"]) == [1, 2, 1]


def test_files_of_one_name_are_told_apart(tmp_path, ladder):
    paths = []
    for folder in ("x", "y"):
        (tmp_path / folder).mkdir()
        paths.append(tmp_path / folder / "sets.csv")
        TABLE.iloc[:1].assign(value=len(paths)).to_csv(paths[-1], index=False)
    assert set(read_log(paths, ladder).sets["file"]) == {str(path) for path in paths}


def test_sources_that_are_none(tmp_path, ladder):
    with pytest.raises(LogError, match="There is no file"):
        read_log(tmp_path / "none.csv", ladder)
    with pytest.raises(LogError, match="is a folder"):
        read_log(tmp_path, ladder)
    with pytest.raises(LogError, match="list of sources is empty"):
        read_log([], ladder)
    odd = tmp_path / "sets.xls"
    odd.write_bytes(b"")
    with pytest.raises(LogError, match=r"not read here \(\.xls\); save it as \.csv"):
        read_log(odd, ladder)


@settings(max_examples=8, deadline=None)
@given(
    st.lists(
        st.lists(
            st.sampled_from(["Bo", "2026-04-03", "press", "5", "", " ", 'a"b', "x,y", "ü\n"])
            | st.text(max_size=5).filter(lambda t: "\x00" not in t),
            max_size=7,
        ),
        max_size=8,
    ),
    st.sampled_from([",", ";", "\t"]),
)
def test_every_record_of_a_ragged_file_is_accounted_for(tmp_path_factory, records, separator):
    path = tmp_path_factory.mktemp("ragged") / "sets.csv"
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, delimiter=separator)
        writer.writerows([["athlete", "date", "rung", "value"], *records])
    log = read_log(path, LADDER, date_order="dmy")
    assert log.rows_in == len(records) == len(log.sets) + len(log.rejected)
    lines = [*log.sets["row"], *log.rejected["row"]]
    assert len(set(lines)) == len(lines), "each record starts on a line of its own"


@given(
    st.lists(
        st.lists(st.text("a,\"; é0\u2028'", max_size=3), min_size=2, max_size=3),
        min_size=1,
        max_size=4,
    ),
    st.sampled_from(["\n", "\r\n"]),
)
@example([["a", '"'], ['"', "0"]], "\n")
@example([["a", "a,a"], ['"a,"', '""']], "\r\n")
@settings(max_examples=8, deadline=None)
def test_lines_read_as_columns_at_once_are_those_read_one_by_one(tmp_path_factory, cells, end):
    quoted = [[c if n % 2 else f'"{c.replace(chr(34), 2 * chr(34))}"' for n, c in enumerate(row)]
              for row in cells]  # fmt: skip
    sound = ["athlete", "date", "rung", "value"]
    header = [*sound, *("note", "effort", "pain")[: len(cells[0])]]
    rows = [["Bo", "2026-04-03", "press", "5", *row] for row in quoted]
    lines = end.join(",".join(row) for row in [header, *rows]) + end
    path = tmp_path_factory.mktemp("plain") / "log.csv"
    logs = []
    for text in (lines, lines + end):  # a blank line is nothing for the quick way
        path.write_bytes(text.encode())
        try:
            log = read_log(path, LADDER)
        except LogError as error:
            logs.append(str(error))
            continue
        rejected = log.rejected[log.rejected["kind"] != "blank"]
        logs.append((log.sets.to_csv(), rejected.to_csv()))
    assert logs[0] == logs[1]
