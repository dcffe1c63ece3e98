"""The rows of the last runs, kept in a small file so that the next run can say what changed."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd

from forecast.changes.snapshot import Snapshot
from forecast.errors import ForecastError
from forecast.log import write_whole

VERSION = 2
KEPT_RUNS = 2
"""The last day's, and one before it: asked twice on one day, the answer is the same."""
DAYS = {"rungs": ["cleared_on"], "athletes": ["first_on", "last_on", "pain_on"], "days": ["date"]}


def keep(path: Path, kept: list[Snapshot], now: Snapshot) -> None:
    """Write this run beside those kept, whole or not at all; a day run again takes its place.

    A look back, at a day before the last one kept, is not kept.
    """
    if any(run.as_of > now.as_of for run in kept):
        return  # a look back
    earlier = [run for run in kept if run.as_of < now.as_of]
    runs = [*earlier[-KEPT_RUNS + 1 :], now]
    content = {"changes": VERSION, "runs": [_plain(run) for run in runs]}
    write_whole(path, (json.dumps(content, ensure_ascii=False) + "\n").encode("utf-8"))


def _plain(run: Snapshot) -> dict:
    said = {}
    for name, days in DAYS.items():
        table = getattr(run, name)
        plain = table.assign(**{day: table[day].dt.strftime("%Y-%m-%d") for day in days})
        said[name] = json.loads(plain.to_json(orient="split", index=False))
    return {"as_of": str(run.as_of.date()), **said}


def read_kept(path: Path) -> list[Snapshot]:
    """Return the runs kept in a file, oldest first; none where it is not there.

    Raises
    ------
    ForecastError
        It holds something else.
    """
    if not path.exists():
        return []
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
        if found["changes"] != VERSION:
            return []  # of an earlier version: as if this were the first run
        return [_snapshot(run) for run in found["runs"]]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise ForecastError(
            f"{path} does not hold the rows of the last run; move it away, or name another file "
            "with --kept."
        ) from error


def _snapshot(run: dict) -> Snapshot:
    tables = {
        name: pd.DataFrame(run[name]["data"], columns=run[name]["columns"]).astype(
            dict.fromkeys(days, "datetime64[ns]")
        )
        for name, days in DAYS.items()
    }
    return Snapshot(pd.Timestamp(run["as_of"]), **tables)


def last_before(kept: list[Snapshot], as_of: pd.Timestamp) -> Snapshot | None:
    """Return the last run before a day, ``None`` where there is none."""
    earlier = [run for run in kept if run.as_of < as_of]
    return earlier[-1] if earlier else None
