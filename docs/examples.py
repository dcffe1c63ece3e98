"""Writes examples into the built site: pages of the demo club, and the notebooks as they ran."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
NAMES = ("coach", "analyst", "athlete", "method")


def on_post_build(config: Any) -> None:
    """Run by mkdocs once the site is built; takes some minutes, most of them for backtests."""
    import nbformat
    from nbclient import NotebookClient
    from nbconvert import HTMLExporter

    from forecast import open_club
    from forecast.report import write_report

    out = Path(config["site_dir"]) / "example"
    (out / "pages").mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as made:
        home = Path(made)
        shutil.copytree(ROOT / "data_demo", home / "data_demo")
        (home / "notebooks").mkdir()
        opened = open_club(home / "data_demo")
        write_report(opened.view, out=out / "pages", club=opened.club.name)
        for name in NAMES:
            notebook = nbformat.read(ROOT / "notebooks" / f"{name}.ipynb", as_version=4)
            place = {"metadata": {"path": str(home / "notebooks")}}
            NotebookClient(notebook, timeout=1200, resources=place).execute()
            exporter = HTMLExporter(mathjax_url="", require_js_url="")  # no network
            page, _ = exporter.from_notebook_node(notebook)
            (out / f"{name}.html").write_text(page, encoding="utf-8")
