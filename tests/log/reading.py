"""Helpers that read cells through the room's face, one row a cell."""

from __future__ import annotations

import pandas as pd

from forecast.log import read_log

SOUND = {"athlete": "Bo", "date": "2026-04-03", "rung": "lean_10", "value": 5}


def read_cells(ladder, column, cells, mapping=None, **options):
    """A log with a row for each cell of one column, all else sound; dates may be of any year."""
    frame = pd.DataFrame([SOUND] * len(cells), dtype=object)
    frame[column] = pd.Series(list(cells), dtype=object)
    read = {"last_date": pd.Timestamp("2100-01-01").date()} | (mapping or {}).get("read", {})
    log = read_log(frame, ladder, mapping={**(mapping or {}), "read": read}, **options)
    assert log.rows_in == len(log.sets) + len(log.rejected)
    return log


def outcomes(log, column):
    """What each row became, in order: a cell of the column, or its first problem."""
    found = dict(zip(log.sets["row"], log.sets[column], strict=True))
    found |= {problems[0].row: problems[0] for problems in log.problems}
    return [found[row] for row in sorted(found)]
