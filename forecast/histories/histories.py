"""Sets to sessions to spells, the one door to censored data: who trained what, and how it ended."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from forecast.errors import HistoryError
from forecast.histories import rules
from forecast.ladder import Ladder
from forecast.log import TrainingLog, as_day, checked_log, load_marks
from forecast.types import WEEK, Ints

CLEARED, LAPSED, PASSED_OVER, OPEN = "cleared", "lapsed", "passed_over", "open"


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
    lapse_weeks: float = rules.DEFAULT_LAPSE_WEEKS, log_start: pd.Timestamp | None = None,
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
    marked = mark_counting_sets(sets, log.ladder, log.roster)
    marked, athlete_ids = _canonical_order(marked, log.ladder)
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
        why = f"{log.rows_in} rows were set aside; check, or log.rejected, says why"
        raise HistoryError(f"The log holds no usable set: {why if log.rows_in else 'it is empty'}.")
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
    keys = ["athlete", "rung", "date", "spell", "session"]
    session_of = sessions.reset_index(names="session")[keys]
    joined = sets.merge(session_of, on=["athlete", "rung", "date"], how="left")
    later = joined["session"].isna()
    after = joined[later].drop(columns=["spell", "session"]).reset_index(drop=True)
    inside = joined[~later].astype({"spell": "int64", "session": "int64"})
    inside = inside.sort_values(["session", "set", "value"]).reset_index(drop=True)
    return inside, sessions, after


def recent_pain(histories: Histories) -> pd.Series:
    """Return the highest pain noted lately by athlete, on cleared rungs too; no note, no line."""
    sets = pd.concat([histories.sets, histories.after_clearing])
    late = sets["date"] >= histories.as_of - pd.Timedelta(weeks=rules.PAIN_WEEKS)
    return sets[late].groupby("athlete")["pain"].max().dropna()


def day_number(dates: pd.Series) -> Ints:
    """Days since 1970-01-01 as whole numbers."""
    return dates.to_numpy().astype("datetime64[D]").astype(np.int64)


def mark_counting_sets(sets: pd.DataFrame, ladder: Ladder, roster: pd.DataFrame) -> pd.DataFrame:
    """Return the sets with ``loaded``, ``load_known``, ``counts`` and ``target`` beside each."""
    targets = {rung.key: rung.criterion.target for rung in ladder.rungs}
    loads = load_marks(sets, ladder, roster)
    return sets.assign(
        target=sets["rung"].map(targets).astype(float),
        load_known=loads["load_asked"].notna(),
        loaded=loads["loaded"],
        counts=sets["clean"] & ~sets["assisted"] & loads["loaded"],
    )


def build_sessions(sets: pd.DataFrame, ladder: Ladder) -> pd.DataFrame:
    """Return one row a session from sets already marked by ``mark_counting_sets``.

    ``best`` is the highest counting value, missing where none counted; ``run`` is how many sessions
    in a row, this one included, have met.
    """
    hits = sets["counts"] & (sets["value"] >= sets["target"] - 1e-9)
    frame = sets.assign(meets=hits, best=sets["value"].where(sets["counts"]))
    by = frame.groupby(["athlete", "rung", "date"], sort=True)
    numbers = {"n_counting": "counts", "n_clean": "clean", "n_assisted": "assisted"}
    sessions = by[list(numbers.values())].sum().set_axis(list(numbers), axis=1)
    sessions.insert(0, "n_sets", by.size())
    sessions = sessions.assign(best=by["best"].max(), meets=by["meets"].any()).reset_index()
    place = {key: i for i, key in enumerate(ladder.keys)}
    sessions["rung_index"] = sessions["rung"].map(place).astype("int64")
    sessions["run"] = running_count(sessions)
    return sessions


def running_count(sessions: pd.DataFrame) -> Ints:
    """Return how many sessions in a row, each included, have met: within athlete and rung."""
    meets = sessions["meets"].astype("int64")
    row = [sessions["athlete"], sessions["rung"], (1 - meets).cumsum()]
    return meets.groupby(row, sort=False).cumsum().to_numpy()


def lapse_days(sessions: pd.DataFrame, lapse_weeks: float) -> pd.Series:
    """Days without a set after which the past is counted as lapsed, by athlete.

    The stated weeks, or four of the athlete's own median gaps where that is longer: the only place
    that knows the rule.
    """
    days = sessions.drop_duplicates(["athlete", "date"]).sort_values(["athlete", "date"])
    gaps = days.groupby("athlete")["date"].diff().dt.days
    median = gaps.groupby(days["athlete"]).median().fillna(0.0)
    return np.maximum(lapse_weeks * WEEK, rules.LAPSE_GAPS * median)


def build_spells(
    sessions: pd.DataFrame, ladder: Ladder, *, as_of: pd.Timestamp, log_start: pd.Timestamp,
    lapse_after: pd.Series,
) -> pd.DataFrame:  # fmt: skip
    """Return one row a spell; columns are listed in ``histories.Histories``.

    Time away counts as time on the rung, as in a forecast. A silence that has outlasted the lapse
    rule does not: such a spell is followed to its last session and no further.
    """
    need = sessions["rung"].map({r.key: r.criterion.confirm_sessions for r in ladder.rungs})
    previous = sessions.groupby(["athlete", "rung"])["date"].shift(1)
    done = sessions.assign(previous=previous)[sessions["run"] >= need.astype("int64")]
    clearing = done.drop_duplicates(["athlete", "rung"]).rename(columns={"date": "cleared_on"})
    clearing = clearing[["athlete", "rung", "cleared_on", "previous"]]
    sessions = sessions.merge(clearing, on=["athlete", "rung"], how="left")
    cleared_on = sessions["cleared_on"]
    within = sessions[cleared_on.isna() | (sessions["date"] <= cleared_on)]
    spells = (
        within.groupby(["athlete", "rung"], sort=True)
        .agg(
            rung_index=("rung_index", "first"),
            start=("date", "min"),
            last_session=("date", "max"),
            n_sessions=("date", "size"),
            n_meets=("meets", "sum"),
            run=("run", "last"),
            cleared_on=("cleared_on", "first"),
            before_clearing=("previous", "first"),
        )
        .reset_index()
    )
    spells["under_way"] = (spells["start"] - log_start).dt.days < rules.UNDER_WAY_DAYS
    last_seen = spells["athlete"].map(sessions.groupby("athlete")["date"].max())
    allowed = spells["athlete"].map(lapse_after)
    lapsed = (as_of - last_seen).dt.days > allowed
    idle = (as_of - spells["last_session"]).dt.days > allowed
    cleared = spells["cleared_on"].notna()
    spells["outcome"] = np.select(
        [cleared, idle & _moved_on(spells, ladder), lapsed],
        [CLEARED, PASSED_OVER, LAPSED],
        default=OPEN,
    )
    spells["open"] = spells["outcome"].isin([OPEN, LAPSED])
    end = spells["cleared_on"].where(cleared, as_of)
    left = spells["outcome"].isin([LAPSED, PASSED_OVER])
    spells["end"] = end.where(~left, spells["last_session"])
    spells["weeks"] = (spells["end"] - spells["start"]).dt.days / WEEK
    spells["clear_lower"] = (spells["before_clearing"] - spells["start"]).dt.days / WEEK
    return spells


def _moved_on(spells: pd.DataFrame, ladder: Ladder) -> pd.Series:
    """Whether the athlete has begun a rung that needs this one (waved past by the coach)."""
    after: dict[str, set[str]] = {key: set() for key in ladder.keys}
    for rung in reversed(ladder.rungs):
        for need in rung.needs:
            after[need] |= {rung.key} | after[rung.key]
    begun = spells.groupby("athlete")["rung"].agg(set)
    flags = [
        bool(after[rung] & begun[athlete])
        for athlete, rung in zip(spells["athlete"], spells["rung"], strict=True)
    ]
    return pd.Series(flags, index=spells.index, dtype=bool)
