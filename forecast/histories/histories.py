"""The one door to censored data: sets in, sessions and spells out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from forecast.errors import HistoryError
from forecast.histories.rules import DEFAULT_LAPSE_WEEKS, PAIN_WEEKS
from forecast.histories.spells import (
    build_sessions,
    build_spells,
    lapse_days,
    mark_counting_sets,
)
from forecast.ladder import Ladder
from forecast.log import TrainingLog, as_day, checked_log


@dataclass(frozen=True, slots=True)
class Histories:
    """What a log says about who trained what, until when, and how it ended.

    ``sets`` up to clearing have ``target``, ``loaded``, ``load_known``, ``counts``, ``spell`` and
    ``session`` (row numbers of the next two). ``sessions`` have a row for each athlete, rung and
    day up to clearing, in date order within a spell: ``spell, athlete, rung, rung_index, date,
    n_sets, n_counting, n_clean, n_assisted, best, meets, run``. ``spells`` have a row an athlete
    and rung: ``athlete, athlete_id, rung, rung_index, start, last_session, end, outcome`` (cleared,
    lapsed, passed_over, open), ``open, cleared_on, before_clearing, n_sessions, n_meets, run,
    under_way, weeks, clear_lower``. ``outcome`` says how the past is counted; ``open`` marks the
    spells still to be cleared, those of athletes away for so long that the past counts them as
    lapsed among them: whether they come back is a chance, not a rule. ``after_clearing`` are sets
    logged on a rung after it was cleared, ``lapse_after`` days without a set after which the past
    is counted as lapsed, by athlete. Nothing on or after the cut date ``as_of`` was used;
    ``log_start`` is the first day of the log.
    """

    sets: pd.DataFrame
    sessions: pd.DataFrame
    spells: pd.DataFrame
    after_clearing: pd.DataFrame
    lapse_after: pd.Series
    roster: pd.DataFrame
    ladder: Ladder
    as_of: pd.Timestamp
    log_start: pd.Timestamp

    @property
    def open_spells(self) -> pd.DataFrame:
        """Spells still to be cleared at the cut date, however long the athlete has been away."""
        return self.spells[self.spells["open"]]


def build_histories(
    log: TrainingLog, as_of: pd.Timestamp | str | None = None, *,
    lapse_weeks: float = DEFAULT_LAPSE_WEEKS, log_start: pd.Timestamp | None = None,
) -> Histories:  # fmt: skip
    """Make sessions and spells from everything dated before ``as_of``.

    Rows come in an order that depends on what was trained and not on names or on the order of the
    log, so that every later sum is the same to the last bit when athletes are renamed. Raises
    ``HistoryError`` if no set is dated before ``as_of``, or an argument makes no sense.

    Parameters
    ----------
    log
        A log from ``read_log``, else ``LogError``.
    as_of
        Cut date; sets dated on or after it are not looked at. Left out: the day after the last set.
    lapse_weeks
        Weeks without any set after which the past is counted as lapsed; see ``lapse_days``.
    log_start
        First day of the record, where the log given is only part of it.
    """
    checked_log(log)
    if not (isinstance(lapse_weeks, int | float | np.number) and 0 < lapse_weeks < np.inf):
        raise HistoryError(f"lapse_weeks = {lapse_weeks!r}; give a number of weeks above 0.")
    cut = cut_day(log, as_of)
    sets = log.sets[log.sets["date"] < cut]
    if len(sets) == 0:
        first = log.sets["date"].min().date()
        raise HistoryError(
            f"No set is dated before {cut.date()}; the log begins on {first}. Choose a later date."
        )
    marked, athlete_ids = _canonical_order(
        mark_counting_sets(sets, log.ladder, log.roster), log.ladder
    )
    sessions = build_sessions(marked, log.ladder)
    start = log_start if log_start is not None else sets["date"].min()
    lapse_after = lapse_days(sessions, lapse_weeks)
    spells = build_spells(sessions, log.ladder, as_of=cut, log_start=start, lapse_after=lapse_after)
    spells["athlete_id"] = spells["athlete"].map(athlete_ids).astype("int64")
    spells = spells.sort_values(["athlete_id", "start", "rung_index"]).reset_index(drop=True)
    sets_in, sessions_in, after = _number(marked, sessions, spells)
    return Histories(
        sets=sets_in, sessions=sessions_in, spells=spells, after_clearing=after,
        lapse_after=lapse_after, roster=log.roster, ladder=log.ladder, as_of=cut, log_start=start,
    )  # fmt: skip


def cut_day(log: TrainingLog, as_of: pd.Timestamp | str | None = None) -> pd.Timestamp:
    """Return the cut date as a day: the one given, or that after the last set; ``HistoryError``."""
    sets = checked_log(log).sets
    if len(sets) == 0:
        raise HistoryError("The log holds no usable set; see log.rejected for what was set aside.")
    if as_of is None:
        return sets["date"].max() + pd.Timedelta(days=1)
    return as_day(as_of, "as_of", HistoryError)


def _canonical_order(sets: pd.DataFrame, ladder: Ladder) -> tuple[pd.DataFrame, dict[str, int]]:
    """Sort sets by content and number the athletes by a digest of what they trained."""
    keys = ["rung_index", "date", "set", "value", "counts", "assisted"]
    place = sets["rung"].map({key: i for i, key in enumerate(ladder.keys)})
    sets = sets.assign(rung_index=place).sort_values(["athlete", *keys])
    content = sets[keys].assign(date=sets["date"].astype("int64"))
    row_hash = pd.util.hash_pandas_object(content, index=False).to_numpy(dtype="uint64")
    position = sets.groupby("athlete").cumcount().to_numpy(dtype="uint64")
    mixed = row_hash * (position * np.uint64(2) + np.uint64(0x9E3779B97F4A7C15))
    digest = pd.Series(mixed, index=sets.index).groupby(sets["athlete"]).sum()
    first = sets.groupby("athlete")["date"].min()
    ranking = pd.DataFrame({"first": first, "digest": digest}).sort_values(["first", "digest"])
    ids = {athlete: i for i, athlete in enumerate(ranking.index)}
    return sets.drop(columns="rung_index").reset_index(drop=True), ids


def _number(
    sets: pd.DataFrame, sessions: pd.DataFrame, spells: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Tie sets to sessions and sessions to spells by row number; split off what came later."""
    spell_of = spells.reset_index(names="spell")[["athlete", "rung", "spell", "cleared_on"]]
    sessions = sessions.merge(spell_of, on=["athlete", "rung"], how="left")
    within = sessions["cleared_on"].isna() | (sessions["date"] <= sessions["cleared_on"])
    sessions = sessions[within].drop(columns="cleared_on")
    sessions = sessions.sort_values(["spell", "date"]).reset_index(drop=True)
    session_of = sessions.reset_index(names="session")[
        ["athlete", "rung", "date", "spell", "session"]
    ]
    joined = sets.merge(session_of, on=["athlete", "rung", "date"], how="left")
    later = joined["session"].isna()
    after = joined[later].drop(columns=["spell", "session"]).reset_index(drop=True)
    inside = joined[~later].astype({"spell": "int64", "session": "int64"})
    inside = inside.sort_values(["session", "set", "value"]).reset_index(drop=True)
    return inside, sessions, after


def recent_pain(histories: Histories) -> pd.Series:
    """Return the highest pain noted lately by athlete, on cleared rungs too; no note, no line."""
    sets = pd.concat([histories.sets, histories.after_clearing])
    late = sets["date"] >= histories.as_of - pd.Timedelta(weeks=PAIN_WEEKS)
    return sets[late].groupby("athlete")["pain"].max().dropna()
