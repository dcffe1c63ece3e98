"""Every notebook runs from top to bottom, holds no logic, and is stored without outputs."""

from __future__ import annotations

import ast
import os
import shutil
from pathlib import Path

import nbformat
import pytest
from few_athletes import few_athletes
from nbclient import NotebookClient

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
"""Enough of the demo club for every cell to have something to show, the one they name included."""
BRANCHES = (ast.If, ast.For, ast.While, ast.Try)


@pytest.fixture(params=NOTEBOOKS, ids=lambda path: path.stem)
def path(request) -> Path:
    return request.param


@pytest.fixture
def notebook(path):
    return nbformat.read(path, as_version=4)


def code_of(notebook) -> list[str]:
    return [cell.source for cell in notebook.cells if cell.cell_type == "code"]


def ends_in_a_chart(source: str) -> bool:
    last = ast.parse(source).body[-1]
    called = (
        ast.unparse(last.value.func) if isinstance(getattr(last, "value", None), ast.Call) else ""
    )
    return called.startswith("charts.") and called != "charts.in_notebook"


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


@pytest.fixture(scope="session")
def beside_a_club(tmp_path_factory) -> Path:
    """A folder to run notebooks in, beside a demo club where they keep one model.

    It has a few of the athletes; all of them where the environment says so, as the gate's does.
    """
    home = tmp_path_factory.mktemp("notebooks_run")
    if os.environ.get("NOTEBOOKS_ON") == "all":
        kept = shutil.ignore_patterns("last_*")
        shutil.copytree(FOLDER.parent / "data_demo", home / "data_demo", ignore=kept)
    else:
        few_athletes(home / "data_demo", ATHLETES)
    (home / "notebooks").mkdir()
    return home / "notebooks"


def test_runs_from_top_to_bottom(notebook, beside_a_club):
    client = NotebookClient(
        notebook,
        timeout=1200,
        kernel_name="python3",
        resources={"metadata": {"path": beside_a_club}},
    )
    client.execute()
    drawn = [
        output.data.get("text/html", "")
        for cell in notebook.cells
        for output in cell.get("outputs", [])
        if output.output_type == "execute_result"
    ]
    charts = sum(ends_in_a_chart(source) for source in code_of(notebook))
    assert charts >= 2
    assert sum('id="chart-' in text for text in drawn) == charts
