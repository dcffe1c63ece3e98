"""The pages as a browser shows them: drawn, quiet, offline, narrow, on paper, accessible."""

from __future__ import annotations

import base64
import io
import json

import pytest
from pypdf import PdfReader
from slow import day_and_night

from forecast.report.page import in_one_file

READERS = ("coach", "analyst", "athlete")
DESKTOP, PHONE = 1200, 375
ZONES = ("Pacific/Auckland", "America/Los_Angeles", "Europe/Berlin")
A4, LETTER = (8.27, 11.69), (8.5, 11.0)
PIXELS_AN_INCH = 96
ALL_DRAWN = "return document.documentElement.dataset.drawn !== undefined"


def file_of(pages, reader):
    return next(pages[name] for name in sorted(pages) if name.startswith(reader))


@pytest.fixture
def show(browser, pages):
    """Return a function that opens a page at a width and waits until its charts are drawn."""
    from selenium.webdriver.support.ui import WebDriverWait

    def open_page(reader: str, width: int = DESKTOP):
        browser.get_log("browser"), browser.get_log("performance")
        size = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 500}
        browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
        browser.get(file_of(pages, reader).as_uri())
        WebDriverWait(browser, 60).until(lambda b: b.execute_script(ALL_DRAWN))
        return browser

    return open_page


@pytest.mark.parametrize("reader", READERS)
def test_every_chart_is_drawn_with_marks_and_an_alternative_text(show, reader):
    charts = show(reader).execute_script(
        """return [...document.querySelectorAll("[data-draw]")].map((slot) => {
             const svg = slot.querySelector("svg");
             return {
               name: slot.dataset.draw,
               marks: svg ? svg.querySelectorAll(".mark-symbol path, .mark-line path, " +
                 ".mark-rect path, .mark-rule line, .mark-area path").length : 0,
               height: svg ? svg.viewBox.baseVal.height : 0,
               words: slot.closest("[role=img]")?.getAttribute("aria-label") ?? "",
             };
           });"""
    )
    assert charts
    for chart in charts:
        assert chart["marks"] > 0, chart
        assert chart["height"] > 50, chart
        assert len(chart["words"]) > 20, chart


@pytest.mark.parametrize("reader", READERS)
def test_console_stays_quiet(show, reader):
    assert show(reader).get_log("browser") == []


@pytest.mark.parametrize("reader", READERS)
def test_no_request_leaves_the_page(show, reader):
    sent = [
        message["params"]["request"]["url"]
        for entry in show(reader).get_log("performance")
        if (message := json.loads(entry["message"])["message"])["method"]
        == "Network.requestWillBeSent"
    ]
    assert sent
    assert [url for url in sent if not url.startswith(("file:", "data:"))] == []


def test_a_page_taken_out_of_its_folder_draws_where_it_is_whole_and_else_says_so(
    browser, pages, tmp_path
):
    from selenium.webdriver.support.ui import WebDriverWait

    page = file_of(pages, "athlete").read_text(encoding="utf-8")
    for name, text in (("whole.html", in_one_file(page)), ("linked.html", page)):
        (tmp_path / name).write_text(text, encoding="utf-8")
    not_drawn = "return getComputedStyle(document.getElementById('not-drawn')).display !== 'none'"
    browser.get((tmp_path / "whole.html").as_uri())
    WebDriverWait(browser, 60).until(lambda b: b.execute_script(ALL_DRAWN))
    assert browser.execute_script("return document.querySelectorAll('[data-draw] svg').length")
    assert not browser.execute_script(not_drawn)
    browser.get((tmp_path / "linked.html").as_uri())
    assert browser.execute_script(not_drawn)


def test_the_page_refuses_to_load_from_elsewhere(show):
    answer = show("athlete").execute_async_script(
        """const done = arguments[0];
           document.addEventListener("securitypolicyviolation", (e) => done(e.violatedDirective));
           fetch("http://127.0.0.1:9/").catch(() => setTimeout(() => done("no policy"), 2000));
        """
    )
    assert answer == "connect-src"  # nothing answers there: without a policy it would fail too


def test_a_name_is_text_and_never_code(show):
    page = show("coach")
    assert page.execute_script("return document.querySelectorAll('img').length") == 0
    assert "<img src=" in page.execute_script("return document.body.innerText")


def test_each_athletes_chart_has_that_athletes_rows_alone(show, report_data):
    drawn = show("coach").execute_script(
        """return [...document.querySelectorAll("[data-pick][data-draw]")].map((slot) =>
             [slot.dataset.pick, slot.querySelectorAll(".mark-symbol.role-mark path").length]);"""
    )
    sets = report_data.tables.sets.groupby("who").size()
    here = {row.who for row in report_data.here}
    for who, points in drawn:
        # A point a set, and one diamond more where half will have cleared within the chart.
        assert points - sets.get(who, 0) in (0, 1), who
    # A rung not begun has nothing to draw, and whoever is away for long is not charted.
    assert {who for who, _ in drawn} == set(sets.index) & here


def test_the_sheet_leads_to_an_athlete_and_back(show):
    page = show("coach")
    page.execute_script("document.querySelector('.sheet a').click()")
    unfolded = "return document.querySelectorAll('details.client[open]').length"
    assert page.execute_script(unfolded) == 1
    page.execute_script("document.querySelector('details.client[open] a').click()")
    assert page.execute_script("return location.hash") == "#sheet"


@pytest.mark.parametrize("zone", day_and_night(ZONES, ZONES[:1]))
def test_dates_are_the_same_in_every_time_zone(show, zone):
    ticks = """return [...document.querySelectorAll(".role-axis-label text")]
                 .map((text) => text.textContent);"""
    at_home = show("athlete").execute_script(ticks)
    try:
        show("athlete").execute_cdp_cmd("Emulation.setTimezoneOverride", {"timezoneId": zone})
        assert show("athlete").execute_script(ticks) == at_home
    finally:
        show("athlete").execute_cdp_cmd("Emulation.setTimezoneOverride", {"timezoneId": ""})


def test_picking_another_rung_changes_the_cohort_curve(show):
    from selenium.webdriver.common.by import By
    from selenium.webdriver.support.ui import Select, WebDriverWait

    page = show("analyst")
    read = "return document.querySelector('#chart-growth svg').outerHTML"
    before = page.execute_script(read)
    Select(page.find_element(By.ID, "pick-growth")).select_by_index(1)
    WebDriverWait(page, 20).until(lambda p: p.execute_script(read) != before)


@pytest.mark.parametrize("reader", READERS)
def test_a_phone_needs_no_sideways_scrolling(show, reader):
    page = show(reader, PHONE)
    assert page.execute_script("return document.documentElement.scrollWidth") <= PHONE
    too_wide = page.execute_script(
        """return [...document.querySelectorAll("main *")].filter((part) =>
             !part.closest("svg") && part.getBoundingClientRect().right > innerWidth + 1
             && getComputedStyle(part).clipPath === "none" && !part.closest("thead")
           ).map((part) => part.outerHTML.slice(0, 80));"""
    )
    assert too_wide == []


@pytest.mark.parametrize(
    "paper", [A4, pytest.param(LETTER, marks=pytest.mark.nightly)], ids=["A4", "Letter"]
)
@pytest.mark.parametrize("reader", READERS)
def test_paper_holds_the_whole_page(show, pages, reader, paper):
    page = show(reader)
    printed = page.execute_cdp_cmd(
        "Page.printToPDF", {"paperWidth": paper[0], "paperHeight": paper[1]}
    )
    document = PdfReader(io.BytesIO(base64.b64decode(printed["data"])))
    assert [round(float(side) / 72, 2) for side in document.pages[0].mediabox[2:]] == [
        pytest.approx(paper[0], abs=0.02),
        pytest.approx(paper[1], abs=0.02),
    ]
    text = " ".join(sheet.extract_text() for sheet in document.pages)
    heading = page.execute_script("return document.querySelector('main h2').innerText")
    assert heading.split()[0] in text
    assert all(len(sheet.extract_text().strip()) > 40 for sheet in document.pages)


@pytest.mark.parametrize("reader", READERS)
def test_nothing_is_cut_off_at_the_width_of_paper(show, reader):
    page = show(reader, round((A4[0] - 2 * 13 / 25.4) * PIXELS_AN_INCH))
    page.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    try:
        room = page.execute_script("return innerWidth")
        assert page.execute_script("return document.documentElement.scrollWidth") <= room
    finally:
        page.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})


def test_no_words_of_a_chart_are_cut_on_paper(show):
    page = show("athlete")
    page.execute_script("dispatchEvent(new Event('beforeprint'))")
    cut = page.execute_script(
        """return [...document.querySelectorAll(".pair svg")].flatMap((svg) => {
             const box = svg.getBoundingClientRect();
             return [...svg.querySelectorAll("text")].filter((text) => {
               const own = text.getBoundingClientRect();
               return own.width && (own.left < box.left - 1 || own.right > box.right + 1);
             }).map((text) => text.textContent);
           });"""
    )
    page.execute_script("dispatchEvent(new Event('afterprint'))")
    assert cut == []
    assert page.execute_script("return document.querySelectorAll('.pair svg text').length") > 20


@pytest.mark.parametrize("width", day_and_night([DESKTOP, PHONE], {DESKTOP}))
@pytest.mark.parametrize("reader", READERS)
def test_accessibility_check_finds_nothing(show, reader, width):
    from axe_core_python.selenium import Axe

    violations = Axe().run(show(reader, width))["violations"]
    found = [(v["id"], v["help"], [n["html"][:200] for n in v["nodes"][:3]]) for v in violations]
    assert found == []
