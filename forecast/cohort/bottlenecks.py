"""Which rung holds people up: its share of the time on the ladder, flat weeks, lapses."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from forecast.cohort.records import Shown, spell_times
from forecast.cohort.time_to_clear import clearing_curve
from forecast.log import TrainingLog, counted, in_percent
from forecast.readiness import FLAT_GAIN, Fitted, LogView, as_view, chance_flat

UNTIL_WEEKS = 104.0
"""Weeks on a rung are averaged up to here: beyond two years few are followed."""
LONGEST_COUNTED_GAP = 14.0
"""Days after a session for which its opinion (flat or not) stands; beyond that it is a layoff."""
MIN_SPELLS = 5


@dataclass(frozen=True, slots=True)
class Bottlenecks(Shown):
    """Where the time on the ladder goes.

    Attributes
    ----------
    table
        One row a rung, in ladder order: ``rung, rung_name, spells, cleared, lapsed, open,
        weeks_logged, share_logged`` (of all weeks logged on any rung), ``weeks_per_clearing``
        (weeks logged by everybody, cleared or not, for each clearing), ``weeks_usual`` (mean of
        the curve up to ``until_weeks``), ``share_usual`` (its part of the sum over rungs, missing
        unless every rung has a curve), ``median_weeks``, ``flat_weeks``, ``flat_share`` (of the
        weeks trained), ``lapse_share`` (of spells ended).
    until_weeks
        How far the usual weeks are averaged: the shortest follow-up of any rung, two years at
        most.
    n_left_out
        Spells of unknown beginning: they count in ``weeks_logged`` and ``flat_weeks`` only.
    """

    table: pd.DataFrame
    until_weeks: float
    n_left_out: int

    def frame(self) -> pd.DataFrame:
        """Return the table."""
        return self.table.copy()

    @property
    def slowest(self) -> str:
        """The slowest rung in a sentence, or why none can be named."""
        some = self._some
        return _slowest(some).strip() if len(some) > 1 else _too_little(some)

    @property
    def _some(self) -> pd.DataFrame:
        return self.table[self.table["spells"] >= MIN_SPELLS]

    @property
    def text(self) -> str:
        """Which rungs take most of the time, in sentences."""
        some = self._some
        if len(some) < 2:
            return _too_little(some)
        most = some.iloc[int(some["share_logged"].argmax())]
        return (
            f"{_slowest(some)}{most['rung_name']} takes the most time, "
            f"{in_percent(most['share_logged'])} of all weeks logged{_median(most)}: many may be "
            f"on it, or each for long. {_most_flat(some)}"
            f"{counted(self.n_left_out, 'spell')} under way when the log began count toward weeks "
            "logged only. Athletes who reach the later rungs are not those who began: rungs are "
            "compared as they are climbed here, not as they would be by everybody."
        )


def _too_little(some: pd.DataFrame) -> str:
    if some.empty:
        return f"Too little to compare rungs by: none has {MIN_SPELLS} spells yet."
    return (
        f"Only {some['rung_name'].iloc[0]} has {MIN_SPELLS} spells yet, so there is no other rung "
        "to compare it with."
    )


def _slowest(some: pd.DataFrame) -> str:
    """The rung with the fewest clearings for the time at risk, whoever many are on it."""
    known = some[some["cleared"] > 0]
    if known.empty:
        return "Nobody has cleared a rung that five are on, so none can be called the slowest. "
    slow = known.iloc[int(known["weeks_per_clearing"].argmax())]
    every = known["weeks_logged"].sum() / known["cleared"].sum()
    return (
        f"Slowest: {slow['rung_name']}, {slow['weeks_per_clearing']:.0f} weeks at risk for each "
        f"clearing, where the rungs together take {every:.0f} (of rungs with {MIN_SPELLS} spells "
        "or more). "
    )


def _most_flat(some: pd.DataFrame) -> str:
    known = some.dropna(subset="flat_share")
    if known.empty:
        return "No rung has two sessions of one athlete near enough in time to tell flat weeks. "
    flat = known.iloc[int(known["flat_share"].argmax())]
    return (
        f"Most often flat: {flat['rung_name']}, {in_percent(flat['flat_share'])} of the weeks "
        f"trained on it (gain below {in_percent(FLAT_GAIN, '.1f')} a week). "
    )


def _median(row: pd.Series) -> str:
    if not np.isfinite(row["median_weeks"]):
        return " (fewer than half have cleared it while watched)"
    return f" (median {row['median_weeks']:.0f} weeks)"


def bottlenecks(
    model: Fitted | LogView, log: TrainingLog | None = None, as_of: pd.Timestamp | str | None = None
) -> Bottlenecks:
    """Table the rungs by the time they take.

    Parameters
    ----------
    model
        A fitted forecaster; its growth engine says which weeks were flat.
    log, as_of
        The log and its cut date.

    Raises
    ------
    NotFittedError, ForecastError, HistoryError
        See ``readiness.LogView``.

    Notes
    -----
    ``weeks_usual`` is the restricted mean of the Kaplan-Meier curve (Klein & Moeschberger 2003,
    eq. 4.5.1). A week is flat where the filtered gain is more likely than not below
    ``FLAT_GAIN``; layoffs beyond two weeks are not counted as trained.
    """
    view = as_view(model, log, as_of)
    histories = view.histories
    keys = histories.ladder.keys
    spells = histories.spells
    times = spell_times(histories)
    ends = pd.crosstab(spells["rung"], spells["outcome"]).reindex(keys, fill_value=0)
    logged = spells.groupby("rung")["weeks"].sum().reindex(keys, fill_value=0.0)
    flat, trained = _flat_weeks(view)
    table = pd.DataFrame(
        {
            "rung": list(keys),
            "rung_name": [rung.name for rung in histories.ladder.rungs],
            "spells": spells["rung"].value_counts().reindex(keys, fill_value=0).to_numpy(),
            **{
                kind: (ends[kind] if kind in ends else pd.Series(0, index=keys)).to_numpy()
                for kind in ("cleared", "lapsed", "open")
            },
            "weeks_logged": logged.to_numpy(),
            "share_logged": (logged / max(logged.sum(), 1e-9)).to_numpy(),
        }
    )
    table["weeks_per_clearing"] = (table["weeks_logged"] / table["cleared"]).where(
        table["cleared"] > 0
    )
    usual, until = _usual_weeks(times.table, keys)
    table = table.join(usual, on="rung")
    table["flat_weeks"] = flat.reindex(keys, fill_value=0.0).to_numpy()
    weeks = trained.reindex(keys, fill_value=0.0).to_numpy()
    table["flat_share"] = np.where(weeks > 0, table["flat_weeks"] / np.maximum(weeks, 1e-9), np.nan)
    ended = table["cleared"] + table["lapsed"]
    table["lapse_share"] = (table["lapsed"] / ended).where(ended > 0)
    return Bottlenecks(table, until, len(times.left_out))


def _flat_weeks(view: LogView) -> tuple[pd.Series, pd.Series]:
    """Weeks flat and weeks trained by rung: each session's opinion holds until the next one."""
    sessions = view.histories.sessions
    following = sessions.groupby("spell")["date"].shift(-1)
    end = sessions["spell"].map(view.histories.spells["end"])
    days = (following.fillna(end) - sessions["date"]).dt.days.clip(0, LONGEST_COUNTED_GAP)
    weeks = days / 7.0
    flat = weeks.where(chance_flat(view.states) > 0.5, 0.0)
    return flat.groupby(sessions["rung"]).sum(), weeks.groupby(sessions["rung"]).sum()


def _usual_weeks(table: pd.DataFrame, keys: tuple[str, ...]) -> tuple[pd.DataFrame, float]:
    """Restricted mean and median weeks by rung, up to a week that every curve reaches."""
    found = {key: clearing_curve(part) for key, part in table.groupby("rung")}
    curves = {key: curve for key, curve in found.items() if curve is not None}
    whole_curves = {key: curve for key, curve in curves.items() if curve.start <= 0}
    reach = [curve.end for curve in whole_curves.values() if curve.survival[-1] > 0]
    until = min([UNTIL_WEEKS, *reach])
    # A curve that ends before then has reached 0 by its end.
    mean = {
        key: curve.restricted_mean(min(until, curve.end))[0] for key, curve in whole_curves.items()
    }
    usual = pd.DataFrame({"weeks_usual": pd.Series(mean, dtype=float)}, index=list(keys))
    whole = usual["weeks_usual"].notna().all()
    usual["share_usual"] = usual["weeks_usual"] / usual["weeks_usual"].sum() if whole else np.nan
    median = {key: curve.quantile(0.5) for key, curve in curves.items()}
    usual["median_weeks"] = pd.Series(median, dtype=float).reindex(list(keys))
    return usual, float(until)
