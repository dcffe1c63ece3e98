"""From the course of a simulated cohort to the tables a reader of logs would have."""

from __future__ import annotations

import numpy as np
import pandas as pd

from forecast.ladder import Ladder
from forecast.log import SET_COLUMNS, as_sets
from forecast.simulate.engine import LONG_AGO, NEVER, Course

_EPOCH = np.datetime64("1970-01-01", "ns")


def _date(day: np.ndarray, first: int) -> np.ndarray:
    """Dates of days counted from the start of the log; days that never come are NaT."""
    known = (day < NEVER) & (day > LONG_AGO // 2)
    shifted = np.where(known, first + day, 0).astype("int64").astype("timedelta64[D]")
    return np.where(known, _EPOCH + shifted.astype("timedelta64[ns]"), np.datetime64("NaT", "ns"))


def _sessions(course: Course, n_rungs: int) -> dict[str, np.ndarray]:
    records = course.records
    cells = np.concatenate([r.cell for r in records]) if records else np.empty(0, dtype=int)
    who, rung = np.divmod(cells, n_rungs)
    return {
        "day": np.repeat([r.day for r in records], [r.cell.size for r in records]).astype(int),
        "who": who,
        "rung": rung,
    }


def _joined(course: Course, name: str) -> np.ndarray:
    parts = [getattr(record, name) for record in course.records]
    return np.concatenate(parts) if parts else np.empty(0)


def level_table(course: Course, ladder: Ladder, athletes: pd.DataFrame, first: int) -> pd.DataFrame:
    """Return the latent level and gain at each session, lapse or not."""
    sessions = _sessions(course, len(ladder.rungs))
    table = pd.DataFrame(
        {
            "athlete": athletes["athlete"].to_numpy()[sessions["who"]],
            "rung": np.array(ladder.keys, dtype=object)[sessions["rung"]],
            "date": _date(sessions["day"], first),
            "level": _joined(course, "level"),
            "gain": _joined(course, "gain"),
        }
    ).astype({"athlete": "str", "rung": "str"})
    return table.sort_values(["athlete", "date", "rung"], ignore_index=True)


def truth_table(
    course: Course, ladder: Ladder, athletes: pd.DataFrame, lapse: np.ndarray, first: int
) -> pd.DataFrame:
    """Return when each rung was begun and cleared; those over before the log are left out."""
    log_from = athletes["log_from"].to_numpy()[:, None]
    last = np.where(np.isfinite(lapse), lapse, NEVER)[:, None]
    who, rung = np.nonzero((course.started < NEVER) & (course.cleared >= log_from))
    cleared = course.cleared[who, rung]
    before_lapse = np.where(cleared < last[who, 0], cleared, NEVER)
    started = course.started[who, rung]
    return pd.DataFrame(
        {
            "athlete": athletes["athlete"].to_numpy()[who],
            "rung": np.array(ladder.keys, dtype=object)[rung],
            "started": _date(started, first),
            "begun_before_log": started < log_from[who, 0],
            "cleared": _date(before_lapse, first),
            "cleared_no_lapse": _date(cleared, first),
        }
    ).astype({"athlete": "str", "rung": "str"})


def set_table(
    course: Course, ladder: Ladder, athletes: pd.DataFrame, lapse: np.ndarray, first: int
) -> pd.DataFrame:
    """Return the logged sets with the columns of ``SET_COLUMNS``, in their order."""
    sessions = _sessions(course, len(ladder.rungs))
    who, day = sessions["who"], sessions["day"]
    logged = (day >= athletes["log_from"].to_numpy()[who]) & (day < lapse[who])
    drawn = [record.sets for record in course.records]

    def stack(name: str) -> np.ndarray:
        return np.concatenate([getattr(sets, name) for sets in drawn])

    if not drawn:
        return pd.DataFrame({name: [] for name in SET_COLUMNS}).astype(SET_COLUMNS)
    row, place = np.nonzero(stack("done") & logged[:, None])
    band = stack("band")[row, place]
    effort, pain = _feelings(course, athletes, who, row, place)
    table = pd.DataFrame(
        {
            "athlete": athletes["athlete"].to_numpy()[who[row]],
            "date": _date(day[row], first),
            "rung": np.array(ladder.keys, dtype=object)[sessions["rung"][row]],
            "set": place + 1,
            "value": stack("value")[row, place],
            "clean": stack("clean")[row, place],
            "assisted": band,
            "assist": np.where(band, "band", "none"),
            "load_kg": stack("load")[row, place],
            "stopped": stack("stopped")[row, place],
            "effort": effort,
            "pain": pain,
            "file": "simulated",
            "row": 0,
        }
    )
    table = as_sets(table).sort_values(["athlete", "date", "rung", "set"], ignore_index=True)
    table["row"] = np.arange(2, len(table) + 2)
    return table


def _feelings(
    course: Course, athletes: pd.DataFrame, who: np.ndarray, row: np.ndarray, place: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Effort and pain, where they are noted; made from the session, without new chance."""
    notes = athletes["notes_effort"].to_numpy()[who[row]]
    sore = _joined(course, "sore").astype(bool)[row]
    near = np.clip(-_joined(course, "level")[row], 0.0, 1.5)
    effort = np.clip(np.floor(6.0 + 0.5 * place + 1.5 * near), 0, 10)
    pain = np.where(sore, 3.0 + (row % 3), np.where(row % 11 == 0, 1.0, 0.0))
    return np.where(notes, effort, np.nan), np.where(notes | sore, pain, np.nan)
