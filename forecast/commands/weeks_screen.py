"""The forecast for reading: one line of figures a rung, and below it the reasons."""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum

import pandas as pd
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from forecast.commands.common import CAUTION
from forecast.log import TrainingLog, counted
from forecast.readiness import ReadinessForecast

MARKS = (4, 8, 12, 26)
UNITS = {"seconds": "s", "reps": "reps", "kg": "kg", "cm": "cm"}
COLUMNS = (
    ("Athlete", 11), ("Rung", 20), ("Stands at", 12), ("4 wk", 4), ("8 wk", 4), ("12 wk", 5),
    ("26 wk", 5), ("Weeks", 12), ("Date", 26), ("Record", 6),
)  # fmt: skip
"""Headings and widths in characters."""

SHORT = ("gain", "attendance", "break", "away", "clean", "run")
"""Reasons told unless more are asked for; the level stands in the line above them."""


LOOK_AT = ("flat", "slipping", "paused")
"""States worth a note."""


class Reasons(StrEnum):
    """How much to say on the why."""

    none = "none"
    short = "short"
    full = "full"


def show(
    console: Console, name: str, log: TrainingLog, result: ReadinessForecast, reasons: Reasons
) -> None:
    """Print the forecast, its reasons, what the figures mean, and the caution."""
    summary = result.summary
    heading(console, name, counted(len(summary), "open rung"), summary, result.as_of)
    console.print(
        f"From {len(log.sets)} sets ({len(log.rejected)} of {log.rows_in} rows set aside: see "
        "'check'). Chances of clearing in %.\n"
    )
    told = dict(list(result.reasons.groupby(["athlete", "rung"])))

    def why(row: dict) -> Text:
        return _why(row, told.get((row["athlete"], row["rung"])), reasons)

    lines(console, log, summary, result.as_of, result.horizon_weeks, why)
    console.print(legend(result.horizon_weeks))
    console.print(CAUTION)


def heading(
    console: Console, name: str, what: str, summary: pd.DataFrame, as_of: pd.Timestamp
) -> None:
    """Print whose figures these are, and of which day."""
    people = summary["athlete"].nunique()
    console.print(
        f"{name}: {what} of {counted(people, 'athlete')}, as of {as_of.date()}", style="bold"
    )


def lines(
    console: Console,
    log: TrainingLog,
    summary: pd.DataFrame,
    as_of: pd.Timestamp,
    horizon: int,
    why: Callable[[dict], Text],
) -> None:
    """Print a line of figures for each row of a summary, and below it what ``why`` says."""
    if summary.empty:
        console.print("Nobody has an open rung at this date.\n")
        return
    console.print(_line([Text(title, "bold") for title, _ in COLUMNS]))
    units = {rung.key: UNITS[rung.criterion.measure] for rung in log.ladder.rungs}
    before = None
    for row in summary.to_dict("records"):
        console.print(_line(_cells(row, units, as_of, horizon, row["athlete"] != before)))
        console.print(Padding(why(row), _INDENT))
        before = row["athlete"]


_INDENT = (0, 0, 1, 12)


def _line(cells: list[Text]) -> Table:
    """Return one row of cells in the common widths; a table of its own, so reasons fit below."""
    line = Table.grid(padding=(0, 1, 0, 0))
    for (title, width), _ in zip(COLUMNS, cells, strict=True):
        line.add_column(width=width, justify="right" if title.endswith("wk") else "left")
    line.add_row(*cells)
    return line


def _cells(
    row: dict, units: dict[str, str], as_of: pd.Timestamp, horizon: int, named: bool
) -> list[Text]:
    last = as_of + pd.Timedelta(weeks=horizon)
    weeks = [_week(row[f"weeks_{point}"], horizon) for point in _POINTS]
    dates = [_date(row[f"date_{point}"], last) for point in _POINTS]
    return [
        Text(row["athlete"] if named else "", "bold"),
        Text(row["rung_name"]),
        Text(f"{row['level_value']:.1f} / {row['target']:g} {units[row['rung']]}"),
        *(Text(percent(row[f"p_{week}"])) for week in MARKS),
        Text(_range(*weeks)),
        Text(_range(*dates)),
        Text(row["confidence"]),
    ]


_POINTS = ("low", "mid", "high")


def _range(low: str, mid: str, high: str) -> str:
    """Median above, range below; one line where all lies past the horizon."""
    return mid if low == high else f"{mid}\n{low} to {high}"


def _week(week: float, horizon: int) -> str:
    return f"> {horizon}" if pd.isna(week) else f"{week:.1f}" if week < 10 else f"{week:.0f}"


def _date(date: pd.Timestamp, last: pd.Timestamp) -> str:
    return f"> {last.date()}" if pd.isna(date) else str(date.date())


def percent(chance: float) -> str:
    """Return a chance in whole per cent, never a flat 0 or 100."""
    if pd.isna(chance):
        return "-"
    return "<1" if chance < 0.01 else ">99" if chance > 0.99 else f"{100 * chance:.0f}"


def notes(row: dict) -> str:
    """Return what needs a look: the state where it is not just climbing, and the warnings."""
    state = row["state"] if row["state"] in LOOK_AT else ""
    return "; ".join(part for part in (state, row["warnings"]) if part)


def _why(row: dict, told: pd.DataFrame | None, reasons: Reasons) -> Text:
    """Warnings first, then the reasons asked for."""
    text = Text()
    if said := notes(row):
        text.append(f"Note: {said}. ", "bold yellow")
    if told is None or reasons is Reasons.none:
        return text
    if reasons is Reasons.short and row["sessions"] > 0:
        told = told[told["what"].isin(SHORT)]
    said = "; ".join(told["text"])
    return text.append(f"{said[:1].upper()}{said[1:]}." if said else "")


def legend(horizon: int) -> str:
    """Return what the columns mean."""
    return (
        "Stands at: what a usual day shows, and the pass mark. 4 wk ... 26 wk: chance in % that "
        "the rung is cleared by then if training goes on as lately. Weeks and Date: the median, "
        f"and below it the 80 % range (> {horizon}: beyond the weeks looked at). Record: how much "
        "there is to go by.\n"
    )
