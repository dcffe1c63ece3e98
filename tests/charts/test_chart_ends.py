"""Where the axes of a rung's chart end, and what is said where the code that draws is missing."""

from __future__ import annotations

import sys

import pandas as pd
import pytest

from forecast import charts
from forecast.errors import MissingExtraError
from forecast.report import open_tables


def test_axes_end_where_an_athletes_own_rows_do(small_view, small_cut):
    rows = [row for row in small_view.rows if row.wait][:4]
    drawn = open_tables(small_view, rows)
    spec = charts.progress(drawn, rows).to_dict()
    (ends,) = (each["value"] for each in spec["params"] if each["name"] == "ends")
    assert set(ends) == {row.who for row in rows}
    for who, end in ends.items():
        sets = drawn.sets[drawn.sets["who"] == who]
        assert pd.Timestamp(end["first"]) == min([*sets["date"], small_cut])
        assert pd.Timestamp(end["last"]) >= small_cut
        assert end["top"] > sets["value"].max()
    # Axes are not left to the rows of a layer, of which there may be none.
    for axis, shown in (
        ("x", ["toDate(ends[pick].first)", "toDate(ends[pick].last)"]),
        ("y", [0, "ends[pick].top"]),
    ):
        scales = [layer["encoding"].get(axis, {}).get("scale") for layer in spec["layer"]]
        (domain,) = (scale["domain"] for scale in scales if scale)
        assert [end if end == 0 else end["expr"] for end in domain] == shown


def test_what_draws_is_an_extra_and_its_absence_is_said(monkeypatch):
    charts.packed_script.cache_clear()
    monkeypatch.setitem(sys.modules, "vl_convert", None)
    with pytest.raises(MissingExtraError, match=r"pip install 'rungwise\[pages\]'"):
        charts.in_notebook()
