"""In Python: results show themselves in a notebook, and a slip gets a sentence."""

from __future__ import annotations

import pytest

import forecast as fc
from forecast.report import write_report


def test_a_wrong_name_is_said_with_the_right_ones(small_result, small_log):
    known = small_result.summary["athlete"].iloc[0]
    with pytest.raises(fc.ForecastError, match=f"'Nobody' has no open rung .*{known}"):
        small_result.for_athlete("Nobody")
    with pytest.raises(fc.ForecastError, match="'stairs' is not a rung of this ladder"):
        small_log.ladder.rung("stairs")


def test_swapped_arguments_are_said(small_log, small_model, tmp_path):
    with pytest.raises(fc.ForecastError, match="give the model first, then the log"):
        fc.cohort.bottlenecks(small_log, small_model)
    with pytest.raises(fc.ForecastError, match="A ReadinessForecaster was given where a log"):
        fc.cohort.time_to_clear(small_model)
    with pytest.raises(fc.ForecastError, match="give the log first, then the model"):
        write_report(small_model, small_log, out=tmp_path)
    with pytest.raises(fc.ForecastError, match="where a log is needed"):
        small_model.forecast("2024-10-07", small_log)


def test_results_show_themselves_in_short(small_result, small_view, small_log):
    view = small_view
    results = (
        fc.cohort.bottlenecks(view),
        fc.cohort.pace_and_difficulty(view),
        fc.cohort.criterion_audit(view),
        fc.cohort.time_to_clear(view.histories),
    )
    for result in results:
        shown = result._repr_html_()
        assert "<table" in shown
        assert shown.count("<tr") <= 11
        assert result.text.split("&")[0][:20] in shown
    assert small_result.summary["athlete"].iloc[0] in small_result._repr_html_()
    assert f"{len(small_log.sets)} sets" in small_log._repr_html_()
