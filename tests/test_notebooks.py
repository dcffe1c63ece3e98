"""Every notebook runs from top to bottom, holds no logic, and is stored without outputs."""

from __future__ import annotations

import ast
import json
import shutil
import socket
import subprocess
import sys
import time
from contextlib import suppress
from functools import cache
from pathlib import Path

import nbformat
import pytest
from few_athletes import few_athletes
from nbclient import NotebookClient
from selenium.common.exceptions import WebDriverException
from slow import day_and_night
from tiny_clubs import CLUBS, as_csv

FOLDER = Path(__file__).parents[1] / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))
DEFINITIONS = (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef, ast.Lambda)
ATHLETES = (
    b"orvin",
    b"bexa",
    b"Bexa",
    b"assen",
    b"osken",
    b"andri",
    b"arlo",
    b"erys",
    b"sabel",
    b"Sabel",
)
"""Enough of the demo club for every cell to have something to show."""
DRAWN = 'id="chart-'
"""Beginning of a chart's place in an output."""
BRANCHES = (ast.If, ast.For, ast.While, ast.Try)


@pytest.fixture(params=NOTEBOOKS, ids=lambda path: path.stem)
def path(request) -> Path:
    return request.param


@pytest.fixture
def notebook(path):
    return nbformat.read(path, as_version=4)


def code_of(notebook) -> list[str]:
    return [cell.source for cell in notebook.cells if cell.cell_type == "code"]


def test_the_four_notebooks_are_there():
    assert [path.stem for path in NOTEBOOKS] == ["analyst", "athlete", "coach", "method"]


def test_one_title_at_the_top(notebook):
    lines = [
        line
        for cell in notebook.cells
        if cell.cell_type == "markdown"
        for line in cell.source.splitlines()
    ]
    assert [line for line in lines if line.startswith("# ")] == [lines[0]]


def test_stored_without_outputs(notebook):
    for cell in notebook.cells:
        assert cell.get("outputs", []) == []
        assert cell.get("execution_count") is None


def test_defines_and_decides_nothing(notebook):
    for source in code_of(notebook):
        for node in ast.walk(ast.parse(source)):
            assert not isinstance(node, DEFINITIONS + BRANCHES), source


def test_parameters_come_first(notebook):
    first = ast.parse(code_of(notebook)[0])
    assert all(isinstance(node, ast.Assign) for node in first.body)
    assert "CLUB" in {node.targets[0].id for node in first.body}


def test_names_nobody_and_styles_nothing(notebook):
    for source in code_of(notebook):
        assert ".style" not in source
        assert "forecast.commands" not in source
        for node in ast.walk(ast.parse(source)):
            if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "ATHLETE":
                assert node.value.value == ""


def few(folder: Path) -> None:
    """A few of the demo club's athletes."""
    few_athletes(folder, ATHLETES)


def whole_demo(folder: Path) -> None:
    """The demo club."""
    kept = shutil.ignore_patterns("last_*")
    shutil.copytree(FOLDER.parent / "data_demo", folder, ignore=kept)


def tiny(folder: Path, name: str) -> None:
    """Write one of the clubs of ``tiny_clubs``."""
    ladder, rows = CLUBS[name]
    folder.mkdir()
    (folder / "ladder.toml").write_text(ladder, encoding="utf-8")
    (folder / "log.csv").write_text(as_csv(rows()), encoding="utf-8")
    club = 'name = "A few"\nladder = "ladder.toml"\n[[log]]\nfile = "log.csv"\n'
    (folder / "club.toml").write_text(club, encoding="utf-8")


def one_athlete(folder: Path) -> None:
    """A club of a single athlete on a single rung."""
    tiny(folder, "one_athlete")


def three_athletes(folder: Path) -> None:
    """A club of three on two rungs, without a roster."""
    tiny(folder, "three_athletes")


LEAST_CHARTS = {
    ("coach", few): 4, ("coach", one_athlete): 4,
    ("coach", three_athletes): 4, ("coach", whole_demo): 4,
    ("athlete", few): 2, ("athlete", one_athlete): 2,
    ("athlete", three_athletes): 2, ("athlete", whole_demo): 2,
    ("analyst", few): 6, ("analyst", one_athlete): 1,
    ("analyst", three_athletes): 4, ("analyst", whole_demo): 6,
    ("method", few): 6, ("method", one_athlete): 4,
    ("method", three_athletes): 4, ("method", whole_demo): 6,
}  # fmt: skip
"""Charts drawn; in a club of a few nothing can be scored, and little compared."""
DAY = {(path.stem, few) for path in NOTEBOOKS}


@pytest.fixture(scope="session")
def home_of(tmp_path_factory):
    """Return a function: a folder to run notebooks in, beside a club where they keep one model."""

    @cache
    def make(club) -> Path:
        home = tmp_path_factory.mktemp(club.__name__)
        club(home / "data_demo")
        (home / "notebooks").mkdir()
        return home / "notebooks"

    return make


@pytest.mark.parametrize(
    ("name", "club"), day_and_night(LEAST_CHARTS, DAY), ids=lambda it: getattr(it, "__name__", it)
)
def test_runs_from_top_to_bottom(name, club, home_of):
    notebook = nbformat.read(FOLDER / f"{name}.ipynb", as_version=4)
    start, pictures = time.monotonic(), []

    def note_pictures(cell, **_) -> None:
        shown = [str(one.get("data", {}).get("text/html", "")) for one in cell.outputs]
        pictures.extend([time.monotonic() - start] * any("<svg" in t or DRAWN in t for t in shown))

    client = NotebookClient(
        notebook,
        timeout=1200,
        kernel_name="python3",
        resources={"metadata": {"path": home_of(club)}},
        on_cell_executed=note_pictures,
    )
    client.execute()
    print(f"{name} on {club.__name__}: first picture after {pictures[0]:.0f} s")
    shown = [
        output.data.get("text/html", "")
        for cell in notebook.cells
        for output in cell.get("outputs", [])
        if output.output_type == "execute_result"
    ]
    assert sum(text.count(DRAWN) for text in shown) >= LEAST_CHARTS[name, club]


# in a browser -------------------------------------------------------------------------------

RUN = """
const panel = jupyterapp.shell.currentWidget, done = (cells) => { window.ran = cells; };
window.ran = null;
panel.context.ready.then(() => panel.sessionContext.ready)
  .then(() => jupyterapp.commands.execute("notebook:run-all-cells"))
  .then(() => done(panel.content.model.sharedModel.cells.filter((c) => c.cell_type === "code")
    .map((c) => [c.execution_count, c.getOutputs().map((o) => o.output_type)])))
  .catch((error) => done(String(error)));
"""
DRAWINGS = "return document.querySelectorAll('.jp-OutputArea-output .vega-embed svg').length"
SETTINGS = {"windowingMode": "none"}
"""Every cell stands on the page, in sight or not."""


@pytest.fixture(scope="session")
def lab(home_of):
    """Address and token of a JupyterLab on a few of the demo's athletes."""
    home = home_of(few).parent
    for path in NOTEBOOKS:
        shutil.copy(path, home / "notebooks")
    kept = home / "settings" / "@jupyterlab" / "notebook-extension"
    kept.mkdir(parents=True)
    (kept / "tracker.jupyterlab-settings").write_text(json.dumps(SETTINGS), encoding="utf-8")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    server = subprocess.Popen(
        [sys.executable, "-m", "jupyterlab", "--no-browser", "--allow-root", "--ip=127.0.0.1",
         f"--port={port}", "--IdentityProvider.token=open", "--LabApp.expose_app_in_browser=True",
         "--LabApp.news_url=None", f"--LabApp.user_settings_dir={home / 'settings'}",
         f"--LabApp.workspaces_dir={home / 'workspaces'}", f"--ServerApp.root_dir={home}"],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    yield f"http://127.0.0.1:{port}/lab/tree/notebooks/{{}}.ipynb?token=open&reset"
    server.terminate()
    server.wait(timeout=60)


@pytest.mark.nightly
@pytest.mark.parametrize("name", [path.stem for path in NOTEBOOKS])
def test_in_jupyterlab_every_cell_runs_twice_and_the_console_stays_quiet(
    name, lab, browser, tmp_path
):
    from selenium.webdriver.support.ui import WebDriverWait

    size = {"width": 1280, "height": 900, "deviceScaleFactor": 1, "mobile": False}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    for _ in range(60):
        with suppress(WebDriverException):
            browser.get(lab.format(name))
            break
        time.sleep(1)
    opened = "return !!window.jupyterapp?.shell.currentWidget?.content?.model"
    WebDriverWait(browser, 120).until(lambda b: b.execute_script(opened))
    browser.get_log("browser")
    for _ in range(2):  # run again, nothing is declared twice
        browser.execute_script(RUN)
        ran = WebDriverWait(browser, 1200, 1.0)  # a call that waits itself would time out
        cells = ran.until(lambda b: b.execute_script("return window.ran"))
        assert isinstance(cells, list), cells
        assert all(count for count, _ in cells), cells
        assert "error" not in [kind for _, kinds in cells for kind in kinds]
        least = LEAST_CHARTS[name, few]
        WebDriverWait(browser, 60).until(lambda b, n=least: b.execute_script(DRAWINGS) >= n)
    picture = tmp_path / f"{name}.png"
    assert browser.save_screenshot(str(picture))
    assert picture.stat().st_size > 20_000  # an empty page is smaller
    severe = [one["message"] for one in browser.get_log("browser") if one["level"] == "SEVERE"]
    assert severe == []
