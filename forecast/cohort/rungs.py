"""Rungs compared: where the weeks go, which rung is hard, and who is quick."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
import pandas as pd
from scipy.stats import norm

from forecast.cohort.curves import clearing_curve
from forecast.cohort.records import Records, Shown, as_histories, spell_times
from forecast.errors import check_level
from forecast.histories import Histories
from forecast.log import TrainingLog
from forecast.readiness import FLAT_GAIN, Fitted, LogView, as_view, chance_flat
from forecast.survival import SurvivalCurve
from forecast.types import Array
from forecast.words import cohort as wording

LONGEST_COUNTED_GAP = 14.0
"""Days after a session for which its opinion (flat or not) stands; beyond that it is a layoff."""
MIN_SPELLS = 5


@dataclass(frozen=True, slots=True)
class Bottlenecks(Shown):
    """Where the time on the ladder goes.

    ``table`` has one row a rung, in ladder order: ``rung, rung_name, spells, cleared, lapsed, open,
    weeks_logged, share_logged`` (of all weeks logged on any rung), ``weeks_per_clearing`` (weeks
    logged by everybody, cleared or not, for each clearing), ``median_weeks`` (missing where fewer
    than half had cleared within ``watched_weeks``), ``flat_weeks``, ``flat_share`` (of the weeks
    trained), ``lapse_share`` (of spells ended). ``n_left_out`` spells of unknown beginning count in
    ``weeks_logged`` and ``flat_weeks`` only.
    """

    table: pd.DataFrame
    n_left_out: int

    least_spells: ClassVar = MIN_SPELLS
    flat_gain: ClassVar = FLAT_GAIN
    _says: ClassVar = wording.bottlenecks

    @property
    def slowest(self) -> str:
        """The rung with the fewest clearings for the time at risk, or why none can be named."""
        return wording.slowest(self.table, MIN_SPELLS)


def bottlenecks(
    model: Fitted | LogView, log: TrainingLog | None = None, as_of: pd.Timestamp | str | None = None
) -> Bottlenecks:
    """Table the rungs by the time they take.

    A week is flat where the filtered gain is more likely than not below ``FLAT_GAIN``; layoffs
    beyond two weeks are not counted as trained.

    Parameters
    ----------
    model, log, as_of
        A view, or a fitted forecaster, a log and its cut date, as ``readiness.as_view`` takes them.
    """
    view = as_view(model, log, as_of)
    histories, spells = view.histories, view.histories.spells
    keys = list(histories.ladder.keys)
    ends = pd.crosstab(spells["rung"], spells["outcome"])
    ends = ends.reindex(index=keys, columns=["cleared", "lapsed", "open"], fill_value=0)
    # each session's opinion (flat or not) holds until the next one
    sessions = histories.sessions
    until = sessions.groupby("spell")["date"].shift(-1).fillna(sessions["spell"].map(spells["end"]))
    weeks = (until - sessions["date"]).dt.days.clip(0, LONGEST_COUNTED_GAP) / 7.0
    flat = weeks.where(chance_flat(view.states) > 0.5, 0.0).groupby(sessions["rung"]).sum()
    trained = weeks.groupby(sessions["rung"]).sum()
    by_rung = spells.groupby("rung")["weeks"]
    table = ends.assign(
        spells=by_rung.size().reindex(keys, fill_value=0),
        weeks_logged=by_rung.sum().reindex(keys, fill_value=0.0),
        flat_weeks=flat.reindex(keys, fill_value=0.0),
        rung_name=[rung.name for rung in histories.ladder.rungs],
    ).join(rung_weeks(histories).rename(columns={"weeks": "median_weeks"}))
    table["share_logged"] = table["weeks_logged"] / max(table["weeks_logged"].sum(), 1e-9)
    for name, count, of in (
        ("weeks_per_clearing", "weeks_logged", table["cleared"]),
        ("flat_share", "flat_weeks", trained.reindex(keys)),
        ("lapse_share", "lapsed", table["cleared"] + table["lapsed"]),
    ):
        table[name] = (table[count] / of).where(of > 0)
    columns = [
        "rung", "rung_name", "spells", "cleared", "lapsed", "open", "weeks_logged", "share_logged",
        "weeks_per_clearing", "median_weeks", "watched_weeks", "flat_weeks",
        "flat_share", "lapse_share",
    ]  # fmt: skip
    table = table.rename_axis(index="rung", columns=None).reset_index()[columns]
    return Bottlenecks(table, len(spell_times(histories).left_out))


def rung_curves(histories: Histories) -> dict[str, SurvivalCurve]:
    """Return the clearing curve of each rung that has one, by key."""
    by_rung = spell_times(histories).table.groupby("rung")
    return {str(key): curve for key, spells in by_rung if (curve := clearing_curve(spells))}


def expected_weeks(records: Records, *, as_of: pd.Timestamp | str | None = None) -> tuple[str, ...]:
    """Hold the weeks that a coach expects (``usual_weeks`` in the ladder) against the log.

    Parameters
    ----------
    records, as_of
        As for ``time_to_clear``, whose curves are read at the first and the last of these weeks.

    Returns
    -------
    tuple of str
        A sentence a rung of which something is expected.
    """
    histories, lines = as_histories(records, as_of), []
    curves = rung_curves(histories)
    for rung in histories.ladder.rungs:
        if rung.usual_weeks is not None:
            curve, shares = curves.get(rung.key), None
            if curve is not None and curve.start <= rung.usual_weeks[0]:
                shares = 1.0 - curve.at(np.minimum(rung.usual_weeks, curve.end))
            cleared = 0 if curve is None else int(curve.n_events.sum())
            lines.append(wording.expected_weeks(rung, cleared, shares))
    return tuple(lines)


def rung_weeks(histories: Histories, level: float = 0.9) -> pd.DataFrame:
    """Return, by rung, the week by which half had cleared it, and how long anybody was watched.

    ``weeks, weeks_low, weeks_high, watched_weeks``; missing where that was not reached.
    """
    rows = {
        key: (curve.quantile(0.5), *curve.quantile_band(0.5, level), curve.end)
        for key, curve in rung_curves(histories).items()
    }
    columns = ["weeks", "weeks_low", "weeks_high", "watched_weeks"]
    table = pd.DataFrame.from_dict(rows, orient="index", columns=columns, dtype=float)
    table = table.reindex(list(histories.ladder.keys)).replace(np.inf, np.nan)
    table[columns[1:3]] = table[columns[1:3]].where(table["weeks"].notna())
    return table


@dataclass(frozen=True, slots=True)
class PaceAndDifficulty(Shown):
    """Athlete and rung effects of the growth engine.

    ``athletes`` has one row each: ``athlete, spells, start`` and ``gain`` (level at the first
    session and gain a week, against an average athlete on the same rungs), each with ``_low`` and
    ``_high``; ``share_learnt`` (0 to 1) of the prior uncertainty on the gain their sets have
    removed. ``rungs`` has ``rung, rung_name, spells, start, gain`` (of an average athlete),
    ``share_learnt``, and the columns of ``rung_weeks``.
    """

    athletes: pd.DataFrame
    rungs: pd.DataFrame
    level: float

    least_spells: ClassVar = MIN_SPELLS
    _says: ClassVar = wording.pace_and_difficulty

    def frame(self) -> pd.DataFrame:
        """Return both tables as one, long: ``kind`` is ``athlete`` or ``rung``."""
        rungs = self.rungs.rename(columns={"rung": "name"}).assign(kind="rung")
        athletes = self.athletes.rename(columns={"athlete": "name"}).assign(kind="athlete")
        columns = [
            "kind", "name", "spells", "start", "start_low", "start_high", "gain", "gain_low",
            "gain_high", "share_learnt",
        ]  # fmt: skip
        return pd.concat([rungs[columns], athletes[columns]], ignore_index=True)


def pace_and_difficulty(
    model: Fitted | LogView, log: TrainingLog | None = None,
    as_of: pd.Timestamp | str | None = None, *, level: float = 0.9,
) -> PaceAndDifficulty:  # fmt: skip
    """Return athletes' pace and rungs' difficulty with their uncertainty.

    Crossed normal effects (Lindley & Smith 1972; Bates et al. 2015 sec. 3), see
    ``growth.evidence``, on the engine's latent scale (at power 0: log of value over target).
    Intervals of athletes leave out the uncertainty of the rungs' effects and of the constants.

    Parameters
    ----------
    model, log, as_of
        A view, or a fitted forecaster, a log and its cut date, as ``readiness.as_view`` takes them.
    level
        Level of the intervals.

    Raises
    ------
    FitError
        ``level`` is out of range.
    """
    check_level("level", level)
    view = as_view(model, log, as_of)
    return PaceAndDifficulty(_athletes(view, level), _rungs(view, level), level)


def _athletes(view: LogView, level: float) -> pd.DataFrame:
    """Posterior of each athlete's effect, from all their spells."""
    people, mean, cov = view.tracked.athlete_effects()
    prior = view.growth.fit.constants.pooling.athlete
    who = np.searchsorted(people, view.tracked.panel.athlete)
    names = view.histories.spells.drop_duplicates("athlete_id").set_index("athlete_id")["athlete"]
    table = pd.DataFrame({"athlete": names.reindex(people).to_numpy(), "spells": np.bincount(who)})
    _add_effects(table, mean, cov, prior, level)
    return table.sort_values(["gain", "athlete"], ascending=[False, True], ignore_index=True)


def _rungs(view: LogView, level: float) -> pd.DataFrame:
    """Start, gain and weeks of an average athlete on each rung."""
    pooled, prior = view.growth.fit.pooled, view.growth.fit.constants.pooling
    k = len(prior.rung)
    n_rungs = len(pooled.common_mean) // k - 1
    # Each rung's typical values are the centre plus its effect: one linear map of both.
    own = np.kron(np.eye(n_rungs), np.eye(k)).reshape(n_rungs, k, -1)
    maps = np.concatenate([np.broadcast_to(np.eye(k), (n_rungs, k, k)), own], axis=2)
    mean = maps @ pooled.common_mean
    cov = maps @ pooled.common_cov @ maps.transpose(0, 2, 1)
    ladder, counts = view.histories.ladder, view.histories.spells["rung"].value_counts()
    table = pd.DataFrame(
        {
            "rung": ladder.keys,
            "rung_name": [rung.name for rung in ladder.rungs],
            "spells": counts.reindex(ladder.keys, fill_value=0).to_numpy(),
        }
    )
    _add_effects(table, mean, cov, prior.rung + prior.centre_var, level)
    return table.join(rung_weeks(view.histories, level), on="rung")


def _add_effects(table: pd.DataFrame, mean: Array, cov: Array, prior: Array, level: float) -> None:
    """Add start, gain and the share learnt of the gain, in place: (n, k) and (n, k, k) opinions."""
    gain = np.r_[0.0, np.ones(len(prior) - 1)]
    gain_var = np.einsum("i,nij,j->n", gain, cov, gain)
    z = float(norm.ppf((1 + level) / 2))
    start = mean[:, 0], np.sqrt(cov[:, 0, 0])
    for name, (mid, error) in {"start": start, "gain": (mean @ gain, np.sqrt(gain_var))}.items():
        table[name] = mid
        table[f"{name}_low"], table[f"{name}_high"] = mid - z * error, mid + z * error
    before = gain @ np.diag(prior) @ gain
    table["share_learnt"] = np.clip(1.0 - gain_var / before, 0.0, 1.0)
