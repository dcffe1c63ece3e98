"""A log as the files of a club: ladder, sets and roster, read back as the same log."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pandas as pd

from forecast.ladder import Ladder, Rung
from forecast.log.club import CLUB_FILE
from forecast.log.mapping import quoted
from forecast.log.training_log import TrainingLog
from forecast.log.writing import csv_bytes

_SPARE = {"file", "row", "assisted"}
"""Columns of the sets that reading makes."""


def club_files(
    log: TrainingLog, folder: Path, as_of: pd.Timestamp | None = None, name: str = "A club"
) -> list[tuple[Path, bytes]]:
    """Return the files of a club that ``read_club`` reads as this log, for ``write_all``."""
    sets = log.sets.drop(columns=list(_SPARE))
    noted = [column for column in sets if sets[column].notna().any() and (sets[column] != "").any()]
    files = {
        "ladder.toml": _ladder_text(log.ladder).encode(),
        "sets.csv": csv_bytes(sets[noted]),
        CLUB_FILE: _club_text(log, as_of, name).encode(),
    }
    if len(log.roster):
        files["roster.csv"] = csv_bytes(log.roster.reset_index())
    return [(folder / file, content) for file, content in files.items()]


def _club_text(log: TrainingLog, as_of: pd.Timestamp | None, name: str) -> str:
    lines = [f"name = {quoted(name)}", 'ladder = "ladder.toml"']
    lines += ['roster = "roster.csv"'] if len(log.roster) else []
    lines += [f"as_of = {as_of.date()}"] if as_of is not None else []
    lines += [f"last_date = {log.sets['date'].max().date()}"] if len(log.sets) else []
    return "\n".join([*lines, "", "[[log]]", 'file = "sets.csv"', ""])


def _ladder_text(ladder: Ladder) -> str:
    lines = ["[ladder]", f"name = {quoted(ladder.name)}"]
    for rung in ladder.rungs:
        lines += ["", "[[rung]]", *_rung_lines(rung)]
    return "\n".join(lines) + "\n"


def _rung_lines(rung: Rung) -> Iterator[str]:
    criterion = rung.criterion
    parts = {
        "key": rung.key,
        "name": rung.name,
        "stage": rung.stage,
        "measure": criterion.measure,
        "target": criterion.target,
        "confirm_sessions": criterion.confirm_sessions,
        "load_kg": criterion.load_kg,
        "load_bodyweight": criterion.load_bodyweight,
        "min_weeks": rung.min_weeks,
        "fallback": rung.fallback,
        "equipment": rung.equipment,
        "form": rung.form,
        "caution": rung.caution,
    }
    for key, value in parts.items():
        if value not in (None, ""):
            yield f"{key} = {quoted(value) if isinstance(value, str) else value}"
    yield f"needs = [{', '.join(map(quoted, rung.needs))}]"
