"""Shared by all rooms: one small invented cohort, and a forecaster fitted to it once."""

from __future__ import annotations

import dataclasses
import os
import shutil
from collections.abc import Iterator

import pandas as pd
import pytest
from made_club import COHORT
from sharing import ByFile, SharedModels, shared_folder
from slow import Meter, function_of, listed_slow

from forecast.log import SET_COLUMNS, TrainingLog
from forecast.model import ReadinessForecaster, View
from forecast.result import ReadinessForecast
from forecast.simulate import SimulatedCohort, simulate_cohort

SMALL = {"horizon_weeks": 30, "draws": 16, "paths": 512}
"""Settings of the shared forecaster: a quarter of the usual simulation; its laws hold at any."""

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
CHROMEDRIVER = shutil.which("chromedriver")

FIRST = ("tests/test_notebooks.py", "tests/log/")
"""Notebooks take longest, and at the end one worker would wait for the other. What follows them
needs nothing compiled, so that in a fresh checkout one worker compiles and the other does not too.
"""


def pytest_addoption(parser):
    """Add the option that redraws the list of slow tests."""
    parser.addoption(
        "--redraw-slow", action="store_true", help="measure CPU and write tests/slow.txt anew"
    )
    parser.addoption(
        "--redraw-golden", action="store_true", help="write tests/report/golden/*.txt anew"
    )


def pytest_configure(config):
    """Measure where asked to."""
    if config.getoption("redraw_slow"):
        config.pluginmanager.register(Meter(config))


def pytest_collection_modifyitems(items):
    """Mark the slow ones, and put first what begins first."""
    slow = listed_slow()
    for item in items:
        whole = function_of(item.nodeid)
        nightly = item.get_closest_marker("nightly") is not None
        if nightly or not slow.isdisjoint({whole, whole.split("::")[0]}):
            item.add_marker(pytest.mark.slow)
    items.sort(key=lambda item: [not item.nodeid.startswith(first) for first in FIRST])


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config, log):
    """Hand out whole files to the workers."""
    return ByFile(config, log)


@pytest.fixture(scope="session", autouse=True)
def end_of_time():
    """No test depends on the clock: unless a test says otherwise, today is the last day of all."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("forecast.log.read.latest_today", lambda: pd.Timestamp("2099-12-31"))
        yield


@pytest.fixture(scope="session")
def small_cohort() -> SimulatedCohort:
    """12 invented athletes over 40 weeks, and 10 weeks more for outcomes."""
    return simulate_cohort(**COHORT)


@pytest.fixture(scope="session")
def small_log(small_cohort) -> TrainingLog:
    """The log of the small cohort, outcomes included; the cut is ``small_cut``."""
    return small_cohort.log


@pytest.fixture(scope="session")
def small_cut() -> pd.Timestamp:
    """A day some weeks before the small log ends."""
    return pd.Timestamp("2024-10-07")


@pytest.fixture(scope="session")
def models(tmp_path_factory, pytestconfig) -> SharedModels:
    """Models that are fitted once for all workers, by name."""
    return SharedModels(shared_folder(tmp_path_factory, pytestconfig))


@pytest.fixture(scope="session")
def small_model(models, small_log, small_cut) -> ReadinessForecaster:
    """A forecaster fitted to the small log; do not change it."""
    return models.get("small", lambda: ReadinessForecaster(**SMALL).fit(small_log, small_cut))


@pytest.fixture(scope="session")
def small_view(small_model, small_log, small_cut) -> View:
    """The small log as that forecaster sees it, each answer worked out once; do not change it."""
    return small_model.view(small_log, small_cut)


@pytest.fixture(scope="session")
def small_result(small_view) -> ReadinessForecast:
    """Its forecast; do not change it."""
    return small_view.forecast()


@pytest.fixture(scope="session")
def with_sets():
    """Return a maker of a log like another with other sets, typed and sorted as logs are."""

    def make(log: TrainingLog, sets: pd.DataFrame) -> TrainingLog:
        sets = sets.astype(SET_COLUMNS).sort_values(["athlete", "date", "rung", "set"])
        sets = sets[list(SET_COLUMNS)].reset_index(drop=True)
        return dataclasses.replace(log, sets=sets, rows_in=len(sets) + len(log.rejected))

    return make


@pytest.fixture(scope="session")
def browser(tmp_path_factory) -> Iterator[object]:
    """A headless Chromium with a fresh profile that keeps its console and network logs."""
    if CHROMIUM is None or CHROMEDRIVER is None:
        missing = "needs chromium and chromedriver (Debian: chromium, chromium-driver)"
        if os.environ.get("BROWSER_REQUIRED"):
            pytest.fail(f"BROWSER_REQUIRED is set, and this {missing}")
        pytest.skip(missing)
    from selenium import webdriver
    from selenium.webdriver.chrome.options import Options
    from selenium.webdriver.chrome.service import Service

    options = Options()
    options.binary_location = CHROMIUM
    for argument in (
        "--headless=new", "--no-sandbox", "--disable-gpu", "--no-first-run",
        "--disable-background-networking", "--disable-component-update", "--disable-sync",
        f"--user-data-dir={tmp_path_factory.mktemp('profile')}",
    ):  # fmt: skip
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(CHROMEDRIVER))
    driver.set_script_timeout(180)  # seconds: the machine may be busy
    yield driver
    driver.quit()
