"""What if the pass mark were another: one athlete's rung in hand, asked for at several marks."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from forecast.ahead.ground import Ground
from forecast.ahead.ladder import look_up_alone, settings_of
from forecast.ahead.result import WhatIf, chances_by_day
from forecast.ahead.walk import climb_one
from forecast.errors import ForecastError, is_number
from forecast.growth import to_latent, to_ratio
from forecast.histories import running_count
from forecast.log import TrainingLog
from forecast.readiness import Fitted, LogView, as_view, time_columns
from forecast.row import AHEAD_COLUMNS, rows_table

MARK_COLUMNS = [
    "athlete", "rung", "rung_name", "target", "as_now", "met_on", "weeks_low", "weeks_mid",
    "weeks_high", "date_low", "date_mid", "date_high", "p_4", "p_8", "p_12", "p_26",
    "p_never_in_horizon",
]  # fmt: skip
WIDEST = 4.0
"""Times the present mark, or a part of it, that may be asked for: beyond, no set tells anything."""
WARNING = (
    "Only the mark is another: training, form and the athlete are taken to stay as they are, "
    "though people train toward a mark. A lower mark is cleared sooner by less ability, and "
    "what that costs on the next rung is not in these weeks. A pass mark is never a reason to "
    "hurry: tendons adapt over months, pain stops the session, and a qualified coach decides."
)


def what_if_mark(
    model: Fitted | LogView,
    log: TrainingLog | None = None,
    as_of: pd.Timestamp | str | None = None,
    athlete: str = "",
    rung: str = "",
    *,
    targets: Sequence[float],
) -> WhatIf:
    """Forecast one rung that an athlete is on at other pass marks.

    The same sessions to come are put to each mark, and the recalibration is that of the present
    one, so that a lower mark is never cleared later and the present mark reads as forecast. What
    the athlete has shown counts toward each mark as the pass rule says, sessions in a row
    included.

    Parameters
    ----------
    model, log, as_of
        As in ``ladder_ahead``.
    athlete, rung
        Whose rung, by name and key; it must be open, with a session on it.
    targets
        Marks to compare with the present one, in its unit, a quarter of it to four times.

    Returns
    -------
    WhatIf
        ``table``: one row a mark, the present one first (``as_now``), columns ``MARK_COLUMNS``;
        weeks and chances as in ``ReadinessForecast.summary``. ``met_on`` is the day on which a
        mark was cleared already, missing where it was not; its weeks are 0.

    Raises
    ------
    NotFittedError
        ``fit`` was not called.
    ForecastError
        The athlete is not on the rung, or a mark is out of range.
    HistoryError
        No set is dated before ``as_of``.
    """
    view = as_view(model, log, as_of)
    now = _open_row(view, athlete, rung)
    marks = _checked(targets, float(now["target"]))
    ground, pooled, _ = look_up_alone(view, athlete)
    settings, place = settings_of(view.model, view.model.horizon_weeks), now["rung_index"]
    base = climb_one(ground, settings, place, pooled=pooled)
    rows: list[dict[str, Any]] = []
    for mark in marks:
        there, met_on = _at_mark(ground, place, mark / now["target"])
        walked = climb_one(there, settings, place, pooled=pooled, like=base)
        cleared = walked.cleared[0, place] if met_on is None else np.zeros(settings.paths)
        times = time_columns(chances_by_day(cleared[None], settings.most_days), view.as_of)
        rows.append({**times.iloc[0], "target": mark, "as_now": False, "met_on": met_on})
    table = pd.DataFrame([{**now, "as_now": True, "met_on": None}, *rows])
    same = {name: now[name] for name in ("athlete", "rung", "rung_name")}
    table = table.assign(**same, met_on=pd.to_datetime(table["met_on"]))
    if pd.notna(now["on_hold"]):
        blank = [name for name in MARK_COLUMNS if name in AHEAD_COLUMNS]
        table = table.assign(**{name: table[name].mask(table["athlete"].notna()) for name in blank})
    return WhatIf(table[MARK_COLUMNS].reset_index(drop=True), WARNING)


def _open_row(view: LogView, athlete: str, rung: str) -> dict[str, Any]:
    """The forecast's row, with ``rung_index``; or say what the athlete is on."""
    summary = rows_table(view.rows_of("pool"))
    mine = summary[(summary["athlete"] == athlete) & (summary["sessions"] > 0)]
    row = mine[mine["rung"] == rung]
    if row.empty:
        on = ", ".join(mine["rung"]) or "no rung"
        raise ForecastError(f"{athlete!r} is not on {rung!r}; with sessions on it: {on}.")
    return {**row.iloc[0], "rung_index": view.log.ladder.position(rung)}


def _checked(targets: object, now: float) -> tuple[float, ...]:
    if isinstance(targets, Iterable) and not isinstance(targets, str | bytes):
        marks = tuple(targets)
        if marks and all(is_number(m) and now / WIDEST <= m <= now * WIDEST for m in marks):
            return tuple(float(mark) for mark in marks)
    raise ForecastError(
        f"targets = {targets!r}; give a list of one mark or more, from {now / WIDEST:g} to "
        f"{now * WIDEST:g}."
    )


def _at_mark(ground: Ground, rung: int, times: float) -> tuple[Ground, pd.Timestamp | None]:
    """The ground were the rung's mark so many ``times`` what it is, and when it was met then."""
    histories, tracked = ground.histories, ground.tracked
    row = int(ground.standing.spell[0, rung])
    criterion = histories.ladder.rungs[rung].criterion
    sessions = histories.sessions
    mine = sessions[sessions["spell"] == row].sort_values("date", kind="stable")
    meets = mine["best"] >= times * criterion.target - 1e-9
    run = running_count(mine.assign(meets=meets))
    done = mine["date"][run >= criterion.confirm_sessions]
    panel, linear = tracked.panel, ground.model.linear
    threshold, met = panel.threshold.copy(), panel.met.copy()
    place = row
    # Half a unit below is written as the mark, whatever the mark: see ``growth.pass_ratio``.
    ratio = to_ratio(threshold[place], linear) + times - 1.0
    threshold[place] = to_latent(ratio, linear)
    met[mine.index] = meets.to_numpy()
    spells = histories.spells.copy()
    spells.loc[spells.index[row], "run"] = int(run[-1])
    there = replace(
        ground,
        tracked=replace(tracked, panel=replace(panel, threshold=threshold, met=met)),
        histories=replace(histories, spells=spells),
    )
    return there, done.iloc[0] if len(done) else None
