"""``demo``: the forecast for the invented club that comes with the source."""

from __future__ import annotations

from pathlib import Path

import forecast
from forecast.commands.common import say
from forecast.commands.weeks import weeks
from forecast.errors import ForecastError

FOLDER = "data_demo"


def demo() -> None:
    """Forecast the invented club that comes with the source (the same as: weeks data_demo)."""
    places = [Path(FOLDER), Path(forecast.__file__).resolve().parents[1] / FOLDER]
    for place in places:
        if (place / "club.toml").exists():
            say(f"Reading the invented club in {place}.")
            weeks([str(place)])
            return
    raise ForecastError(
        f"There is no folder {FOLDER} here: it comes with the source, not with the installed "
        "package. Run this from a clone, or run 'weeks' on your own records."
    )
