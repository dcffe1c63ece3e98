"""Pages of a small club with awkward names."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from awkward import HOSTILE, SLASHED

from forecast.report import write_report
from forecast.report.data import ReportData, gather


@pytest.fixture(scope="session")
def awkward_log(small_log, small_result, with_sets):
    """The small log with two athletes of open rungs renamed to what no page may trip over."""
    first, second = list(dict.fromkeys(small_result.summary["athlete"]))[:2]
    sets = small_log.sets.replace({"athlete": {first: HOSTILE, second: SLASHED}})
    return replace(with_sets(small_log, sets), roster=small_log.roster)


@pytest.fixture(scope="session")
def report_data(awkward_log, small_model, small_cut) -> ReportData:
    """Everything the pages show; do not change it."""
    return gather(awkward_log, small_model, small_cut, club="Invented <Club>")


@pytest.fixture(scope="session")
def pages(awkward_log, small_model, small_cut, tmp_path_factory) -> dict[str, Path]:
    """Paths of all pages by file name."""
    folder = tmp_path_factory.mktemp("pages")
    written = write_report(awkward_log, small_model, small_cut, out=folder, club="Invented <Club>")
    return {path.name: path for path in written}
