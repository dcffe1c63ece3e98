"""What ends spells: clearing, lapse, or being passed over, as competing events."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, field

import pandas as pd
from scipy.stats import norm

from forecast.cohort.records import (
    Records,
    Shown,
    as_histories,
    group_names,
    group_of,
    kinds_of_end,
    spell_times,
)
from forecast.errors import check_level
from forecast.log import counted
from forecast.survival import IncidenceCurves, cumulative_incidence

MIN_SPELLS = 3


@dataclass(frozen=True, slots=True)
class LapseIncidence(Shown):
    """Cumulative incidence of each way a spell can end, by group.

    Attributes
    ----------
    by
        What the groups are: ``rung`` or a roster column.
    curves
        Aalen-Johansen curves by group.
    names
        What to call each group: a rung's name, else the group itself.
    n_left_out
        Spells under way at the start of the log whose beginning is unknown.
    too_few
        Groups with fewer than three spells, or none ended.
    level
        Level of the bands.
    """

    by: str
    curves: dict[Hashable, IncidenceCurves] = field(repr=False)
    names: dict[Hashable, str] = field(repr=False)
    n_left_out: int
    too_few: tuple[Hashable, ...]
    level: float

    def frame(self) -> pd.DataFrame:
        """Return ``group, week, kind, p_ended, p_low, p_high, n_at_risk, n_events``, long."""
        z = float(norm.ppf((1 + self.level) / 2))
        columns = [
            "group", "week", "kind", "p_ended", "p_low", "p_high", "n_at_risk", "n_events",
        ]  # fmt: skip
        parts = []
        for group, curve in self.curves.items():
            part = curve.frame().rename(columns={"time": "week", "incidence": "p_ended"})
            spread = z * part["std_error"]
            part["p_low"] = (part["p_ended"] - spread).clip(lower=0.0)
            part["p_high"] = (part["p_ended"] + spread).clip(upper=1.0)
            parts.append(pd.DataFrame({"group": group, **part})[columns])
        return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)

    def by_week(self, week: float) -> pd.DataFrame:
        """Share ended by ``week`` in each group, a column a kind.

        Groups followed for a shorter time show what is known at their end, and say when that is
        in ``known_to``.
        """
        rows = {}
        for group, curve in self.curves.items():
            known = min(max(week, curve.start), curve.end)
            rows[group] = {**curve.at([known]).iloc[0].to_dict(), "known_to": known}
        return pd.DataFrame.from_dict(rows, orient="index").fillna(0.0).rename_axis("group")

    @property
    def text(self) -> str:
        """How to read the curves, in sentences."""
        if not self.curves and not self.too_few:
            return (
                f"No spell has a known beginning: {self.n_left_out} were under way when the log "
                "began."
            )
        lines = [
            f"Share of spells ended by clearing and by lapse, by {self.by}; the two compete, so "
            "the shares and the share still open add up to 1.",
            f"Left out: {counted(self.n_left_out, 'spell')} under way when the log began.",
        ]
        if self.too_few:
            lines.append(
                f"A curve takes {MIN_SPELLS} spells, one of them ended; too few for one: "
                f"{', '.join(self.names[group] for group in self.too_few)}."
            )
        if self.by != "rung":
            lines.append(
                "Bands treat spells as independent; with several spells an athlete they are "
                "somewhat too narrow."
            )
        return " ".join(lines)


def lapse_incidence(
    records: Records,
    by: str = "rung",
    *,
    as_of: pd.Timestamp | str | None = None,
    level: float = 0.9,
) -> LapseIncidence:
    """Estimate how many spells end by clearing and how many by lapse, by group and week.

    Parameters
    ----------
    records, as_of
        A log and its cut date, or histories.
    by
        ``"rung"``, ``"start_year"`` or a roster column.
    level
        Confidence level of the bands.

    Raises
    ------
    HistoryError
        The column is unknown or empty, or the log holds no usable set.
    FitError
        ``level`` is out of range.

    Notes
    -----
    Aalen & Johansen (1978), see ``survival.cumulative_incidence``. A spell ``passed_over`` (the
    athlete was moved on without clearing) is a third way to end. A lapse is dated to the last
    session on the rung.
    """
    check_level("level", level)
    histories = as_histories(records, as_of)
    times = spell_times(histories)
    table = times.table.assign(
        group=group_of(histories, by, times.table), kind=kinds_of_end(times.table)
    )
    curves: dict[Hashable, IncidenceCurves] = {}
    too_few: list[Hashable] = []
    found = {group: part for group, part in table.groupby("group", sort=True)}
    order = [k for k in histories.ladder.keys if k in found] if by == "rung" else list(found)
    for group in order:
        part = found[group]
        if len(part) < MIN_SPELLS or (part["kind"] == "open").all():
            too_few.append(group)
            continue
        since = max(float(part["entry"].min()), 0.0) or None
        curves[group] = cumulative_incidence(part["entry"], part["exit"], part["kind"], since=since)
    names = group_names(histories.ladder, by, table["group"])
    return LapseIncidence(by, curves, names, len(times.left_out), tuple(too_few), level)
