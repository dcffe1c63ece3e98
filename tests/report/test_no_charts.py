"""Pages where the code that draws charts is not installed."""

from __future__ import annotations

import sys

import pytest

from forecast.charts import packed_script
from forecast.errors import ForecastWarning
from forecast.report import write_report


def test_pages_are_written_without_charts_where_what_draws_is_missing(
    awkward_log, small_model, small_cut, tmp_path, monkeypatch
):
    packed_script.cache_clear()
    monkeypatch.setitem(sys.modules, "vl_convert", None)
    with pytest.warns(ForecastWarning, match=r"without charts.*rungwise\[pages\]"):
        (path,) = write_report(awkward_log, small_model, small_cut, who=["coach"], out=tmp_path)
    page = path.read_text(encoding="utf-8")
    assert "Written without charts" in page
    assert 'charts.js">' not in page
    assert [file.name for file in tmp_path.iterdir()] == ["coach.html"]
    assert "data-chart" not in page
