"""Pages of a small club with awkward names, and a browser to open them in."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from awkward import HOSTILE, SLASHED

from forecast.report import write_report
from forecast.report.data import ReportData, gather

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
CHROMEDRIVER = shutil.which("chromedriver")


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
