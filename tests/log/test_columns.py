"""The table of the log's columns: what is left out is blank, whoever makes the sets."""

import pandas as pd
import pytest

from forecast.log import SET_COLUMNS, as_sets, read_log

LEAST = {"athlete": ["Bo"], "date": ["2026-04-03"], "rung": ["lean_10"], "value": [12.0]}
BLANK = {"clean": True, "assist": "none", "stopped": "unknown", "note": ""} | dict.fromkeys(
    ("load_kg", "effort", "pain")
)
GIVEN = {"clean": "no", "assist": "band", "stopped": "failed", "note": "x", "load_kg": 2.0,
         "effort": 3.0, "pain": 1.0}  # fmt: skip


def test_columns_that_a_log_lacks_are_blank(ladder):
    log = read_log(pd.DataFrame(LEAST), ladder)
    for name, blank in BLANK.items():
        cell = log.sets[name].item()
        assert pd.isna(cell) if blank is None else cell == blank
    assert {column: str(kind) for column, kind in log.sets.dtypes.items()} == SET_COLUMNS


def test_sets_made_by_hand_get_the_columns_they_lack():
    made = as_sets(pd.DataFrame(LEAST | {"assisted": False, "set": 1, "file": "a", "row": 2}))
    assert list(made) == list(SET_COLUMNS)
    assert made["clean"].all()
    assert made["pain"].isna().all()
    assert (made["stopped"] == "unknown").all()


@pytest.mark.parametrize("name", BLANK)
def test_every_column_that_may_be_left_out_can_be_mapped(ladder, name):
    frame = pd.DataFrame(LEAST | {"qqq": [GIVEN[name]]})
    log = read_log(frame, ladder, mapping={"columns": {name: "qqq"}})
    assert log.sets[name].item() == (GIVEN[name] if name != "clean" else False)
