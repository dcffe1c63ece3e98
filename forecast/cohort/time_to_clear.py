"""How long a rung takes: the share of spells cleared by week, rung by rung or group by group."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from forecast.cohort.records import (
    Records,
    Shown,
    as_histories,
    group_names,
    group_of,
    spell_times,
)
from forecast.errors import FitError, check_level, check_seed
from forecast.log import counted, in_percent
from forecast.survival import SurvivalCurve, TurnbullCurve, kaplan_meier, turnbull

MIN_SPELLS = 3
BOOTSTRAP = 200


@dataclass(frozen=True, slots=True)
class TimeToClear(Shown):
    """Curves of the share cleared, a group each.

    Attributes
    ----------
    by
        What the groups are: ``rung`` or a roster column.
    curves
        Kaplan-Meier curve of weeks to clearing by group, clearing dated to its session.
    between
        Turnbull's curve by group: clearing anywhere between the session before and the clearing
        one.
    bands
        By group: ``week, low, high`` of the share cleared.
    names
        What to call each group: a rung's name, else the group itself.
    spells
        Spells behind the curves: the table of ``SpellTimes`` with their ``group``.
    groups
        One row a group: ``group, n_spells, n_cleared, n_lapsed, entered_late, median_weeks,
        median_low, median_high``; a median past what was seen is infinite.
    left_out
        Spells under way when the log began whose beginning is unknown, a row each.
    too_few
        Groups with fewer than three spells, or none cleared: no curve was drawn for them.
    level
        Level of the bands.
    """

    by: str
    curves: dict[Hashable, SurvivalCurve] = field(repr=False)
    between: dict[Hashable, TurnbullCurve] = field(repr=False)
    bands: dict[Hashable, pd.DataFrame] = field(repr=False)
    names: dict[Hashable, str] = field(repr=False)
    spells: pd.DataFrame = field(repr=False)
    groups: pd.DataFrame
    left_out: pd.DataFrame = field(repr=False)
    too_few: tuple[Hashable, ...]
    level: float

    def frame(self) -> pd.DataFrame:
        """Return the curves as one long table, a row a week in which somebody cleared."""
        parts = [self._rows(group, curve) for group, curve in self.curves.items()]
        columns = [
            "group", "week", "p_cleared", "p_low", "p_high", "n_at_risk", "n_cleared",
        ]  # fmt: skip
        if not parts:
            return pd.DataFrame(columns=columns)
        return pd.concat(parts, ignore_index=True)[columns]

    def _rows(self, group: Hashable, curve: SurvivalCurve) -> pd.DataFrame:
        band = self.bands[group]
        return pd.DataFrame(
            {
                "group": group,
                "week": curve.time,
                "p_cleared": 1 - curve.survival,
                "p_low": band["low"].to_numpy(),
                "p_high": band["high"].to_numpy(),
                "n_at_risk": curve.n_at_risk.astype(int),
                "n_cleared": curve.n_events.astype(int),
            }
        )

    def still_watched(self, weeks: ArrayLike) -> pd.DataFrame:
        """Return ``group, week, n_at_risk``: spells of each curve watched at these weeks.

        A spell is watched from when the log saw it to its end, both as on the curve.
        """
        weeks, parts = np.asarray(weeks, dtype=float), []
        for group in self.curves:
            spells = self.spells[self.spells["group"] == group]
            entry, leave = (spells[c].to_numpy(dtype=float)[:, None] for c in ("entry", "exit"))
            watched = (entry < weeks) & (leave >= weeks)
            parts.append(
                pd.DataFrame({"group": group, "week": weeks, "n_at_risk": watched.sum(axis=0)})
            )
        columns = ["group", "week", "n_at_risk"]
        return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)

    @property
    def text(self) -> str:
        """What the curves are made of and how to read them, in sentences."""
        lines = [
            f"Weeks to clearing by {self.by}: "
            f"{counted(int(self.groups['n_spells'].sum()), 'spell')}, "
            f"{int(self.groups['n_cleared'].sum())} cleared."
        ]
        lines.append(
            f"Left out: {counted(len(self.left_out), 'spell')} already under way when the log "
            "began, nobody knows since when (a roster column 'on_rung_since' would let them in); "
            f"{int(self.groups['entered_late'].sum())} entered late with a known beginning."
        )
        if self.too_few:
            lines.append(
                f"A curve takes {MIN_SPELLS} spells, one of them cleared; too few for one: "
                f"{', '.join(self.names[group] for group in self.too_few)}."
            )
        if not self.curves:
            return " ".join(lines)
        lines.append(
            "The curves say how soon a rung is cleared by those who keep training: spells that "
            "lapsed count as unfinished; how many lapse is told apart from this. "
            f"Bands hold {in_percent(self.level)} point by point, not for the whole curve at once."
        )
        return " ".join(lines)


def time_to_clear(
    records: Records,
    by: str = "rung",
    *,
    as_of: pd.Timestamp | str | None = None,
    level: float = 0.9,
    seed: int = 0,
) -> TimeToClear:
    """Estimate the share of spells cleared by week, for each rung or group.

    Parameters
    ----------
    records
        A log, or histories made from one.
    by
        ``"rung"``, ``"start_year"`` (of the athlete's first set) or a roster column.
    as_of
        Cut date for a log; the day after the last set where left out.
    level
        Confidence level of the bands, between 0 and 1.
    seed
        Of the resampled bands, where an athlete has several spells in a group.

    Returns
    -------
    TimeToClear
        Groups in ladder order for rungs, else sorted.

    Raises
    ------
    HistoryError
        The column is unknown or empty, or the log holds no usable set before ``as_of``.
    FitError
        No spell can be used, or ``level`` is out of range.

    Notes
    -----
    Kaplan-Meier with late entry (a spell counts as at risk only from when the log saw it);
    Turnbull (1976) for clearing known only to lie between two sessions. Bands: log-log where an
    athlete gives one spell to a group; where athletes give several, quantiles over 200 resamples
    of athletes, because spells of one athlete are alike. Assumes that those who lapsed would have
    gone on like the others.
    """
    check_level("level", level)
    check_seed(seed)
    histories = as_histories(records, as_of)
    times = spell_times(histories)
    if times.table.empty:
        raise FitError(
            f"All {len(times.left_out)} spells were under way when the log began, so none has a "
            "known beginning; add a roster column 'on_rung_since'."
        )
    table = times.table.assign(group=group_of(histories, by, times.table))
    rng = np.random.default_rng(seed)
    curves, between, bands, too_few = {}, {}, {}, []
    rows = []
    for group, part in _in_order(table, by, histories.ladder.keys):
        curve = clearing_curve(part)
        if curve is None:
            too_few.append(group)
            rows.append(_counts(group, part, None, level))
            continue
        curves[group] = curve
        between[group] = turnbull(part["lower"], part["upper"], entry=part["entry"])
        bands[group] = _band(part, curves[group], level, rng)
        rows.append(_counts(group, part, curves[group], level))
    return TimeToClear(
        by=by,
        curves=curves,
        between=between,
        bands=bands,
        names=group_names(histories.ladder, by, table["group"]),
        spells=table,
        groups=pd.DataFrame(rows),
        left_out=times.left_out.sort_values(["athlete", "rung"], ignore_index=True),
        too_few=tuple(too_few),
        level=level,
    )


def _in_order(
    table: pd.DataFrame, by: str, keys: tuple[str, ...]
) -> list[tuple[Hashable, pd.DataFrame]]:
    """Groups in ladder order for rungs, sorted otherwise."""
    found = {group: part for group, part in table.groupby("group", sort=True)}
    if by == "rung":
        return [(key, found[key]) for key in keys if key in found]
    return list(found.items())


def clearing_curve(part: pd.DataFrame) -> SurvivalCurve | None:
    """Kaplan-Meier of a group's spells, from the table of ``SpellTimes``.

    Conditional on a later start where nobody was watched from the beginning; ``None`` with fewer
    than three spells, or none cleared.
    """
    if len(part) < MIN_SPELLS or not part["cleared"].any():
        return None
    since = max(float(part["entry"].min()), 0.0) or None
    return kaplan_meier(part["entry"], part["exit"], part["cleared"], since=since)


def _band(
    part: pd.DataFrame, curve: SurvivalCurve, level: float, rng: np.random.Generator
) -> pd.DataFrame:
    """Pointwise limits of the share cleared: log-log, or resampled athletes where they repeat."""
    if not part["athlete_id"].duplicated().any():
        band = curve.band(level)
        return pd.DataFrame(
            {"week": band["time"], "low": 1 - band["high"], "high": 1 - band["low"]}
        )
    draws = _resampled(part, curve.time, rng)
    low, high = np.quantile(draws, [(1 - level) / 2, (1 + level) / 2], axis=0)
    return pd.DataFrame({"week": curve.time, "low": low, "high": high})


def _resampled(part: pd.DataFrame, weeks: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Share cleared by ``weeks`` when athletes are drawn again with replacement, (B, m)."""
    people, who = np.unique(part["athlete_id"], return_inverse=True)
    entry, leave, cleared = (part[c].to_numpy(dtype=float) for c in ("entry", "exit", "cleared"))
    at_risk = (entry[:, None] < weeks) & (leave[:, None] >= weeks)
    ended = (leave[:, None] == weeks) & (cleared[:, None] > 0)
    times = np.stack(
        [np.bincount(rng.integers(0, len(people), len(people)), minlength=len(people))[who]
         for _ in range(BOOTSTRAP)]
    ).astype(float)  # fmt: skip
    n, d = times @ at_risk, times @ ended
    hazard = np.divide(d, n, out=np.zeros_like(d), where=n > 0)
    return 1.0 - np.cumprod(1.0 - hazard, axis=1)


def _counts(
    group: Hashable, part: pd.DataFrame, curve: SurvivalCurve | None, level: float
) -> dict[str, object]:
    low, high = (np.nan, np.nan) if curve is None else curve.quantile_band(0.5, level)
    return {
        "group": group,
        "n_spells": len(part),
        "n_cleared": int(part["cleared"].sum()),
        "n_lapsed": int((part["outcome"] == "lapsed").sum()),
        "entered_late": int((part["entry"] > -1).sum()),
        "median_weeks": np.nan if curve is None else curve.quantile(0.5),
        "median_low": low,
        "median_high": high,
    }
