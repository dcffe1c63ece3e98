"""Any table of repeated measurements as a log with one rung, to try the forecaster on.

Growth of animals, wear of parts, scores of pupils: wherever units are measured again and again
until something reaches a threshold, the forecaster can be judged on data that nobody here made.
"""

from __future__ import annotations

import pandas as pd

from forecast.errors import LogError
from forecast.ladder import Criterion, Ladder, Rung
from forecast.log.dates import LATEST
from forecast.log.days import as_day
from forecast.log.read import read_log
from forecast.log.training_log import TrainingLog

RUNG = "threshold"


def measurement_log(
    table: pd.DataFrame,
    *,
    unit: str,
    time: str,
    value: str,
    threshold: float,
    days_per_time: float,
    stagger_days: float = 0.0,
    start: str = "2024-01-01",
) -> TrainingLog:
    """Return a log in which every unit is an athlete and every measurement a session of one set.

    Parameters
    ----------
    table
        One row a measurement.
    unit, time, value
        Names of its columns; time counts from anything, in any unit.
    threshold
        Value that clears the only rung.
    days_per_time
        Days that one step of ``time`` stands for.
    stagger_days
        Days between the first measurements of one unit and the next, in the order in which units
        come in the table: 0 starts all of them together.
    start
        Date of the first unit's first measurement.

    Raises
    ------
    LogError
        A column is missing, the threshold is not above 0, or the start is not a date.
    """
    lacking = [name for name in (unit, time, value) if name not in table.columns]
    if lacking:
        raise LogError(
            f"The table has no column {', '.join(lacking)}; it has "
            f"{', '.join(map(str, table.columns))}."
        )
    if not threshold > 0:
        raise LogError(f"threshold = {threshold!r}; levels are ratios to it, so give one above 0.")
    known = table[[unit, time, value]].dropna()
    place, names = pd.factorize(known[unit])
    since = known[time] - known.groupby(unit)[time].transform("min")
    days = (since * days_per_time + place * stagger_days).round()
    rows = pd.DataFrame(
        {
            "athlete": [f"{unit} {names[i]}" for i in place],
            "date": as_day(start, "start", LogError) + pd.to_timedelta(days, unit="D"),
            "rung": RUNG,
            "value": known[value].astype(float).to_numpy(),
        }
    )
    rung = Rung(RUNG, f"{value} of {threshold:g}", "only", Criterion("cm", float(threshold)))
    ladder = Ladder(f"{value} by {unit}", (rung,))
    # days made up from a start: none of them is a slip of the pen
    return read_log(rows, ladder, mapping={"read": {"last_date": LATEST}})
