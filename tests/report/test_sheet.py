"""The coach's sheet on paper: thirty athletes of a made-up table on one page, A4 and Letter."""

from __future__ import annotations

import shutil
import subprocess
import unicodedata
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from forecast.report.advice import COACH_CAUTION
from markupsafe import Markup
from pypdf import PdfReader

from forecast.charts import small_line
from forecast.report.coach import NOBODY_WAITS, Client, RungRow
from forecast.report.page import render

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
AS_OF = pd.Timestamp("2026-06-01")
PEOPLE = 30
STATES = {
    "pain": "Pain: stop and refer",
    "slipping": "Slipping since mid-April; longer but less clean; form breaks",
    "flat": "Flat since early March; comes less than usual",
    "climbing": "Climbing",
    "unclear": "Unclear; not started",
    "away": "Away 7 weeks; worth a call",
}
ANSWER = (
    "5 rungs on hold for pain, 5 slipping, 5 flat, 5 climbing, 5 unclear and 5 away.",
    "Nobody is likely to clear this week; soonest is Athlete Nr. 4 \u00b7 Frog stand with a long "
    "name, about 3 in 10 within 4 weeks.",
)


def drawing(seed: int) -> Markup:
    rng = np.random.default_rng(seed)
    days = AS_OF + pd.to_timedelta(np.arange(-24, 1) * 7, unit="D")
    mid = np.maximum.accumulate(6.0 + rng.normal(0.1, 0.4, len(days)).cumsum())
    level = pd.DataFrame({"date": days, "low": mid - 1, "mid": mid, "high": mid + 1})
    fan = level.tail(20).assign(date=AS_OF + pd.to_timedelta(np.arange(20) * 7, unit="D"))
    return Markup(small_line(level, fan, 10.0, AS_OF))


def person(place: int) -> Client:
    mark = list(STATES)[place * len(STATES) // PEOPLE]
    held, name = mark == "pain", f"Athlete Nr. {place}"
    row = RungRow(
        who=f"{name} \u00b7 Tuck lever",
        athlete=name,
        rung="Frog stand with a long name",
        mark=mark,
        state=STATES[mark],
        stands="6.5\u00a0s of 10\u00a0s",
        weeks="on hold" if held else "14 to more than 52 weeks",
        date="on hold" if held else "mid-August",
        half="half by mid-August",
        chances=() if held else (("within 4 weeks", "7 %"),),
        record="fair",
        why="Said in full.",
        reasons=("A reason.",),
        held=held,
        tie="",
        alt="A picture.",
        drawn=True,
        small=drawing(place),
    )
    return Client(name, f"client-{place}", "", (row, row))


def sheet(paper: str) -> str:
    page = render(
        "coach.html.j2",
        title="Sheet",
        figures=(),
        data=SimpleNamespace(club="Invented club", as_of=AS_OF, changes=None),
        answer=ANSWER,
        changed="Since 25 May: 2 pain, 1 flat, 3 cleared.",
        clients=[person(place) for place in range(PEOPLE)],
        rungs="60 open rungs",
        people=f"{PEOPLE} athletes",
        nobody_waits=NOBODY_WAITS,
        retests=[("Athlete Nr. 2", "Frog stand")],
        account="100 sets. 60 spells of one athlete on one rung: 60 open.",
        how="",
        caution=COACH_CAUTION,
    )
    return page.replace("</style>", f"@page {{ size: {paper}; }}</style>", 1)


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_thirty_athletes_and_the_cautions_print_on_one_page(tmp_path, paper):
    if CHROMIUM is None:
        pytest.skip("needs chromium (Debian: chromium)")
    page, printed = tmp_path / "sheet.html", tmp_path / "sheet.pdf"
    page.write_text(sheet(paper), encoding="utf-8")
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
        assert f"Athlete Nr. {place} Frog stand" in sheets[0]
    assert COACH_CAUTION[-1] in sheets[0]
    assert "One athlete at a time" not in sheets[0]
    assert "due for a re-test" in sheets[1]
