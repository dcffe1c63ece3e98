"""How long a rung takes and what ends a spell: curves by rung or by group of athletes."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.stats import norm

from forecast.cohort.records import (
    DAYS,
    Records,
    Shown,
    as_histories,
    group_names,
    group_of,
    spell_times,
    stacked,
)
from forecast.errors import FitError, check_level, check_seed
from forecast.histories import OPEN, Histories
from forecast.survival import IncidenceCurves, SurvivalCurve, cumulative_incidence, kaplan_meier
from forecast.words import cohort as wording

MIN_SPELLS = 3
BOOTSTRAP = 200
FEW_OTHERS = 5
"""Spells of others from which something is said of them (judgement)."""


@dataclass(frozen=True, slots=True)
class TimeToClear(Shown):
    """Curves of the share cleared, a group each.

    ``by`` is ``rung`` or a roster column; by group are ``curves`` (Kaplan-Meier, weeks to the
    session that cleared), ``bands`` (``week, low, high`` of the share cleared) and ``names``;
    ``spells`` are behind the curves (the table of ``SpellTimes`` with their ``group``). ``groups``
    has one row each: ``group, n_spells, n_cleared, n_lapsed, entered_late, median_weeks,
    median_low, median_high``; a median past what was seen is infinite. ``left_out`` are spells
    whose beginning is unknown, ``too_few`` groups with fewer than three, or none cleared.
    """

    by: str
    curves: dict[Hashable, SurvivalCurve] = field(repr=False)
    bands: dict[Hashable, pd.DataFrame] = field(repr=False)
    names: dict[Hashable, str] = field(repr=False)
    spells: pd.DataFrame = field(repr=False)
    groups: pd.DataFrame
    left_out: pd.DataFrame = field(repr=False)
    too_few: tuple[Hashable, ...]
    level: float

    least_spells: ClassVar = MIN_SPELLS
    _says: ClassVar = wording.time_to_clear

    def frame(self) -> pd.DataFrame:
        """Return the curves as one long table, a row a week in which somebody cleared."""
        columns = ["group", "week", "p_cleared", "p_low", "p_high", "n_at_risk", "n_cleared"]
        tables = [
            self.bands[group].assign(
                group=group, p_cleared=1 - curve.survival,
                n_at_risk=curve.n_at_risk.astype(int), n_cleared=curve.n_events.astype(int),
            ).rename(columns={"low": "p_low", "high": "p_high"})[columns]
            for group, curve in self.curves.items()
        ]  # fmt: skip
        return stacked(tables, columns)

    def still_watched(self, weeks: ArrayLike) -> pd.DataFrame:
        """Return ``group, week, n_at_risk``: spells of each curve watched at these weeks.

        A spell is watched from when the log saw it to its end, both as on the curve.
        """
        weeks, tables = np.asarray(weeks, dtype=float), []
        for group in self.curves:
            spells = self.spells[self.spells["group"] == group]
            entry, leave = (spells[c].to_numpy(dtype=float)[:, None] for c in ("entry", "exit"))
            watched = ((entry < weeks) & (leave >= weeks)).sum(axis=0)
            tables.append(pd.DataFrame({"group": group, "week": weeks, "n_at_risk": watched}))
        return stacked(tables, ["group", "week", "n_at_risk"])


def time_to_clear(
    records: Records, by: str = "rung", *, as_of: pd.Timestamp | str | None = None,
    level: float = 0.9, seed: int = 0,
) -> TimeToClear:  # fmt: skip
    """Estimate the share of spells cleared by week, for each rung or group.

    Kaplan-Meier with late entry: at risk only from when the log saw the spell. Bands: log-log, or
    quantiles over 200 resamples of athletes where some give several spells to a group. Assumes that
    those who lapsed would have gone on like the others. Groups in ladder order, or sorted.

    Parameters
    ----------
    records, as_of
        A log and its cut date (the day after the last set where left out), or histories.
    by
        ``"rung"``, ``"start_year"`` (of the athlete's first set) or a roster column.
    level, seed
        Confidence level of the bands, and seed of those that are resampled.

    Raises
    ------
    HistoryError
        The column is unknown or empty, or the log holds no usable set before ``as_of``.
    FitError
        No spell can be used, or ``level`` is out of range.
    """
    check_level("level", level)
    check_seed(seed)
    times = spell_times(histories := as_histories(records, as_of))
    if times.table.empty:
        raise FitError(
            f"All {len(times.left_out)} spells were under way when the log began, so none has a "
            "known beginning; add a roster column 'on_rung_since'."
        )
    table = times.table.assign(group=group_of(histories, by, times.table))
    rng = np.random.default_rng(seed)
    curves, bands, too_few, rows = {}, {}, [], []
    for group, spells in _in_order(table, by, histories.ladder.keys):
        curve = clearing_curve(spells)
        median = low = high = np.nan
        if curve is None:
            too_few.append(group)
        else:
            curves[group], bands[group] = curve, _band(spells, curve, level, rng)
            median, (low, high) = curve.quantile(0.5), curve.quantile_band(0.5, level)
        rows.append(
            {
                "group": group, "n_spells": len(spells), "n_cleared": int(spells["cleared"].sum()),
                "n_lapsed": int((spells["outcome"] == "lapsed").sum()),
                "entered_late": int((spells["entry"] > -1).sum()),
                "median_weeks": median, "median_low": low, "median_high": high,
            }
        )  # fmt: skip
    left_out = times.left_out.sort_values(["athlete", "rung"], ignore_index=True)
    names = group_names(histories.ladder, by, table["group"])
    return TimeToClear(
        by, curves, bands, names, table, pd.DataFrame(rows), left_out, tuple(too_few), level
    )


def clearing_curve(spells: pd.DataFrame) -> SurvivalCurve | None:
    """Kaplan-Meier from when anybody was watched; ``None`` with too few spells, or none cleared."""
    if len(spells) < MIN_SPELLS or not spells["cleared"].any():
        return None
    since = max(float(spells["entry"].min()), 0.0) or None
    return kaplan_meier(spells["entry"], spells["exit"], spells["cleared"], since=since)


def _in_order(
    table: pd.DataFrame, by: str, keys: tuple[str, ...]
) -> list[tuple[Hashable, pd.DataFrame]]:
    """Groups in ladder order for rungs, sorted otherwise."""
    groups = list(table.groupby("group", sort=True))
    return sorted(groups, key=lambda pair: keys.index(pair[0])) if by == "rung" else groups


def _band(
    spells: pd.DataFrame, curve: SurvivalCurve, level: float, rng: np.random.Generator
) -> pd.DataFrame:
    """Pointwise limits of the share cleared: log-log, or resampled athletes where they repeat."""
    weeks = curve.time
    if not spells["athlete_id"].duplicated().any():
        band = curve.band(level)
        return pd.DataFrame({"week": weeks, "low": 1 - band["high"], "high": 1 - band["low"]})
    people, who = np.unique(spells["athlete_id"], return_inverse=True)
    entry, leave, cleared = (spells[c].to_numpy(dtype=float) for c in ("entry", "exit", "cleared"))
    at_risk = (entry[:, None] < weeks) & (leave[:, None] >= weeks)
    ended = (leave[:, None] == weeks) & (cleared[:, None] > 0)
    times = np.stack(
        [np.bincount(rng.integers(0, len(people), len(people)), minlength=len(people))[who]
         for _ in range(BOOTSTRAP)]
    ).astype(float)  # fmt: skip
    n, d = times @ at_risk, times @ ended
    hazard = np.divide(d, n, out=np.zeros_like(d), where=n > 0)
    shares = 1.0 - np.cumprod(1.0 - hazard, axis=1)
    low, high = np.quantile(shares, [(1 - level) / 2, (1 + level) / 2], axis=0)
    return pd.DataFrame({"week": weeks, "low": low, "high": high})


@dataclass(frozen=True, slots=True)
class LapseIncidence(Shown):
    """Cumulative incidence of each way a spell can end, by group.

    ``by``, ``names`` and ``level`` as in ``TimeToClear``; ``curves`` are Aalen-Johansen curves by
    group, ``n_left_out`` counts spells under way at the start of the log whose beginning is
    unknown, ``too_few`` are groups with fewer than three spells, or none ended.
    """

    by: str
    curves: dict[Hashable, IncidenceCurves] = field(repr=False)
    names: dict[Hashable, str] = field(repr=False)
    n_left_out: int
    too_few: tuple[Hashable, ...]
    level: float

    least_spells: ClassVar = MIN_SPELLS
    _says: ClassVar = wording.lapse_incidence

    def frame(self) -> pd.DataFrame:
        """Return ``group, week, kind, p_ended, p_low, p_high, n_at_risk, n_events``, long."""
        z = float(norm.ppf((1 + self.level) / 2))
        columns = ["group", "week", "kind", "p_ended", "p_low", "p_high", "n_at_risk", "n_events"]
        tables = []
        for group, curve in self.curves.items():
            table = curve.frame().rename(columns={"time": "week", "incidence": "p_ended"})
            table["p_low"] = (table["p_ended"] - z * table["std_error"]).clip(lower=0.0)
            table["p_high"] = (table["p_ended"] + z * table["std_error"]).clip(upper=1.0)
            tables.append(table.assign(group=group)[columns])
        return stacked(tables, columns)


def lapse_incidence(
    records: Records, by: str = "rung", *, as_of: pd.Timestamp | str | None = None,
    level: float = 0.9,
) -> LapseIncidence:  # fmt: skip
    """Estimate how many spells end by clearing and how many by lapse, by group and week.

    Aalen & Johansen (1978), see ``survival.cumulative_incidence``. A spell ``passed_over`` (the
    athlete was moved on without clearing) is a third way to end. A lapse is dated to the last
    session on the rung.

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
    """
    check_level("level", level)
    histories = as_histories(records, as_of)
    times = spell_times(histories)
    table = times.table.assign(group=group_of(histories, by, times.table))
    curves, too_few = {}, []
    for group, spells in _in_order(table, by, histories.ladder.keys):
        if len(spells) < MIN_SPELLS or (spells["outcome"] == OPEN).all():
            too_few.append(group)
            continue
        since = max(float(spells["entry"].min()), 0.0) or None
        curves[group] = cumulative_incidence(
            spells["entry"], spells["exit"], spells["outcome"], still_open=OPEN, since=since
        )
    names = group_names(histories.ladder, by, table["group"])
    return LapseIncidence(by, curves, names, len(times.left_out), tuple(too_few), level)


def weeks_of_others(histories: Histories) -> pd.DataFrame:
    """Return, for every open spell, the week it is in and how long the others took.

    Columns: ``athlete, rung``; ``week``, from 1, ``at_least`` where the beginning is unknown;
    ``others``, spells of others with a known beginning; ``quarter`` and ``three_quarters``, weeks
    by which so many of them had cleared (infinite past what was seen; missing with fewer than five
    others, or none of them cleared).
    """
    times = spell_times(histories)
    by_rung = dict(iter(times.table.groupby("rung")))
    begun = times.table.set_index(["athlete", "rung"])["entry"].to_dict()
    rows, spells = [], histories.spells
    for spell in spells[spells["outcome"] == OPEN].itertuples(index=False):
        key = (spell.athlete, spell.rung)
        others = by_rung.get(spell.rung, times.table.iloc[:0])
        others = others[others["athlete"] != spell.athlete]
        curve = clearing_curve(others) if len(others) >= FEW_OTHERS else None
        ends = (curve.quantile(0.25), curve.quantile(0.75)) if curve else (np.nan, np.nan)
        weeks = (histories.as_of - spell.start).days / DAYS + max(begun.get(key, 0.0), 0.0)
        at_least = key not in begun and spell.under_way
        rows.append((*key, int(weeks) + 1, at_least, len(others), *ends))
    columns = ["athlete", "rung", "week", "at_least", "others", "quarter", "three_quarters"]
    return pd.DataFrame(rows, columns=columns)
