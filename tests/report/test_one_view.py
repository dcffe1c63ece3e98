"""One report looks at a day once: one build of histories, one filter pass, one simulation."""

from __future__ import annotations

import sys
from collections import Counter
from functools import wraps

import pytest
from awkward import HOSTILE, SLASHED

from forecast.ahead import walk
from forecast.errors import ForecastError
from forecast.growth import forecast_open, forecast_untried, track
from forecast.histories import build_histories
from forecast.readiness import LogView
from forecast.report import write_report

ONCE = (build_histories, track, forecast_open, forecast_untried, walk)


@pytest.fixture
def calls(monkeypatch) -> Counter:
    """Counts of the costly steps, whichever module calls them under whatever name."""
    counts: Counter = Counter()

    def counted(step):
        @wraps(step)
        def call(*args, **kwargs):
            counts[step.__name__] += 1
            return step(*args, **kwargs)

        return call

    doubles = {step: counted(step) for step in ONCE}
    rooms = [module for name, module in sys.modules.items() if name.startswith("forecast.")]
    for module in rooms:
        for name, value in list(vars(module).items()):
            if callable(value) and value in ONCE:
                monkeypatch.setattr(module, name, doubles[value])
    return counts


@pytest.fixture(scope="module")
def few_log(awkward_log, small_result, with_sets):
    """The awkward log with a few athletes who have a rung open, one of them not begun yet."""
    rows = small_result.summary
    few = {HOSTILE, SLASHED, rows["athlete"].iloc[-1], *rows["athlete"][rows["sessions"] == 0][-1:]}
    return with_sets(awkward_log, awkward_log.sets[awkward_log.sets["athlete"].isin(few)])


def test_one_report_looks_once(calls, few_log, small_model, small_cut, tmp_path):
    write_report(few_log, small_model, small_cut, out=tmp_path)
    # and the analyst's page once more, at what was said eight weeks before
    assert calls == {step.__name__: 1 if step is walk else 2 for step in ONCE}


def test_pages_of_a_view_are_those_of_its_log(calls, few_log, small_model, small_cut, tmp_path):
    told = {"club": "Invented <Club>"}
    pages = write_report(few_log, small_model, small_cut, out=tmp_path / "log", **told)
    view = small_model.view(few_log, small_cut)
    rows = view.rows
    calls.clear()
    written = write_report(view, out=tmp_path / "view", **told)
    assert calls == {step.__name__: 1 for step in ONCE}
    assert view.rows is rows
    assert len(written) >= 2 + 3
    for path, other in zip(written, pages, strict=True):
        assert path.name == other.name
        assert path.read_bytes() == other.read_bytes()


def test_a_log_alone_or_another_day_than_the_views_is_refused(
    awkward_log, small_model, small_cut, tmp_path
):
    with pytest.raises(ForecastError, match="A log needs a fitted model"):
        write_report(awkward_log, out=tmp_path)
    view = small_model.view(awkward_log, small_cut)
    assert isinstance(view, LogView)
    with pytest.raises(ForecastError, match=r"as of 2024-10-07.*as of 2024-11-04"):
        write_report(view, as_of="2024-11-04", out=tmp_path)
