"""A percentage is written in one way, with a space before its sign: 80 %."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

import forecast
from forecast.log import in_percent

ROOT = Path(forecast.__file__).resolve().parents[1]
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").rglob("*.md"))]
GLUED = re.compile(r"\S*\d%(?!\w)")
"""A number with the sign right behind it."""


@pytest.mark.parametrize(
    ("share", "form", "said"),
    [(0.8, ".0f", "80 %"), (0.054, "+.1f", "+5.4 %"), (1.0, ".0f", "100 %")],
)
def test_a_share_in_percent(share, form, said):
    assert in_percent(share, form) == said
    assert GLUED.findall(said) == []
    assert GLUED.findall(said.replace(" ", "")) == [said.replace(" ", "")]


@pytest.mark.parametrize("page", PAGES, ids=lambda path: path.name)
def test_no_page_of_the_guide_does(page):
    assert GLUED.findall(page.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize("path", sorted((ROOT / "notebooks").glob("*.ipynb")), ids=lambda p: p.stem)
def test_no_notebook_does(path):
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    said = "".join("".join(cell["source"]) for cell in cells)
    assert GLUED.findall(re.sub(r"\{[^}]*\}", "", said)) == []
