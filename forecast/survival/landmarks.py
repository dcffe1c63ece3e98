"""Landmarks: moments on a spell from which the weeks to clearing are looked at, and what was known.

Training landmarks are spread evenly over calendar time, so that a spell weighs in by how long it
lasted: a cut drawn blind meets slow spells more often than quick ones (van Houwelingen 2007,
Scand. J. Stat. 34:70, on landmarking; length bias: Cox 1969). An athlete's whole record is read on
one scale for all rungs, so that a rung just begun is not a blank page.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from forecast.histories import CLEARED, Histories, day_number
from forecast.types import YEAR as YEAR_DAYS
from forecast.types import Array, Ints

SPACING_WEEKS = 1.0
MAX_LANDMARKS = 20_000
OWN_WEEKS = 3.0
"""Landmarks of a spell this far apart count in full; nearer ones say much the same (judgement)."""
GOLDEN = 0.5 * (np.sqrt(5.0) - 1.0)
"""Steps of the golden section spread the first days evenly, whatever their number (Weyl 1916)."""
LEAST_STAYS = 0.1
"""Below this chance of coming back a silence is left out (judgement)."""
FARTHEST = 7.0
"""Latent level from the mark, and gain a week, beyond which a feature says no more: a thousand
times the mark is not a state of an athlete."""
STEP_PRIOR = 2.0
"""Sessions that the expectation of an equal share of the mark weighs as much as (judgement)."""
LOWEST, HIGHEST = -3.0, 2.0
"""Bounds of a value in logs from the mark."""
LEAST_SCATTER = 0.02
NARROWEST, SLOWEST = 0.1, 0.15
"""Least gap, and least gain a year, in scatters, of which a log is taken."""
RECENT, RECENT_BEST = 8, 6
"""Latest sessions that rates and shares are of, and the best lately."""
BEST_WEEKS, COUNT_WEEKS = (4, 13, 26, 52), (8, 26, 52, 104)
GAIN_WEEKS = (26, 52, 104)
_SPAN = np.int64(10**7)
"""More days than any log holds, so that one sorted key serves an owner and a day."""


def training_landmarks(histories: Histories, stays: Array | None = None) -> pd.DataFrame:
    """Return landmarks on all spells, one a week, or wider apart where they would be too many.

    ``stays`` (S,) is the chance that the athlete of each spell still open has not stopped for good:
    what time since the last session counts for. Left out: all or nothing, as the lapse rule says.

    Columns: ``spell`` (row of ``histories.spells``), ``session`` (row of the last one before),
    ``day``, ``weeks`` to clearing or to the end of what is known, ``cleared``, ``sure`` (weeks up
    to the last session, which count in full; below 0 where that was before), ``stays`` (what those
    after it count for) and ``weight`` (its share of ``OWN_WEEKS``).
    """
    spells = histories.spells
    start, end = day_number(spells["start"]), day_number(spells["end"])
    outcome = spells["outcome"].to_numpy()
    sure, counts_for = end, np.ones(len(spells))
    if stays is not None:
        is_open = spells["open"].to_numpy()
        cut = np.datetime64(histories.as_of, "D").astype(np.int64)
        last = day_number(spells["last_session"])
        sure, counts_for = np.where(is_open, last, end), np.where(is_open, stays, 1.0)
        end = np.where(is_open, np.where(counts_for < LEAST_STAYS, last, cut), end)
    span = end - start
    spacing = max(7.0 * SPACING_WEEKS, span.sum() / MAX_LANDMARKS)
    phase = (np.arange(1, len(spells) + 1) * GOLDEN) % 1.0 * spacing
    count = np.maximum(np.ceil((span - phase) / spacing), 0).astype(np.int64)
    spell = np.repeat(np.arange(len(spells)), count)
    step = np.arange(len(spell)) - np.repeat(np.cumsum(count) - count, count)
    day = start[spell] + np.floor(phase[spell] + spacing * step).astype(np.int64)
    # A cut on the day of a session does not know that session: at least one day must lie between.
    day = np.maximum(day, start[spell] + 1)
    keep = day < end[spell] + (outcome[spell] == CLEARED)
    spell, day = spell[keep], day[keep]
    table = pd.DataFrame(
        {
            "spell": spell,
            "day": day,
            "weeks": (end[spell] - day) / 7.0,
            "cleared": outcome[spell] == CLEARED,
            "sure": (sure[spell] - day) / 7.0,
            "stays": counts_for[spell],
            "weight": min(spacing / (7.0 * OWN_WEEKS), 1.0),
        }
    )
    return _last_session(table, histories)


def cut_landmarks(histories: Histories, spell: Ints) -> pd.DataFrame:
    """Return landmarks at the cut date for the given spells (rows of ``histories.spells``)."""
    day = np.datetime64(histories.as_of, "D").astype(np.int64)
    table = pd.DataFrame({"spell": np.asarray(spell, dtype=np.int64), "day": day})
    return _last_session(table, histories)


def _last_session(table: pd.DataFrame, histories: Histories) -> pd.DataFrame:
    """Add the row of the last session strictly before the landmark."""
    sessions = histories.sessions
    key = sessions["spell"].to_numpy(dtype=np.int64) * _SPAN + day_number(sessions["date"])
    wanted = table["spell"].to_numpy(dtype=np.int64) * _SPAN + table["day"].to_numpy(dtype=np.int64)
    return table.assign(session=np.searchsorted(key, wanted, side="left") - 1)


def landmark_features(
    histories: Histories, landmarks: pd.DataFrame, states: pd.DataFrame
) -> pd.DataFrame:
    """Return what was known at each landmark; ``states`` are filtered, one row a session."""
    sessions, spells = histories.sessions, histories.spells
    at, day = landmarks["session"].to_numpy(), landmarks["day"].to_numpy()
    own = landmarks["spell"].to_numpy()
    date, spell = day_number(sessions["date"]), sessions["spell"].to_numpy()
    first = np.searchsorted(spell, own, side="left")
    state = states.iloc[at]
    low = np.maximum(first, at - RECENT + 1)
    number = (at + 1 - low).astype(float)

    def lately(name: str) -> Array:
        """Sum over the latest sessions of the spell, the landmark's last one included."""
        running = np.concatenate([[0.0], np.cumsum(sessions[name].to_numpy(dtype=float))])
        return np.asarray(running[at + 1] - running[low])

    def share(value: Array) -> Array:
        return np.clip(np.log(np.maximum(value, 1e-3)), -2.0, 1.0)

    def clipped(values: pd.Series) -> Array:
        return np.clip(values.to_numpy(), -FARTHEST, FARTHEST)

    need = sessions["rung"].map(
        {r.key: r.criterion.confirm_sessions for r in histories.ladder.rungs}
    )
    value = np.nan_to_num(sessions["best"].to_numpy() / _marks(histories), nan=0.0)
    best = np.zeros(len(at))
    for back in range(RECENT_BEST):
        inside = at - back >= first
        best = np.maximum(best, np.where(inside, value[np.maximum(at - back, 0)], 0.0))
    ever = pd.Series(value).groupby(spell).cummax().to_numpy()
    # Equalled counts as shown again: only a best that nothing has come up to is old.
    reached = pd.Series(np.where(value >= ever, date, -(10**6))).groupby(spell).cummax().to_numpy()
    athlete = spells["athlete_id"].to_numpy(dtype=np.int64)
    done = (spells["outcome"] == CLEARED).to_numpy()
    cleared = np.sort((athlete * _SPAN + day_number(spells["end"]))[done])
    who = athlete[own] * _SPAN
    cleared_before = np.searchsorted(cleared, who + day) - np.searchsorted(cleared, who)
    begun = pd.Series(day_number(spells["start"])).groupby(athlete).transform("min").to_numpy()
    return pd.DataFrame(
        {
            "level": clipped(state["level"]),
            "gain": clipped(state["swing"] + state["pace"]),
            "pace": clipped(state["pace"]),
            "level_sd": np.sqrt(np.clip(state["var_level"].to_numpy(), 0.0, FARTHEST**2)),
            "gain_sd": np.sqrt(np.clip(state["var_gain"].to_numpy(), 0.0, FARTHEST**2)),
            "wait": (day - date[at]) / 7.0,
            "served": np.log1p((day - date[first]) / 7.0),
            "rate": number / np.maximum((day - date[low].astype(float)) / 7.0, 1.0),
            "meets": lately("meets") / number,
            "counting": lately("n_counting") / np.maximum(lately("n_sets"), 1.0),
            "run": sessions["run"].to_numpy()[at] / need.to_numpy()[at],
            "best": share(best),
            "log_wait": np.log1p((day - date[at]) / 7.0),
            "sessions": np.log1p(at - first),
            "ever": share(ever[at]),
            "since_best": np.log1p((day - reached[at]) / 7.0),
            "cleared_before": np.log1p(cleared_before),
            "since_first": np.log1p((day - begun[own]) / 7.0),
            "year": day / YEAR_DAYS,
            "rung": sessions["rung_index"].to_numpy()[at],
        }
    )


def _marks(histories: Histories) -> Array:
    """(N,) pass mark of each session's rung."""
    marks = np.array([r.criterion.target for r in histories.ladder.rungs])
    return marks[histories.sessions["rung_index"].to_numpy()]


@dataclass(frozen=True, slots=True)
class CommonScale:
    """One scale for an athlete's values on all rungs.

    ``positions`` (R,) how much less each rung's mark asks than the mean one, in logs; ``scatter``
    of an athlete's days about each other; ``usual_age`` where the roster has none.
    """

    positions: Array
    scatter: float
    usual_age: float


def common_scale(histories: Histories) -> CommonScale:
    """Read from athletes who trained several rungs how much more each rung's mark asks.

    Least squares of log shares on rungs, with a parabola of time of each athlete's own.
    """
    sessions, n_rungs = histories.sessions, len(histories.ladder.rungs)
    share, rung = log_shares(histories), sessions["rung_index"].to_numpy()
    who = histories.spells["athlete_id"].to_numpy()[sessions["spell"].to_numpy()]
    year = day_number(sessions["date"]) / YEAR_DAYS
    matrix, target = STEP_PRIOR * np.eye(n_rungs), np.zeros(n_rungs)
    order = np.argsort(who, kind="stable")
    order = order[np.isfinite(share[order])]
    for rows in np.split(order, np.flatnonzero(np.diff(who[order])) + 1):
        if len(rows) > 3 and (rung[rows] != rung[rows[0]]).any():
            time = year[rows] - year[rows].mean()
            trend, _ = np.linalg.qr(np.column_stack([np.ones(len(rows)), time, time**2]))
            both = np.column_stack([np.eye(n_rungs)[rung[rows]], share[rows]])
            both -= trend @ (trend.T @ both)
            matrix += both[:, :-1].T @ both[:, :-1]
            target += both[:, :-1].T @ both[:, -1]
    same = np.diff(sessions["spell"].to_numpy()) == 0
    steps = np.abs(np.diff(share)[same])
    steps = steps[np.isfinite(steps)]
    # 1.05 is 1.4826 / sqrt(2): a normal law's deviation from the median step between its draws
    scatter = max(1.05 * float(np.median(steps)) if len(steps) else 0.0, LEAST_SCATTER)
    ages = _ages_at_cut(histories).dropna()
    positions = np.asarray(np.linalg.solve(matrix, target), dtype=float)
    return CommonScale(positions, scatter, float(ages.mean()) if len(ages) else 0.0)


def log_shares(histories: Histories) -> Array:
    """(N,) log of a session's best counting value over the mark; missing where none counted."""
    share = histories.sessions["best"].to_numpy() / _marks(histories)
    return np.clip(np.log(np.where(share > 0, share, np.nan)), LOWEST, HIGHEST)


def athlete_records(
    histories: Histories, landmarks: pd.DataFrame, scale: CommonScale, edges: Array
) -> tuple[pd.DataFrame, Array]:
    """Return one row a landmark, and (T, B, 4) sessions of its stretches one and two years ago.

    Bests are gaps to the mark in scatters, a value on another rung read as the share of this
    rung's mark that it is worth; counts and times are logs. The last axis: sessions in the
    stretch, and up to its end, each a year and two years before.
    """
    sessions, spells = histories.sessions, histories.spells
    spell = sessions["spell"].to_numpy()
    order = np.lexsort((day_number(sessions["date"]), spells["athlete_id"].to_numpy()[spell]))
    who = spells["athlete_id"].to_numpy()[spell][order].astype(np.int64)
    day = day_number(sessions["date"])[order].astype(np.int64)
    rung = sessions["rung_index"].to_numpy()[order]
    value = log_shares(histories)[order] - scale.positions[rung]
    key = who * _SPAN + day
    own = landmarks["spell"].to_numpy()
    at = landmarks["day"].to_numpy(dtype=np.int64)
    base = spells["athlete_id"].to_numpy()[own].astype(np.int64) * _SPAN
    stop, start = np.searchsorted(key, base + at), np.searchsorted(key, base)
    count = stop - start
    row = np.repeat(np.arange(len(at)), count)
    pair = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + start[row]
    begins = np.cumsum(count) - count
    mark = scale.positions[spells["rung_index"].to_numpy()[own]]
    gap = np.clip(-(value[pair] + mark[row]), -HIGHEST, -LOWEST)  # above 0: short of the mark
    gap = np.where(np.isfinite(gap), gap, -LOWEST) / scale.scatter
    age = (at[row] - day[pair]) / 7.0

    def least(inside: Array) -> Array:
        return np.minimum.reduceat(np.where(inside, gap, np.inf), begins)

    figures: dict[str, Array] = {"last": gap[stop - 1 - start + begins]}
    ever = least(np.full(len(gap), True))
    reached = np.maximum.reduceat(np.where(gap <= ever[row] + 1e-9, -age, -np.inf), begins)
    figures |= {"ever": ever, "since_best": np.log1p(-reached)}
    bests = ever
    for weeks in reversed(BEST_WEEKS):
        best = least(age <= weeks)
        bests = np.where(np.isfinite(best), best, bests)
        figures[f"best_{weeks}"] = bests
    within = age <= 52
    place = np.maximum.reduceat(
        np.where(within & (gap <= figures["best_52"][row]), np.arange(len(gap)), -1), begins
    )
    second = least(within & (np.arange(len(gap)) != place[row]))
    figures["second_52"] = np.where(np.isfinite(second), second, figures["last"])
    for weeks in COUNT_WEEKS:
        figures[f"days_{weeks}"] = np.log1p(np.add.reduceat((age <= weeks).astype(float), begins))
    first_gap = gap[begins]
    for weeks in GAIN_WEEKS:
        earlier = least(age > weeks)
        figures[f"gain_{weeks}"] = np.where(np.isfinite(earlier), earlier, first_gap) - ever
    figures["since_first"] = np.log1p((at - day[start]) / 7.0)
    figures["days_all"] = np.log1p(count)
    for weeks in GAIN_WEEKS[1:]:
        rate = np.maximum(figures[f"gain_{weeks}"] * 52 / weeks, SLOWEST)
        years = np.log(np.maximum(ever, NARROWEST) / rate)
        figures[f"left_{weeks}"] = np.clip(years, -3.0, 4.0)
    ages = spells["athlete"].iloc[own].map(_ages_at_cut(histories)).fillna(scale.usual_age)
    cut = np.datetime64(histories.as_of, "D").astype(np.int64)
    figures["age"] = ages.to_numpy(dtype=float) - (cut - at) / YEAR_DAYS
    ends = np.round(7 * edges).astype(np.int64) - 364 * np.array([[1], [2]])  # (2, B + 1)
    seen = np.searchsorted(key, (base + at)[:, None, None] + ends)
    seen = np.clip(seen, start[:, None, None], stop[:, None, None]).astype(float)
    calendar = np.concatenate([np.diff(seen, axis=2), seen[:, :, 1:] - seen[:, :, :1]], axis=1)
    return pd.DataFrame(figures), np.log1p(calendar.transpose(0, 2, 1))


def _ages_at_cut(histories: Histories) -> pd.Series:
    """Years of age by athlete, as far as the roster says."""
    roster = histories.roster
    if "birth_date" in roster:
        born = pd.to_datetime(roster["birth_date"], errors="coerce", format="mixed")
        return (histories.as_of - born).dt.days / YEAR_DAYS
    if "age" in roster:
        return pd.to_numeric(roster["age"], errors="coerce")
    return pd.Series(dtype=float)
