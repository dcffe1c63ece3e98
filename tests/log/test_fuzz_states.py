"""A log put together step by step reads the same in every format, and no row of it is lost."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pandas as pd
import pytest
from fuzzing import LADDER, TABLE
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from forecast.errors import ForecastError
from forecast.log import read_log

pytestmark = pytest.mark.nightly

CELLS = st.one_of(
    st.sampled_from(
        ["Bo", "press", "2026-04-17", "7", "3x10", "10/9", "5s", "", "-", "=1", "band"]
    ),
    st.text(st.characters(codec="utf-8", exclude_characters="\x00\r\n"), max_size=12),
)
ROWS = st.integers(0, 30)
COLUMNS = st.integers(0, 6)


class GrowingLog(RuleBasedStateMachine):
    """Rows and columns come, go, move and are overwritten; after each step it is read."""

    def __init__(self) -> None:
        super().__init__()
        plain = TABLE.assign(date=TABLE["date"].dt.strftime("%Y-%m-%d"), clean="yes")
        self.rows = [list(map(str, row)) for row in plain.to_numpy().tolist()]
        self.header = list(TABLE.columns)
        self.folder = tempfile.TemporaryDirectory()

    def teardown(self) -> None:
        self.folder.cleanup()

    @rule(row=ROWS, column=COLUMNS, cell=CELLS)
    def overwrite(self, row: int, column: int, cell: str) -> None:
        if self.rows:
            self.rows[row % len(self.rows)][column] = cell

    @rule(row=ROWS)
    def repeat(self, row: int) -> None:
        if self.rows:
            self.rows.append(list(self.rows[row % len(self.rows)]))

    @rule(row=ROWS)
    def remove(self, row: int) -> None:
        if self.rows:
            del self.rows[row % len(self.rows)]

    @rule(at=ROWS)
    def put_in_a_blank_row(self, at: int) -> None:
        self.rows.insert(at, [""] * len(self.header))

    @rule(column=COLUMNS, cell=CELLS)
    def rename(self, column: int, cell: str) -> None:
        self.header[column] = cell

    @rule()
    def turn_round(self) -> None:
        self.rows.reverse()

    def outcome(self, source: object, **options: str) -> tuple[int, list[tuple[object, ...]]] | str:
        try:
            log = read_log(source, LADDER, **options)  # type: ignore[arg-type]
        except ForecastError as error:
            return type(error).__name__
        assert log.rows_in == len(log.sets) + len(log.rejected)
        kept = log.sets[["athlete", "date", "rung", "set", "value", "clean", "assist"]]
        return log.rows_in, list(kept.itertuples(index=False, name=None))

    @invariant()
    def every_format_says_the_same(self) -> None:
        table = pd.DataFrame(self.rows, columns=self.header, dtype=object)
        folder = Path(self.folder.name)
        table.to_parquet(folder / "a.parquet") if table.columns.is_unique else None
        in_memory = self.outcome(table)
        if table.columns.is_unique:
            assert self.outcome(folder / "a.parquet") == in_memory


TestGrowingLog = GrowingLog.TestCase
TestGrowingLog.settings = settings(
    max_examples=3, stateful_step_count=6, deadline=None, derandomize=True
)
