"""A header that tells a unit, over numbers that are in another: asked about, never guessed."""

from __future__ import annotations

import pandas as pd
import pytest

from forecast.errors import MappingError
from forecast.ladder import Criterion, Ladder, Rung
from forecast.log import draft, load_mapping, read_log

LADDER = Ladder(
    "Two measures",
    (
        Rung("lean", "Lean", "", Criterion("seconds", 10.0)),
        Rung("press", "Press", "", Criterion("reps", 5.0)),
    ),
)
ROWS = [("lean", 12), ("lean", 11), ("press", 5), ("press", 4)]


@pytest.fixture
def long():
    frame = pd.DataFrame(ROWS, columns=["rung", "Reps"])
    return frame.assign(athlete="Bo", date="2026-04-03", set=[1, 2, 1, 2])


def test_numbers_under_another_unit_are_rejected_with_the_way_out(long):
    log = read_log(long, LADDER)
    assert log.sets["rung"].tolist() == ["press", "press"]
    (reason,) = log.rejected["reason"].str.replace(r"^\w+: 1\d", "N", regex=True).unique()
    assert reason.startswith("N stands in a column of reps, but the rung counts seconds")
    assert 'under [units] in the mapping: its header = "rung"' in reason


@pytest.mark.parametrize("cells", ["int64", "str"])
def test_the_draft_asks_and_the_answer_settles_it(cells, long, tmp_path):
    frame = long.astype({"Reps": cells})
    path = tmp_path / "mapping.toml"
    text = draft(frame, LADDER).text()
    (asked,) = [line for line in text.splitlines() if line.startswith('# "Reps')]
    assert "2 cells such as '12', '11'" in asked
    path.write_text(text.replace('# "Reps', '"Reps'), encoding="utf-8")
    log = read_log(frame, LADDER, mapping=path)
    assert len(log.rejected) == 0
    values = log.sets.groupby("rung")["value"].apply(sorted).to_dict()
    assert values == {"lean": [11.0, 12.0], "press": [4.0, 5.0]}


def test_a_unit_written_in_the_cell_still_counts(long):
    frame = long.astype({"Reps": object})
    frame.loc[0, "Reps"], frame.loc[2, "Reps"] = "12 reps", "5 reps"
    log = read_log(frame, LADDER, mapping={"units": {"reps": "rung"}})
    assert log.rejected["value"].tolist() == ["12 reps"]
    assert "contradicts the rung" in log.rejected["reason"].item()


def test_a_header_may_be_given_a_unit(long):
    log = read_log(long, LADDER, mapping={"units": {"Reps": "min"}})
    assert log.sets.loc[log.sets["rung"] == "lean", "value"].tolist() == [720.0, 660.0]


@pytest.mark.parametrize("unit", ["stones", "", "Rung"])
def test_what_is_no_unit_is_said(unit):
    with pytest.raises(MappingError, match=r"\[units\], 'Reps': '.*' is not a unit"):
        load_mapping({"units": {"Reps": unit}})
