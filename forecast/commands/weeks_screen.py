"""The forecast for reading: one line a rung, most urgent first; or figures and reasons."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import pandas as pd
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from forecast.commands.common import CAUTION
from forecast.log import TrainingLog, chance_in_percent, counted
from forecast.readiness import (
    AWAY,
    FLAT,
    KEYS,
    PAIN,
    SLIPPING,
    ReadinessForecast,
    marked,
    most_urgent_first,
    with_usual,
)

if TYPE_CHECKING:
    from forecast.model import View

MARKS = (4, 8, 12, 26)
UNITS = {"seconds": "s", "reps": "reps", "kg": "kg", "cm": "cm"}
COLUMNS = (
    ("Athlete", 11), ("Rung", 20), ("Stands at", 12), ("4 wk", 4), ("8 wk", 4), ("12 wk", 5),
    ("26 wk", 5), ("Weeks", 12), ("Date", 26), ("Record", 6),
)  # fmt: skip
"""Headings and widths in characters."""

GLANCE = (
    ("Athlete", 18), ("Rung", 32), ("Stands at", 13), ("Weeks", 12), ("Half by", 12), ("State", 18),
)  # fmt: skip
LOOK_AT = ("flat", "slipping", "paused")
"""States worth a note."""
ON_HOLD = "on hold"


def states_shown(view: View, result: ReadinessForecast) -> pd.DataFrame:
    """Return the states of the open rungs, with what a usual day shows beside."""
    usual = with_usual(result.summary, view.histories, view.log.ladder)[[*KEYS, "usual"]]
    return view.plateaus().merge(usual, on=KEYS, how="left")


def show(
    console: Console,
    name: str,
    log: TrainingLog,
    states: pd.DataFrame,
    result: ReadinessForecast,
    *,
    why: bool = False,
    others: Sequence[str] = (),
) -> None:
    """Print a line an open rung, most urgent first, and the caution.

    ``states`` come from ``states_shown``, ``result`` is the forecast or the part of it that was
    asked for. With ``why``: chances and both ends of each range, and below them every reason.
    ``others`` are sentences on those without an open rung.
    """
    rows = most_urgent_first(marked(result.summary, states), states)
    rows = rows.merge(states[[*KEYS, "usual"]], on=KEYS, how="left")
    heading(console, name, counted(len(rows), "open rung"), rows, result.as_of)
    used = counted(int((log.sets["date"] < result.as_of).sum()), "set")
    console.print(
        f"From {used} ({len(log.rejected)} of {log.rows_in} rows set aside: see 'check').\n"
    )
    if why:
        told = dict(
            list(result.reasons.groupby(["athlete", "rung"])["text"].agg("; ".join).items())
        )
        lines(
            console, log, rows, result.as_of, result.horizon_weeks,
            lambda row: _why(row, told.get((row["athlete"], row["rung"]), "")),
        )  # fmt: skip
    else:
        _glance(console, log, rows, result)
    for said in others:
        console.print(said)
    if others:
        console.print()
    console.print(legend(result.horizon_weeks) if why else SHORT_LEGEND)
    console.print(CAUTION)


def _glance(
    console: Console, log: TrainingLog, rows: pd.DataFrame, result: ReadinessForecast
) -> None:
    """Print one line each; what does not fit is cut, so that it stays one."""
    if rows.empty:
        return
    units, last = units_of(log), result.as_of + pd.Timedelta(weeks=result.horizon_weeks)
    table = Table.grid(padding=(0, 1, 0, 0))
    for _, width in GLANCE:
        table.add_column(width=width, no_wrap=True, overflow="ellipsis")
    table.add_row(*(Text(title, "bold") for title, _ in GLANCE))
    for row in rows.to_dict("records"):
        held = row["mark"] == PAIN
        table.add_row(
            Text(row["athlete"], "bold"),
            row["rung_name"],
            stands_at(row, units),
            ON_HOLD if held else weeks_range(row, result.horizon_weeks),
            "" if held else _date(row["date_mid"], last),
            Text(_state(row), "bold yellow" if row["mark"] in (PAIN, SLIPPING, FLAT) else ""),
        )
    console.print(table)
    console.print()


def _state(row: dict) -> str:
    """The mark, and for how many weeks where that is the point of it."""
    weeks = {FLAT: "weeks_flat", SLIPPING: "weeks_flat", AWAY: "wait_weeks"}.get(row["mark"])
    if weeks is None or pd.isna(row[weeks]):
        return str(row["mark"])
    return f"{row['mark']}, {counted(round(row[weeks]), 'week')}"


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
        return
    console.print(_line([Text(title, "bold") for title, _ in COLUMNS]))
    units, before = units_of(log), None
    for row in summary.to_dict("records"):
        console.print(_line(_cells(row, units, as_of, horizon, row["athlete"] != before)))
        console.print(Padding(why(row), _INDENT))
        before = row["athlete"]


_INDENT = (0, 0, 1, 12)


def units_of(log: TrainingLog) -> dict[str, str]:
    """Return the unit in which each rung is written down."""
    return {rung.key: UNITS[rung.criterion.measure] for rung in log.ladder.rungs}


def stands_at(row: dict, units: dict[str, str]) -> str:
    """Return what a usual day shows, and the pass mark."""
    usual, unit = row.get("usual", row["level_value"]), units[row["rung"]]
    whole = unit == "reps"  # as a day shows them: the next is not there before it is done
    shown = "-" if pd.isna(usual) else f"{int(usual + 1e-9)}" if whole else f"{usual:.1f}"
    return f"{shown} / {row['target']:g} {unit}"


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
    held = row.get("mark") == PAIN
    return [
        Text(row["athlete"] if named else "", "bold"),
        Text(row["rung_name"]),
        Text(stands_at(row, units)),
        *(Text("-" if held else percent(row[f"p_{week}"])) for week in MARKS),
        Text(ON_HOLD if held else _range(*weeks)),
        Text("" if held else _range(*dates)),
        Text(row["confidence"]),
    ]


_POINTS = ("low", "mid", "high")


def _range(low: str, mid: str, high: str) -> str:
    """Median above, range below; one line where all lies past the horizon."""
    return mid if low == high else f"{mid}\n{low} to {high}"


def weeks_range(row: dict, horizon: int) -> str:
    """Return the 80 % range in weeks: ``6.1 to 43``, ``14 to > 52``."""
    low, high = (_week(row[f"weeks_{end}"], horizon) for end in ("low", "high"))
    return low if low == high else f"{low} to {high}"


def _week(week: float, horizon: int) -> str:
    return f"> {horizon}" if pd.isna(week) else f"{week:.1f}" if week < 10 else f"{week:.0f}"


def _date(date: pd.Timestamp, last: pd.Timestamp) -> str:
    return f"> {last.date()}" if pd.isna(date) else str(date.date())


def percent(chance: float) -> str:
    """Return a chance in whole per cent without the sign, never a flat 0 or 100."""
    return "-" if pd.isna(chance) else chance_in_percent(chance).removesuffix(" %")


def notes(row: dict) -> str:
    """Return what needs a look: the state where it is not just climbing, and the warnings."""
    state = row["state"] if row["state"] in LOOK_AT else ""
    return "; ".join(part for part in (state, row["warnings"]) if part)


def _why(row: dict, told: str) -> Text:
    """Warnings first, then the reasons."""
    text = Text(f"Note: {notes(row)}. " if notes(row) else "", "bold yellow")
    return text.append(f"{told[:1].upper()}{told[1:]}." if told else "", "not bold default")


SHORT_LEGEND = (
    "Most urgent first. Stands at: what a usual day shows, and the pass mark. Weeks: the 80 % "
    "range if training goes on as lately, of those away if they come back as others have; half "
    "clear it by the date. --why tells chances and reasons.\n"
)


def legend(horizon: int) -> str:
    """Return what the columns mean."""
    return (
        "Stands at: what a usual day shows, and the pass mark. 4 wk ... 26 wk: chance in % that "
        "the rung is cleared by then if training goes on as lately. Weeks and Date: the median, "
        f"and below it the 80 % range (> {horizon}: beyond the weeks looked at). Record: how much "
        "there is to go by.\n"
    )
