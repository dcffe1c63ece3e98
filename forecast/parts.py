"""A club forecast in parts: athletes shared out over workers, or a log larger than memory.

What is said of an athlete does not depend on who else is asked about, so that a forecast can be
made a part at a time, by one process or by many, here or on other machines: any backend of joblib
will do (``joblib.parallel_config``), and the result is the same to the byte.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.dataset as ds
import pyarrow.parquet as pq
from joblib import Parallel, delayed, effective_n_jobs

from forecast.errors import ForecastError
from forecast.histories import cut_day
from forecast.ladder import Ladder
from forecast.log import TrainingLog, as_day, checked_log, read_log, write_whole
from forecast.result import ReadinessForecast

BATCH = 100_000
"""Rows of a log in memory at a time while it is shared out."""


def forecast_shared_out(
    model: Any, log: TrainingLog, as_of: pd.Timestamp | str | None, engine: str, n_jobs: int | None
) -> ReadinessForecast:
    """Return ``model.forecast(log, as_of, engine=engine)``, worked out by ``n_jobs`` workers."""
    day = cut_day(checked_log(log), as_of)
    people = sorted(log.sets.loc[log.sets["date"] < day, "athlete"].unique())
    workers = min(effective_n_jobs(n_jobs), len(people))
    if workers < 2:
        return _forecast(model, log, day, engine)
    shares = np.array_split(np.array(people, dtype=object), workers)
    logs = [
        replace(log, sets=log.sets[log.sets["athlete"].isin(names)].reset_index(drop=True))
        for names in shares
    ]
    each = (delayed(_forecast)(model, share, day, engine) for share in logs)
    return joined(Parallel(n_jobs=n_jobs, max_nbytes=None)(each))


def _forecast(model: Any, log: TrainingLog, as_of: pd.Timestamp, engine: str) -> ReadinessForecast:
    answer: ReadinessForecast = model.forecast(log, as_of, engine=engine, n_jobs=1)
    return answer  # who works does not share out


def joined(parts: Sequence[ReadinessForecast]) -> ReadinessForecast:
    """Return forecasts of different athletes, in the order of their names, as one."""
    frames = [(one.summary, one.curve, one.reasons) for one in parts]
    summary, curve, reasons = (
        pd.concat([table for table in tables if len(table)] or [tables[0]], ignore_index=True)
        for tables in zip(*frames, strict=True)
    )
    rows = tuple(row for one in parts for row in one.rows)
    return replace(parts[0], summary=summary, curve=curve, reasons=reasons, rows=rows)


def share_out_log(
    source: str | Path, out: str | Path, parts: int, *, athlete: str = "athlete"
) -> list[Path]:
    """Share a Parquet log out over smaller ones, every athlete's rows in one of them.

    The log is read some rows at a time, so it may be larger than memory. Raises ``ForecastError``
    if it can't be read, or the folder can't be written to or holds such files already; nothing
    half-written is left.

    Parameters
    ----------
    source
        A Parquet file, or a folder of them.
    out
        Folder to write to; made where it is not there.
    parts
        Number of files at most: one that no athlete falls to is not written.
    athlete
        Name of the column of athletes.
    """
    if parts < 1:
        raise ForecastError(f"parts = {parts!r}; give a whole number, 1 or more.")
    try:
        log = ds.dataset(source, format="parquet")
    except (OSError, pa.ArrowException) as error:
        raise ForecastError(
            f"{source} can't be read as Parquet; give such a file, or a folder of them."
        ) from error
    if athlete not in log.schema.names:
        raise ForecastError(
            f"{source}: there is no column {athlete!r}; it has {', '.join(log.schema.names)}."
        )
    folder = Path(out)
    folder.mkdir(parents=True, exist_ok=True)
    files = [folder / f"part-{number:05d}.parquet" for number in range(parts)]
    if standing := [file for file in files if file.exists()]:
        raise ForecastError(f"{standing[0]} is there already; give another folder, or clear it.")
    unfinished = [file.with_suffix(".unfinished") for file in files]
    try:
        used = _share_out(log, athlete, unfinished)
        for number in used:
            unfinished[number].replace(files[number])
    except (OSError, pa.ArrowException) as error:
        raise ForecastError(
            f"{source} could not be shared out into {folder}: {str(error).splitlines()[0]}."
        ) from error
    finally:
        for begun in unfinished:
            begun.unlink(missing_ok=True)
    return [files[number] for number in used]


def _share_out(log: ds.Dataset, athlete: str, files: Sequence[Path]) -> list[int]:
    used: set[int] = set()
    with ExitStack() as stack:
        writers = [stack.enter_context(pq.ParquetWriter(file, log.schema)) for file in files]
        for batch in log.to_batches(batch_size=BATCH):
            names = batch.column(athlete).cast(pa.string()).fill_null("").to_numpy(False)
            # pandas' hash of a text is the same on every machine and in every run
            place = pd.util.hash_array(names, categorize=True) % len(files)
            for number in map(int, np.unique(place)):
                writers[number].write_batch(batch.filter(pa.array(place == number)))
                used.add(number)
    return sorted(used)


@dataclass(frozen=True, slots=True)
class PartDone:
    """One part forecast: its ``file``, where ``summary`` and ``curve`` stand, and ``athletes``."""

    file: Path
    summary: Path
    curve: Path
    athletes: tuple[str, ...]
    sets: int
    rejected: int


def forecast_parts(
    model: Any, files: Iterable[str | Path], ladder: Ladder, *, as_of: pd.Timestamp | str,
    out: str | Path, mapping: str | Path | None = None, n_jobs: int | None = None,
) -> list[PartDone]:  # fmt: skip
    """Forecast a log that comes in parts with one fitted forecaster, a part at a time.

    A worker holds one part in memory. ``NAME.summary.parquet`` and ``NAME.curve.parquet`` are
    written for each, whole or not at all, so a part that was lost with its worker is just done
    again. Raises ``ForecastError`` if two files have one name or share an athlete.

    Parameters
    ----------
    model
        A fitted forecaster.
    files
        Log files, each athlete in one of them; ``share_out_log`` makes such.
    ladder, mapping
        As for ``read_log``.
    as_of
        Cut date of all.
    out
        Folder to write to; made where it is not there.
    n_jobs
        Workers, as joblib counts them; they must reach the files.
    """
    paths = [Path(file) for file in files]
    if not paths:
        raise ForecastError("No part is given; give one file or more.")
    name, count = Counter(path.stem for path in paths).most_common(1)[0]
    if count > 1:
        raise ForecastError(f"Two parts are called {name}; give each a name of its own.")
    day, folder = as_day(as_of, "as_of", ForecastError), Path(out)
    folder.mkdir(parents=True, exist_ok=True)
    done = Parallel(n_jobs=n_jobs)(
        delayed(_part)(model, path, ladder, day, folder, mapping) for path in paths
    )
    where: dict[str, Path] = {}
    for one in done:
        for name in one.athletes:
            if where.setdefault(name, one.file) != one.file:
                raise ForecastError(
                    f"{name} is in {where[name]} and in {one.file}; forecasts of half a record "
                    "are of no use: share the log out with share_out_log."
                )
    return list(done)


def _part(
    model: Any, file: Path, ladder: Ladder, as_of: pd.Timestamp, folder: Path,
    mapping: str | Path | None,
) -> PartDone:  # fmt: skip
    log = read_log(file, ladder, mapping=mapping)
    result = _forecast(model, log, as_of, "pool")
    summary, curve = (folder / f"{file.stem}.{name}.parquet" for name in ("summary", "curve"))
    write_whole(summary, result.summary.to_parquet())
    write_whole(curve, result.curve.to_parquet())
    people = tuple(sorted(log.sets["athlete"].unique()))
    return PartDone(file, summary, curve, people, len(log.sets), len(log.rejected))
