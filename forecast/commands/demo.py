"""``demo``: the forecast and the pages for the invented club that comes with the source."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

import forecast
from forecast.commands import weeks
from forecast.commands.common import print_report, progress, read_records, say, viewing
from forecast.errors import ForecastError

FOLDER = "data_demo"
PAGES = Path("build") / "pages"
"""Where the pages go; git leaves ``build/`` alone."""


def demo(
    out: Annotated[Path, typer.Option("--out", help="Folder to write the pages to.")] = PAGES,
) -> None:
    """Forecast the invented club that comes with the source, and write pages for each reader."""
    # Altair takes seconds to load; the other commands do without it.
    from forecast.report import make_folder, write_report

    place = _place()
    make_folder(out)  # a folder that can't be written to is better known before the fit
    say(f"Reading the invented club in {place}.")
    records = read_records([str(place)])
    with viewing(records, "Forecast") as view:
        result = view.forecast()
    print_report(lambda console: weeks.show(console, records, result))
    with progress("Pages") as step:
        pages = write_report(view, out=out, club=records.name, progress=step)
    typer.echo(_where(pages))


def _place() -> Path:
    """Return the club's folder, here or beside the package, or raise ``ForecastError``."""
    for place in (Path(FOLDER), Path(forecast.__file__).resolve().parents[1] / FOLDER):
        if (place / "club.toml").exists():
            return place
    raise ForecastError(
        f"There is no folder {FOLDER} here: it comes with the source, not with the installed "
        "package. Run this from a clone, or run 'weeks' on your own records."
    )


def _where(pages: list[Path]) -> str:
    """Say which page is whose; the first of the athletes' pages stands for all of them."""
    coach, analyst, *athletes = pages
    lines = ["", "Pages, to open in a browser:", f"  coach    {coach}", f"  analyst  {analyst}"]
    if athletes:
        more = f" (and {len(athletes) - 1} more beside it)" if len(athletes) > 1 else ""
        lines.append(f"  athlete  {athletes[0]}{more}")
    return "\n".join(lines)
