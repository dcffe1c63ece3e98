"""Every notebook runs from top to bottom, holds no logic, and is stored without outputs."""

from __future__ import annotations

import ast
import shutil
from functools import cache
from pathlib import Path

import nbformat
import pytest
from few_athletes import few_athletes
from nbclient import NotebookClient
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


def one_athlete(folder: Path) -> None:
    """A club of a single athlete on a single rung."""
    ladder, rows = CLUBS["one_athlete"]
    folder.mkdir()
    (folder / "ladder.toml").write_text(ladder, encoding="utf-8")
    (folder / "log.csv").write_text(as_csv(rows()), encoding="utf-8")
    club = 'name = "One athlete"\nladder = "ladder.toml"\n[[log]]\nfile = "log.csv"\n'
    (folder / "club.toml").write_text(club, encoding="utf-8")


LEAST_CHARTS = {
    ("coach", few): 4, ("coach", one_athlete): 4, ("coach", whole_demo): 4,
    ("athlete", few): 2, ("athlete", one_athlete): 2, ("athlete", whole_demo): 2,
    ("analyst", few): 6, ("analyst", one_athlete): 1, ("analyst", whole_demo): 6,
    ("method", few): 6, ("method", whole_demo): 6,
}  # fmt: skip
"""Charts drawn; one athlete alone can't be scored against others."""
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
    client = NotebookClient(
        notebook,
        timeout=1200,
        kernel_name="python3",
        resources={"metadata": {"path": home_of(club)}},
    )
    client.execute()
    shown = [
        output.data.get("text/html", "")
        for cell in notebook.cells
        for output in cell.get("outputs", [])
        if output.output_type == "execute_result"
    ]
    assert sum(text.count('id="chart-') for text in shown) >= LEAST_CHARTS[name, club]
