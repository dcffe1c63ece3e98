"""The table of the log's columns: what is left out is blank, whoever makes the sets."""

import pandas as pd
import pytest

from forecast.log import read_log
from forecast.log.columns import COLUMNS, NOTED, SET_COLUMNS, as_sets
from forecast.log.mapping import OPTIONAL

LEAST = {"athlete": ["Bo"], "date": ["2026-04-03"], "rung": ["lean"], "value": [12.0]}


@pytest.mark.parametrize("name", NOTED)
def test_a_column_that_a_log_lacks_is_blank(ladder, name):
    rung = ladder.keys[0]
    log = read_log(pd.DataFrame(LEAST | {"rung": [rung]}), ladder)
    cell = log.sets[name].iloc[0]
    assert pd.isna(cell) if COLUMNS[name].blank is None else cell == COLUMNS[name].blank
    assert {column: str(kind) for column, kind in log.sets.dtypes.items()} == SET_COLUMNS


def test_sets_made_by_hand_get_the_columns_they_lack():
    made = as_sets(pd.DataFrame(LEAST | {"assisted": False, "set": 1, "file": "a", "row": 2}))
    assert list(made) == list(SET_COLUMNS)
    assert made["clean"].all()
    assert made["pain"].isna().all()
    assert (made["stopped"] == "unknown").all()


def test_every_column_that_may_be_left_out_can_be_mapped():
    assert set(NOTED) < set(OPTIONAL)
