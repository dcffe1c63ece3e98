"""The coach's sheet on paper: thirty athletes and the cautions on one page, A4 and Letter."""

from __future__ import annotations

import shutil
import subprocess
import unicodedata
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from made_rows import AS_OF, FIXED_CLUB
from pypdf import PdfReader
from slow import day_and_night

from forecast import words
from forecast.charts import OpenTables
from forecast.report import ReportData
from forecast.report.coach import coach_page
from forecast.report.write import file_names

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
PEOPLE = 30


def club() -> ReportData:
    """The rows of the fixed club told of thirty athletes, with a level and a line ahead each."""
    here = [row for row in FIXED_CLUB if not row.is_away]
    rows = tuple(
        replace(here[n * len(here) // PEOPLE], athlete=f"Athlete Nr. {n}") for n in range(PEOPLE)
    )
    weeks = [np.arange(-24, 1), np.arange(27)]
    level, fan = (
        pd.concat(
            [
                pd.DataFrame({"who": row.who, "date": AS_OF + pd.to_timedelta(7 * w, unit="D"),
                              "low": 4.0, "mid": 5.0 + 0.05 * w, "high": 7.0})
                for row in rows
            ]
        )
        for w in weeks
    )  # fmt: skip
    sets = pd.DataFrame({name: [] for name in ("who", "date", "value", "kind", "note")})
    outcome = pd.Series(["open"] * PEOPLE, name="outcome")
    histories = SimpleNamespace(
        sets=range(100), after_clearing=[],
        spells=pd.DataFrame({"outcome": outcome, "under_way": False}),
    )  # fmt: skip
    away = FIXED_CLUB[-1]
    return ReportData(
        club="Invented club", view=SimpleNamespace(as_of=AS_OF, histories=histories),
        rows=(*rows, away), tables=OpenTables(sets, level, fan), curve=pd.DataFrame(),
        ahead=pd.DataFrame(), ahead_weeks=0, going_back={},
        retests={"Athlete Nr. 2": "Toe pulls (5 of 6 reps)"}, others={},
    )  # fmt: skip


@pytest.mark.parametrize("paper", day_and_night(["A4", "Letter"], {"A4"}))
def test_thirty_athletes_and_the_cautions_print_on_one_page(tmp_path, paper):
    if CHROMIUM is None:
        pytest.skip("needs chromium (Debian: chromium)")
    page, printed = tmp_path / "sheet.html", tmp_path / "sheet.pdf"
    data = club()
    text = coach_page(data, file_names(data.athletes, "athlete"))
    page.write_text(
        text.replace("</style>", f"@page {{ size: {paper}; }}</style>", 1), encoding="utf-8"
    )
    subprocess.run(
        [
            CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer",
            f"--user-data-dir={tmp_path / 'profile'}", f"--print-to-pdf={printed}", page.as_uri(),
        ],
        check=True, capture_output=True, timeout=300,
    )  # fmt: skip
    # Fonts set "fi" as one sign, which NFKC takes apart.
    sheets = [
        " ".join(unicodedata.normalize("NFKC", found.extract_text()).split())
        for found in PdfReader(printed).pages
    ]
    for place in range(PEOPLE):
        assert f"Athlete Nr. {place} " in sheets[0]
    assert words.pages.text("coach_caution")[-60:] in sheets[0]
    assert words.pages.away_people(data.rows)[0] in sheets[0]
    assert "last trained 34 weeks ago" not in " ".join(sheets)  # folded on paper too
    assert "One athlete at a time" not in " ".join(sheets)  # nobody was opened
    assert "due for a re-test" in " ".join(sheets)
    assert len(sheets) == 2
