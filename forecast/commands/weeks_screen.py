"""The forecast for reading: one line of figures a rung, and below it the reasons."""

from __future__ import annotations

from enum import StrEnum

import pandas as pd
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from forecast.commands.common import CAUTION
from forecast.log import TrainingLog
from forecast.readiness import ReadinessForecast

MARKS = (4, 8, 12, 26)
UNITS = {"seconds": "s", "reps": "reps", "kg": "kg", "cm": "cm"}
COLUMNS = (
    ("Athlete", 11), ("Rung", 20), ("Stands at", 12), ("4 wk", 4), ("8 wk", 4), ("12 wk", 5),
    ("26 wk", 5), ("Weeks", 12), ("Date", 26), ("Record", 6),
)  # fmt: skip
"""Headings and widths in characters."""

SHORT = ("gain", "attendance", "away", "clean", "run")
"""Reasons told unless more are asked for; the level stands in the line above them."""


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
    console.print(
        f"{name}: {len(summary)} open rungs of {summary['athlete'].nunique()} athletes, as of "
        f"{result.as_of.date()}",
        style="bold",
    )
    console.print(
        f"From {len(log.sets)} sets ({len(log.rejected)} of {log.rows_in} rows set aside: see "
        "'check'). Chances of clearing in %.\n"
    )
    if summary.empty:
        console.print("Nobody has an open rung at this date.\n")
    else:
        console.print(_line([Text(title, "bold") for title, _ in COLUMNS]))
    units = {rung.key: UNITS[rung.criterion.measure] for rung in log.ladder.rungs}
    told = dict(list(result.reasons.groupby(["athlete", "rung"])))
    before = None
    for row in summary.to_dict("records"):
        console.print(_line(_cells(row, units, result, row["athlete"] != before)))
        console.print(Padding(_why(row, told.get((row["athlete"], row["rung"])), reasons), _INDENT))
        before = row["athlete"]
    console.print(_legend(result.horizon_weeks))
    console.print(CAUTION)


_INDENT = (0, 0, 1, 12)


def _line(cells: list[Text]) -> Table:
    """Return one row of cells in the common widths; a table of its own, so reasons fit below."""
    line = Table.grid(padding=(0, 1, 0, 0))
    for (title, width), _ in zip(COLUMNS, cells, strict=True):
        line.add_column(width=width, justify="right" if title.endswith("wk") else "left")
    line.add_row(*cells)
    return line


def _cells(row: dict, units: dict[str, str], result: ReadinessForecast, named: bool) -> list[Text]:
    last = result.as_of + pd.Timedelta(weeks=result.horizon_weeks)
    weeks = [_week(row[f"weeks_{point}"], result.horizon_weeks) for point in _POINTS]
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


def _why(row: dict, told: pd.DataFrame | None, reasons: Reasons) -> Text:
    """Warnings first, then the reasons asked for."""
    text = Text()
    if row["warnings"]:
        text.append(f"Note: {row['warnings']}. ", "bold yellow")
    if told is None or reasons is Reasons.none:
        return text
    if reasons is Reasons.short and row["sessions"] > 0:
        told = told[told["what"].isin(SHORT)]
    said = "; ".join(told["text"])
    return text.append(f"{said[:1].upper()}{said[1:]}." if said else "")


def _legend(horizon: int) -> str:
    return (
        "Stands at: what a usual day shows, and the pass mark. 4 wk ... 26 wk: chance in % that "
        "the rung is cleared by then if training goes on as lately. Weeks and Date: the median, "
        f"and below it the 80 % range (> {horizon}: beyond the weeks looked at). Record: how much "
        "there is to go by.\n"
    )
