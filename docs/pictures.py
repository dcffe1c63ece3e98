"""Pictures of the demo club for README and site, each chart with the call that draws it.

``python docs/refresh.py --pictures`` makes them anew in ``docs/pictures``: charts as SVG, and pages
as PNG, as a browser shows them, which needs chromium and chromedriver.
"""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path
from textwrap import wrap
from typing import Any

DEMO = Path(__file__).resolve().parents[1] / "data_demo"
FOLDER = Path(__file__).resolve().parent / "pictures"
WIDTH, MOST_BYTES = 700, 150_000
OPEN = 'view = fc.open_club("data_demo").view'
ROW = """row = next(
    row
    for row in view.rows
    if row.state == "climbing"
    and row.seen.sessions > 20
    and row.rung.criterion.measure == "seconds"
)"""
DATA = 'data = report.gather(view, club="Quillmoor Hand Balance")'
CHARTS = {
    "forecast": ("One athlete on one rung", ROW,
                 "charts.progress(report.open_tables(view, [row]), [row])"),
    "chance": ("The chance by week", ROW, "view.forecast().plot(row.athlete)"),
    "waiting": ("Who clears next", "", "view.plot_waiting()"),
    "ladder": ("The ladder ahead of one athlete", ROW, "view.plot_ladder(row.athlete)"),
    "marks": ("The same rung at other pass marks", ROW, "view.plot_marks(row.athlete)"),
    "clearing": ("How long a rung takes", DATA, 'report.question(data, "clearing").figures[0]'),
    "waits": ("Which rung holds people up", DATA, 'report.question(data, "clearing").figures[1]'),
    "difficulty": ("Which rung is hard", DATA, 'report.question(data, "pace").figures[0]'),
    "pace": ("Who is quick", DATA, 'report.question(data, "pace").figures[1]'),
    "lapse": ("What becomes of a spell", DATA, 'report.question(data, "lapse").figures[0]'),
}  # fmt: skip
"""Name of the picture: its title, what comes before the call, and the call."""
WIDE, PHONE = (1280, 800), (375, 812)
SCREENS = {
    **dict.fromkeys(("coach", "today", "analyst", "athlete"), WIDE),
    **dict.fromkeys(("coach-phone", "analyst-phone", "athlete-phone"), PHONE),
}
"""First screens of pages, in pixels; what follows the dash names the screen."""


def gallery() -> str:
    """Return the gallery's text: each picture with the call that draws it."""
    return "\n".join(
        f"## {title}\n\n<!-- not run: docs/refresh.py makes the picture -->\n```python\n"
        + "\n".join(filter(None, (before, call)))
        + f"\n```\n\n![{title}](pictures/{name}.svg)\n"
        for name, (title, before, call) in CHARTS.items()
    )


def draw() -> list[Path]:
    """Write every picture; return the files."""
    import forecast as fc
    from forecast import charts, report

    FOLDER.mkdir(exist_ok=True)
    names: dict[str, Any] = {"fc": fc, "charts": charts, "report": report}
    exec(OPEN.replace("data_demo", str(DEMO)), names)
    paths = []
    for name, (_, before, call) in CHARTS.items():
        exec(before, names)
        paths.append(FOLDER / f"{name}.svg")
        paths[-1].write_text(svg(eval(call, names)), encoding="utf-8")
    with tempfile.TemporaryDirectory() as pages:
        written = report.write_report(names["data"].view, out=pages, club=names["data"].club)
        who = f"{names['row'].athlete}: "
        mine = next(page for page in written[2:] if who in page.read_text(encoding="utf-8"))
        sheet = Path(pages) / "today.html"
        sheet.write_text(names["report"].today(names["data"].view, club=names["data"].club).html(),
                         encoding="utf-8")  # fmt: skip
        files = {"coach": written[0], "today": sheet, "analyst": written[1], "athlete": mine}
        paths += screens(files)
    return paths


def svg(drawn: Any) -> str:
    """Return a chart, or a page's figure, as SVG: what is picked in a list shows its first."""
    import altair as alt
    import vl_convert

    if isinstance(drawn, alt.TopLevelMixin):
        spec = drawn.to_dict()
        title = spec["title"]
    else:
        spec, title = dict(drawn.spec), {"text": drawn.title, "subtitle": drawn.subtitle}
    params = [{k: v for k, v in one.items() if k != "bind"} for one in spec.pop("params", [])]
    spec |= {
        "width": WIDTH,
        "params": params,
        "title": {**title, "subtitle": wrap(title["subtitle"], 105)},
    }
    version = ".".join(alt.SCHEMA_VERSION.removeprefix("v").split(".")[:2])
    return str(vl_convert.vegalite_to_svg(spec, vl_version=version))


def screens(files: dict[str, Path]) -> list[Path]:
    """Write the first screen of pages, given by reader."""
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service
    from selenium.webdriver.support.ui import WebDriverWait

    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium") or shutil.which("chromium-browser") or ""
    driver = Service(shutil.which("chromedriver"))
    for argument in ("--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars"):
        options.add_argument(argument)
    paths = []
    with webdriver.Chrome(options=options, service=driver) as browser:
        for name, (width, height) in SCREENS.items():
            size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 500}
            browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
            browser.get(files[name.partition("-")[0]].as_uri())
            drawn = (
                "return !document.querySelector('[data-draw]') ||"
                " document.documentElement.dataset.drawn !== undefined"
            )
            WebDriverWait(browser, 120).until(lambda b, drawn=drawn: b.execute_script(drawn))
            paths.append(FOLDER / f"{name}.png")
            browser.save_screenshot(str(paths[-1]))
    return paths
