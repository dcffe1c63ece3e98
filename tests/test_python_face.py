"""In Python: results show themselves in a notebook, and a slip gets a sentence."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

import forecast as fc
from forecast import ReadinessForecaster
from forecast.inline import WIDE, small_range
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


def test_results_show_themselves_in_short(small_result, small_view, small_log, small_model):
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
    for asked in (small_result, view, view.ladder_ahead(), small_model, ReadinessForecaster()):
        shown = asked._repr_html_()
        assert "NaN" not in shown
        assert "p_4" not in shown
    assert small_result._repr_html_().count("<svg") == len(
        [row for row in small_result.rows if not row.is_away]
    )
    assert small_model._repr_html_().count("<svg") == len(small_log.ladder.rungs)
    for asked in (small_result, view.ladder_ahead(), small_model, small_log):
        assert len(repr(asked)) < 400
    assert f"{len(small_log.sets)} sets" in small_log._repr_html_()


def test_a_small_drawing_spans_the_range_and_names_what_is_past_the_horizon(small_view):
    rows = [row for row in small_view.rows if row.wait and not np.isnan(row.wait.low)]
    closed = next(row for row in rows if not np.isnan(row.wait.high))
    ((start, width),) = re.findall(r'<rect x="([\d.]+)" .*?width="([\d.]+)"', small_range(closed))
    per_week = (WIDE - 8) / closed.wait.horizon
    assert float(start) == pytest.approx(closed.wait.low * per_week, abs=0.06)
    assert float(width) == pytest.approx((closed.wait.high - closed.wait.low) * per_week, abs=0.12)
    beyond = replace(closed, wait=replace(closed.wait, high=np.nan))
    assert small_range(beyond).count("<path") == small_range(closed).count("<path") + 1
    assert "<rect" not in small_range(replace(closed, wait=None, hold="pain"))


def test_everything_a_notebook_draws_is_one_call(small_view, small_model, small_log, small_cut):
    who = small_view.about()[0].athlete
    assert {row.athlete for row in small_view.about(who)} == {who}
    with pytest.raises(fc.ForecastError, match="Nobody Here has no open rung here; athletes"):
        small_view.plot_sets("Nobody Here")
    for one, other in (
        (small_view.plot_sets(who), small_model.plot_sets(small_log, who, small_cut)),
        (small_view.plot_waiting(), small_model.plot_waiting(small_log, small_cut)),
        (small_view.plot_ladder(who), small_model.plot_ladder(small_log, who, small_cut)),
    ):
        assert without_names(one) == without_names(other)
    names = small_view.plot_sets().to_dict()["params"][0]["bind"]["options"]
    assert names == [row.who for row in small_view.rows]
    marks = small_view.plot_marks(who, [0.5, 2.0]).to_dict()
    labels = [line["label"] for lines in marks["datasets"].values() for line in lines]
    target = small_view.about(who)[0].rung.criterion.target
    assert [f"{mark:g}" for mark in (target / 2, target, 2 * target)] == [
        label.split(" ")[0] for label in labels
    ]


def without_names(chart):
    """A chart's specification; its views are numbered by altair as they come."""
    return re.sub(r"(view|layer|concat)_\d+", r"\1", chart.to_json())
