"""A draft accepted as it is written reads nothing wrong: each shape of a log with its truth.

A file of ``shapes/`` has sheets, lines that no draft may write as sure, and the athletes and values
that there are.
"""

from __future__ import annotations

import csv
import tomllib
from pathlib import Path

import openpyxl
import pytest
from test_thirty_styles import LADDER

from forecast.errors import MappingError
from forecast.log import draft_mapping, read_log

SHAPES = sorted((Path(__file__).parent / "shapes").glob("*.toml"))


def book(shape, path):
    made = openpyxl.Workbook()
    made.remove(made.active)
    for name, sheet in shape["sheets"].items():
        tab = made.create_sheet(name)
        for row in csv.reader(sheet["rows"].strip().splitlines()):
            tab.append([int(cell) if cell.isdecimal() else cell or None for cell in row])
    made.save(path)
    made.close()


@pytest.mark.parametrize("path", SHAPES, ids=lambda path: path.stem)
def test_what_is_sure_in_a_draft_is_right(tmp_path, path):
    shape = tomllib.loads(path.read_text(encoding="utf-8"))
    book(shape, tmp_path / "log.xlsx")
    draft = draft_mapping(tmp_path / "log.xlsx", LADDER)
    for line in shape["never"]:
        assert not any(text.startswith(line) for text in draft.splitlines()), draft
    try:
        log = read_log(tmp_path / "log.xlsx", LADDER, mapping=tomllib.loads(draft))
    except MappingError:
        assert "\n# " in draft  # the draft asks first
        return
    assert set(log.sets["athlete"]) <= set(shape["athletes"])
    assert set(log.sets["value"]) <= set(shape["values"])


def test_tabs_that_may_be_the_athletes_are_the_first_answer(tmp_path):
    path = next(one for one in SHAPES if one.stem == "tabs_are_the_athletes")
    book(tomllib.loads(path.read_text(encoding="utf-8")), tmp_path / "log.xlsx")
    draft = draft_mapping(tmp_path / "log.xlsx", LADDER)
    (line,) = [text for text in draft.splitlines() if text.lstrip("# ").startswith("athlete = ")]
    assert line.startswith('# athlete = "(sheet)"  # the tabs; or "Trainer"')
    mapping = tomllib.loads(draft.replace(line, 'athlete = "(sheet)"'))
    assert read_log(tmp_path / "log.xlsx", LADDER, mapping=mapping).athletes == ["Ann", "Bo"]
