"""Landmarks: moments on a spell from which the weeks to clearing are looked at.

Training landmarks are spread evenly over calendar time, so that a spell weighs in by how long it
lasted: a cut drawn blind meets slow spells more often than quick ones (van Houwelingen 2007,
Scand. J. Stat. 34:70, on landmarking; length bias: Cox 1969).
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from forecast.histories import CLEARED, Histories, day_number
from forecast.log import YEAR_DAYS
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


def training_landmarks(histories: Histories, stays: Array | None = None) -> pd.DataFrame:
    """Return landmarks on all spells, one a week from an early day of each spell on.

    Parameters
    ----------
    histories
        Records.
    stays
        (S,) chance that the athlete of each spell still open has not stopped for good. Time since
        the last session counts for so much: it is time on the rung for whoever is away, none for
        whoever has left. Left out: all or nothing, as the lapse rule says.

    Returns
    -------
    DataFrame
        ``spell`` (row of ``histories.spells``), ``session`` (row of the last session before),
        ``day`` (date of the landmark), ``weeks`` to clearing or to the end of what is known,
        ``cleared``, ``sure`` (weeks up to the last session, which count in full; below 0 where
        that was before), ``stays`` (what the weeks after it count for) and ``weight`` (its share
        of ``OWN_WEEKS``). Spacing widens where ``MAX_LANDMARKS`` would be exceeded.
    """
    spells = histories.spells
    start = day_number(spells["start"])
    end = day_number(spells["end"])
    sure, part = end, np.ones(len(spells))
    if stays is not None:
        is_open = spells["open"].to_numpy()
        cut = np.datetime64(histories.as_of, "D").astype(np.int64)
        last = day_number(spells["last_session"])
        sure, part = np.where(is_open, last, end), np.where(is_open, stays, 1.0)
        end = np.where(is_open, np.where(part < LEAST_STAYS, last, cut), end)
    span = end - start
    spacing = max(7.0 * SPACING_WEEKS, span.sum() / MAX_LANDMARKS)
    phase = (np.arange(1, len(spells) + 1) * GOLDEN) % 1.0 * spacing
    count = np.maximum(np.ceil((span - phase) / spacing), 0).astype(np.int64)
    spell = np.repeat(np.arange(len(spells)), count)
    step = np.arange(len(spell)) - np.repeat(np.cumsum(count) - count, count)
    day = start[spell] + np.floor(phase[spell] + spacing * step).astype(np.int64)
    # A cut on the day of a session does not know that session: at least one day must lie between.
    day = np.maximum(day, start[spell] + 1)
    keep = day < end[spell] + (spells["outcome"].to_numpy()[spell] == CLEARED)
    table = pd.DataFrame({"spell": spell[keep], "day": day[keep]})
    table["weeks"] = (end[table["spell"]] - table["day"]) / 7.0
    table["cleared"] = spells["outcome"].to_numpy()[table["spell"]] == CLEARED
    table["sure"] = (sure[table["spell"]] - table["day"]) / 7.0
    table["stays"] = part[table["spell"]]
    table["weight"] = min(spacing / (7.0 * OWN_WEEKS), 1.0)
    return _last_session(table, histories)


def cut_landmarks(histories: Histories, spell: Ints) -> pd.DataFrame:
    """Return landmarks at the cut date for the given spells (rows of ``histories.spells``)."""
    day = np.datetime64(histories.as_of, "D").astype(np.int64)
    table = pd.DataFrame({"spell": np.asarray(spell, dtype=np.int64), "day": day})
    return _last_session(table, histories)


def _last_session(table: pd.DataFrame, histories: Histories) -> pd.DataFrame:
    """Add the row of the last session strictly before the landmark."""
    sessions = histories.sessions
    day = day_number(sessions["date"])
    spell = sessions["spell"].to_numpy(dtype=np.int64)
    span = np.int64(10**7)  # more days than any log holds, so that one sorted key serves both
    key = spell * span + day
    wanted = table["spell"].to_numpy(dtype=np.int64) * span + table["day"].to_numpy(dtype=np.int64)
    table["session"] = np.searchsorted(key, wanted, side="left") - 1
    return table


def landmark_features(
    histories: Histories, landmarks: pd.DataFrame, states: pd.DataFrame
) -> pd.DataFrame:
    """Return what was known at each landmark, one row each.

    ``states`` have one row a session of ``histories.sessions``: ``level, swing, pace, var_level,
    var_gain`` as filtered with the sessions up to it.
    """
    sessions = histories.sessions
    at = landmarks["session"].to_numpy()
    session_day = day_number(sessions["date"])
    spell = sessions["spell"].to_numpy()
    first = np.searchsorted(spell, landmarks["spell"].to_numpy(), side="left")
    day = landmarks["day"].to_numpy()
    state = states.iloc[at]
    recent = _window_sums(sessions, at, first, 8)
    need = sessions["rung"].map(
        {r.key: r.criterion.confirm_sessions for r in histories.ladder.rungs}
    )
    best = _recent_best(histories, at, first)
    ever, since_best = _best_so_far(histories, at, day)
    cleared_before, since_first = _earlier_rungs(histories, landmarks["spell"].to_numpy(), day)
    return pd.DataFrame(
        {
            "level": np.clip(state["level"].to_numpy(), -FARTHEST, FARTHEST),
            "gain": np.clip((state["swing"] + state["pace"]).to_numpy(), -FARTHEST, FARTHEST),
            "pace": np.clip(state["pace"].to_numpy(), -FARTHEST, FARTHEST),
            "level_sd": np.sqrt(np.clip(state["var_level"].to_numpy(), 0.0, FARTHEST**2)),
            "gain_sd": np.sqrt(np.clip(state["var_gain"].to_numpy(), 0.0, FARTHEST**2)),
            "wait": (day - session_day[at]) / 7.0,
            "served": np.log1p((day - session_day[first]) / 7.0),
            "rate": recent["n"] / np.maximum((day - recent["from_day"]) / 7.0, 1.0),
            "meets": recent["meets"] / recent["n"],
            "counting": recent["counting"] / np.maximum(recent["sets"], 1.0),
            "run": (sessions["run"].to_numpy()[at] / need.to_numpy()[at]),
            "best": best,
            "log_wait": np.log1p((day - session_day[at]) / 7.0),
            "sessions": np.log1p(at - first),
            "ever": ever,
            "since_best": since_best,
            "cleared_before": cleared_before,
            "since_first": since_first,
            "year": day / YEAR_DAYS,
            "rung": sessions["rung_index"].to_numpy()[at],
        }
    )


def _window_sums(sessions: pd.DataFrame, at: Ints, first: Ints, window: int) -> dict[str, Array]:
    """Sums over the latest ``window`` sessions of the spell, the landmark's last one included."""
    low = np.maximum(first, at - window + 1)
    day = day_number(sessions["date"])

    def window_sum(name: str) -> Array:
        running = np.concatenate([[0.0], np.cumsum(sessions[name].to_numpy(dtype=float))])
        return np.asarray(running[at + 1] - running[low])

    return {
        "n": (at + 1 - low).astype(float),
        "meets": window_sum("meets"),
        "counting": window_sum("n_counting"),
        "sets": window_sum("n_sets"),
        "from_day": day[low].astype(float),
    }


def _best_so_far(histories: Histories, at: Ints, day: Ints) -> tuple[Array, Array]:
    """Best of the spell up to each landmark as log(value / target), and log of weeks since then."""
    sessions = histories.sessions
    targets = np.array([r.criterion.target for r in histories.ladder.rungs])
    value = (sessions["best"] / targets[sessions["rung_index"].to_numpy()]).fillna(0.0)
    ever = value.groupby(sessions["spell"].to_numpy()).cummax().to_numpy()
    date = day_number(sessions["date"])
    # Equalled counts as shown again: only a best that nothing has come up to is old.
    reached = np.where(value.to_numpy() >= ever, date, -(10**6))
    since = pd.Series(reached).groupby(sessions["spell"].to_numpy()).cummax().to_numpy()
    return (
        np.clip(np.log(np.maximum(ever[at], 1e-3)), -2.0, 1.0),
        np.log1p((day - since[at]) / 7.0),
    )


def _recent_best(histories: Histories, at: Ints, first: Ints) -> Array:
    """log(best counting value / target) over the latest six sessions; -2 where none counted."""
    sessions = histories.sessions
    targets = np.array([r.criterion.target for r in histories.ladder.rungs])
    value = sessions["best"].to_numpy() / targets[sessions["rung_index"].to_numpy()]
    value = np.nan_to_num(value, nan=0.0)
    best = np.zeros(len(at))
    for back in range(6):
        where = at - back
        best = np.maximum(best, np.where(where >= first, value[np.maximum(where, 0)], 0.0))
    return np.clip(np.log(np.maximum(best, 1e-3)), -2.0, 1.0)


def _earlier_rungs(histories: Histories, spell: Ints, day: Ints) -> tuple[Array, Array]:
    """Logs of 1 + rungs cleared before each landmark, and of 1 + weeks in the log, by athlete."""
    spells = histories.spells
    start, end = day_number(spells["start"]), day_number(spells["end"])
    athlete = spells["athlete_id"].to_numpy(dtype=np.int64)
    span = np.int64(10**7)  # as in ``_last_session``
    cleared = np.sort((athlete * span + end)[(spells["outcome"] == CLEARED).to_numpy()])
    who = athlete[spell] * span
    number = np.searchsorted(cleared, who + day) - np.searchsorted(cleared, who)
    first = pd.Series(start).groupby(athlete).transform("min").to_numpy()
    return np.log1p(number), np.log1p((day - first[spell]) / 7.0)
