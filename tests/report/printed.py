"""A page as Chromium prints it: the text of each sheet of paper."""

from __future__ import annotations

import os
import shutil
import subprocess
import unicodedata
from pathlib import Path

import pytest
from pypdf import PdfReader

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")


def sheets_of(page: str, folder: Path, style: str = "") -> list[str]:
    """Print the page with a style more; a list of texts, ligatures taken apart."""
    if CHROMIUM is None:
        if os.environ.get("BROWSER_REQUIRED"):
            pytest.fail("BROWSER_REQUIRED is set, and this needs chromium")
        pytest.skip("needs chromium (Debian: chromium)")
    source, printed = folder / "page.html", folder / "page.pdf"
    source.write_text(page.replace("</style>", f"{style}</style>", 1), encoding="utf-8")
    subprocess.run(
        [
            CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer",
            f"--user-data-dir={folder / 'profile'}", f"--print-to-pdf={printed}", source.as_uri(),
        ],
        check=True, capture_output=True, timeout=300,
    )  # fmt: skip
    return [
        " ".join(unicodedata.normalize("NFKC", one.extract_text()).split())
        for one in PdfReader(printed).pages
    ]
