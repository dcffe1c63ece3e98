"""What is too large is refused before it is taken into memory; what is odd costs no row."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from fuzzing import SEEDS, TABLE

from forecast.errors import LogError, shortened
from forecast.log import read_log, write_rejected

HEAD = b"athlete,date,rung,value\n"


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (HEAD + b"x" * 1_000_100, "longer than 1000000 bytes"),
        (b"," * 2_000_001, "longer than 1000000 bytes"),
        (HEAD + b"\n".join([b",", b"x" * 999_000, b"y" * 5_000]), "cell of more than 100000"),
        (HEAD + b",\n" * 3_100_000, "more than 3000000 lines"),
        (HEAD + b"Bo,2026-04-03," + b"z" * 110_000 + b",5\n", "110000 characters; 100000 are"),
        (HEAD + b"," * 1_500 + b"\n", "1501 columns"),
        (HEAD + b'"\n' + b"open quote\n" * 20_000, "close a quotation mark"),
    ],
    ids=range(7),
)
def test_text_files_too_large(tmp_path, ladder, content, words):
    path = tmp_path / "sets.csv"
    path.write_bytes(content)
    with pytest.raises(LogError, match=words) as caught:
        read_log(path, ladder)
    assert len(str(caught.value)) < 400


def test_a_file_of_undue_size_is_not_opened(tmp_path, ladder, monkeypatch):
    path = tmp_path / "sets.csv"
    with path.open("wb") as file:
        file.truncate(260_000_000)  # no disk is taken up by it
    monkeypatch.setattr(Path, "read_bytes", lambda _: pytest.fail("it was taken into memory"))
    with pytest.raises(LogError, match="has 260 MB; 250 MB of text"):
        read_log(path, ladder)


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_every_line_end_still_ends_a_row(tmp_path, ladder, end):
    path = tmp_path / "sets.csv"
    lines = [
        "athlete,date,rung,value,note",
        'Bo,2026-04-03,press,5,"two\nlines"',
        "Bo,2026-04-04,press,6,",
    ]
    path.write_bytes(end.join(lines).encode())
    log = read_log(path, ladder)
    assert log.sets["value"].tolist() == [5.0, 6.0]
    assert log.sets["row"].tolist() == [2, 4]
    assert log.sets["note"].tolist() == ["two lines", ""]


def book(inner: bytes, compression: int = zipfile.ZIP_DEFLATED) -> bytes:
    """A sound workbook with a sheet that holds these rows too."""
    out = io.BytesIO()
    sound = io.BytesIO(SEEDS["xlsx"])
    with zipfile.ZipFile(sound) as old, zipfile.ZipFile(out, "w", compression) as new:
        for name in old.namelist():
            content = old.read(name)
            if name.endswith("sheet1.xml"):
                content = content.replace(b"</sheetData>", inner + b"</sheetData>")
            new.writestr(name, content)
    return out.getvalue()


@pytest.mark.parametrize(
    ("inner", "words"),
    [
        (b"<row/>" * 2_000_000, "times its size"),
        (b"<row/>" * 160_000, "more than 100000 rows without a cell"),
        (
            b"".join(b'<row r="%d"/>' % n for n in range(9, 300_000)),
            "more than 100000 rows without a cell",
        ),
        (b"<row><c/></row>" * 600_000, "times its size"),
        (b"<row>" + b"<c/>" * 2_000_000 + b"</row>", "times its size"),
        (b'<row><c t="inlineStr"><is><t>' + b"x" * 40_000_000, "times its size"),
        (
            b"<!--" + bytes(np.random.default_rng(0).integers(65, 90, 500_000, np.uint8)),
            "over 100000",
        ),
    ],
    ids=["rows", "flat rows", "numbered rows", "rows of a cell", "one row", "cell", "comment"],
)
def test_workbooks_too_large(tmp_path, ladder, monkeypatch, inner, words):
    path = tmp_path / "sets.xlsx"
    path.write_bytes(book(inner))
    monkeypatch.setattr(openpyxl, "load_workbook", lambda *_, **__: pytest.fail("parsed"))
    with pytest.raises(LogError, match=words):
        read_log(path, ladder)


def test_as_many_empty_rows_as_a_sheet_may_have_cost_no_set(tmp_path, ladder):
    path = tmp_path / "sets.xlsx"
    path.write_bytes(book(b"<row/>" * 20_000))
    assert read_log(path, ladder).rows_in == 4


@pytest.mark.parametrize("inner", [b"<row>", b"<c>", b'<row r="2"><c r="A2">'], ids=range(3))
def test_a_workbook_nested_without_end_is_refused_before_it_is_parsed(
    tmp_path, ladder, monkeypatch, inner
):
    path = tmp_path / "sets.xlsx"
    path.write_bytes(book(inner * (900_000 // len(inner))))
    monkeypatch.setattr(openpyxl, "load_workbook", lambda *_, **__: pytest.fail("parsed"))
    with pytest.raises(LogError, match="nested more than 5000 deep"):
        read_log(path, ladder)


def test_a_large_sound_workbook_is_not_nested(tmp_path, ladder):
    path = tmp_path / "sets.xlsx"
    rows = b"".join(b'<row r="%d"><c r="A%d"/></row>' % (n, n) for n in range(10, 60_000))
    path.write_bytes(book(rows))  # in pieces that cut marks in two
    assert read_log(path, ladder).rows_in == 4


def test_the_cells_of_a_workbook_are_counted_before_any_is_read(tmp_path, ladder, monkeypatch):
    path = tmp_path / "sets.xlsx"
    path.write_bytes(book(b"<row><c><v>1</v></c></row>" * 200))
    assert read_log(path, ladder).rows_in
    monkeypatch.setattr("forecast.log.sizes.MAX_BOOK_CELLS", 100)
    with pytest.raises(LogError, match="more than 100 cells"):
        read_log(path, ladder)


def test_a_parquet_file_that_says_little_of_its_size(tmp_path, ladder, monkeypatch):
    path = tmp_path / "sets.parquet"
    many = pa.table({"note": ["y" * 20_000] * 5_000})  # packed, the text stands there once
    pq.write_table(many, path)
    assert path.stat().st_size < 100_000
    monkeypatch.setattr("forecast.log.sizes.MAX_BYTES", 30_000_000)
    with pytest.raises(LogError, match=r"unpacks to [0-9]+ MB or more; 30 MB are read at most"):
        read_log(path, ladder)


def test_a_parquet_file_is_read_as_pandas_reads_it(tmp_path, ladder):
    frame = TABLE.assign(
        note=pd.Categorical(["a", "b", "a", "a"]), pain=pd.array([1, None, 2, 3], "Int64")
    ).set_index("athlete")
    path = tmp_path / "sets.parquet"
    frame.to_parquet(path)
    ours, theirs = read_log(path, ladder), read_log(pd.read_parquet(path), ladder)
    pd.testing.assert_frame_equal(ours.sets.drop(columns="file"), theirs.sets.drop(columns="file"))
    assert ours.sets["pain"].notna().sum() == 2


def test_a_parquet_file_whose_text_is_no_text_is_refused(tmp_path, ladder):
    path = tmp_path / "sets.parquet"
    torn = pa.array([b"\xff\xfe"] * 3, pa.binary()).cast(pa.string(), safe=False)
    pq.write_table(pa.table({"athlete": torn, "date": torn, "rung": torn, "value": torn}), path)
    with pytest.raises(LogError, match=r"not a readable Parquet file: .*UTF8"):
        read_log(path, ladder)


def test_lists_nested_without_end_and_names_without_end_cost_their_row_only(ladder):
    nest: list = []
    for _ in range(100_000):
        nest = [nest]
    frame = TABLE.astype(object)
    frame.at[0, "value"] = nest
    frame.at[1, "athlete"] = "x" * 201
    log = read_log(frame, ladder)
    assert log.rows_in == 4
    assert log.rejected["kind"].tolist() == ["number", "name"]
    assert "nested too deeply" in log.rejected["value"][0]


def test_a_line_of_a_message_ends():
    assert shortened("table has the columns " + ", ".join(f"c{n}" for n in range(900))).endswith(
        "... (5310 characters)"
    )


def test_a_file_may_have_any_name(tmp_path, ladder):
    path = tmp_path / "a\x01\udcff.csv"
    path.write_bytes(HEAD + b"Bo,2026-04-03,press,5\nBo,2026-04-03,what,5\n")
    log = read_log(path, ladder)
    assert log.sets["file"].tolist() == [r"a\x01\udcff.csv"]
    for name in ("r.csv", "r.xlsx"):
        write_rejected(log, tmp_path / name)


def test_a_cell_that_a_workbook_would_cut_is_not_written(tmp_path, ladder):
    frame = TABLE.astype(object)
    frame.at[0, "rung"] = "x" * 40_000
    log = read_log(frame, ladder)
    with pytest.raises(LogError, match="40000 characters does not fit into a workbook"):
        write_rejected(log, tmp_path / "rejected.xlsx")
    write_rejected(log, tmp_path / "rejected.csv")
    assert [path.name for path in tmp_path.iterdir()] == ["rejected.csv"]
