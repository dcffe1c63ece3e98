"""Verdicts over a log: chances, gain, flag and date of every open rung, and at sessions past."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from forecast.errors import ForecastError, is_number
from forecast.histories import Histories
from forecast.plateau.figures import NAMES, Table, figures_at, habits_of, table_of
from forecast.plateau.trees import (
    CLIMBING,
    FLAT,
    LEAST_CHANCE,
    QUANTILES,
    SLIP,
    SLIPPING,
    STEEP,
    VerdictModel,
    bounded,
    chances_of,
    gains_of,
    moved_chances,
    read_verdict,
    smallest_gain_at,
)
from forecast.types import Array, Flags, Ints

DEFAULT_FALSE_ALARMS = 0.2
MIN_WEEKS, MIN_SESSIONS = 4.0, 6
"""With less training on a rung than this nothing can be said, and no alarm is given."""
HARD_CAREERS = 2.5
"""Careers hold more hard cases than clubs: limits that give 0.5 false alarms a year on careers left
out give 0.28 in worlds of another make and 0.1 under our own laws (docs/method/plateau.md)."""
STAY = 0.5
"""A flag goes up, and stays up, only while the chance of no progress is no less."""
LOOKS = 60
"""Weeks looked back over: one look a week, at the week's last session."""
SPAN_WEEKS, SPAN_DAYS = 6, 42
LEAST_REACH = 0.1
LATELY_DAYS = 182
PRIOR_LOOKS = 200.0
"""The careers' shares of the classes count like so many spells of a log (judgement; tried)."""
ROUNDS = 60
LOWEST_LEVEL = -2.5


@dataclass(frozen=True, slots=True)
class ClubVerdict:
    """What was learnt from a log: how often its spells climb, stand still and slip.

    Attributes
    ----------
    shares
        (3,) shares of climbing, flat and slipping, shrunk to the careers'.
    looks
        How many spells they rest on.
    habits
        (7,) what the log's sessions of the last half year showed, see ``figures.HABITS``.
    """

    shares: Array
    looks: int
    habits: Array


@dataclass(frozen=True, slots=True)
class Verdicts:
    """Verdicts at n sessions.

    ``chances`` (n, 3) of climbing, flat and slipping; ``steep`` (n,) of climbing steeply; ``gains``
    (n, 3), 10, 50 and 90 % points of the gain a week; ``least`` (n,) the smallest gain that
    matters; ``unlike`` (n,) whether the figures lie outside those of the careers.
    """

    chances: Array
    steep: Array
    gains: Array
    least: Array
    unlike: Flags

    @property
    def p_stuck(self) -> Array:
        """(n,) chance of too little gain, or of loss."""
        return np.asarray(1.0 - self.chances[:, CLIMBING])


_LEVEL = NAMES.index("best: mean, 6 weeks")


def verdicts_at(
    table: Table,
    spell: Ints,
    at: Ints,
    club: ClubVerdict | None = None,
    smallest_gain: float | None = None,
    model: VerdictModel | None = None,
) -> Verdicts:
    """Return the verdicts on spells (n,) after their sessions ``at`` (n,); nothing later is seen.

    ``table`` from ``table_of``; ``at`` numbers sessions over all spells, as ``histories.sessions``
    does. ``club`` from ``learn_shares``; the careers' shares where left out.
    """
    trees = model or read_verdict()
    habits = trees.habits if club is None else club.habits
    figures = figures_at(
        table, np.asarray(spell, dtype=np.int64), np.asarray(at, dtype=np.int64), habits
    )
    return judge(trees, figures, None if club is None else club.shares, smallest_gain)


def judge(
    trees: VerdictModel, figures: Array, shares: Array | None, smallest_gain: float | None = None
) -> Verdicts:
    """Return the verdicts on figures (n, F), in a log (3,) or logs (n, 3) with other shares."""
    outputs = trees.outputs(figures)
    (chances, steep), gains = chances_of(outputs), gains_of(outputs)
    steep = steep / chances[:, CLIMBING]
    if shares is not None:
        chances = bounded(chances * (shares / trees.shares))
    level = np.clip(figures[:, _LEVEL], LOWEST_LEVEL, 1.0)
    least = smallest_gain_at(level, smallest_gain)
    if smallest_gain is not None:
        chances = moved_chances(chances, gains, smallest_gain_at(level), least)
    steep = steep * chances[:, CLIMBING]
    # every point of the gain lies on the side of these gains that the chances put it on
    below = (chances[:, SLIPPING], 1.0 - chances[:, CLIMBING], 1.0 - steep)
    marks = (np.full(len(level), SLIP), least, np.maximum(least, STEEP))
    for mark, chance in zip(marks, below, strict=True):
        lower, at = chance[:, None] >= np.array(QUANTILES), mark[:, None]
        gains = np.where(lower, np.minimum(gains, at), np.maximum(gains, at))
    return Verdicts(chances, steep, gains, least, trees.outside(figures) > trees.most_outside)


def learn_shares(histories: Histories, *, table: Table | None = None) -> ClubVerdict:
    """Learn how often a log's open spells stand still now.

    The shares that the chances themselves say, by EM (Saerens, Latinne & Decaestecker 2002, Neural
    Computation 14:21), shrunk to those of the careers as if these had been seen ``PRIOR_LOOKS``
    times. Spells not trained for half a year are left out.
    """
    table = table or table_of(histories)
    trees = read_verdict()
    spell, at = _open_spells(histories, table)
    cut = np.datetime64(histories.as_of, "D").astype(np.int64)
    lately = (cut - table.day[at] <= LATELY_DAYS) & (at - table.start[spell] >= 2)
    one = np.zeros(1, dtype=np.int64)
    habits = habits_of(table, np.zeros(len(table.start), dtype=np.int64), one, one + cut)[0]
    plain = ClubVerdict(trees.shares.copy(), int(lately.sum()), habits)
    if not lately.any():
        return plain
    chances = verdicts_at(table, spell[lately], at[lately], plain).chances
    return replace(plain, shares=own_shares(chances, trees.shares))


def _open_spells(histories: Histories, table: Table) -> tuple[Ints, Ints]:
    """Open spells and their last sessions."""
    spell = np.flatnonzero(histories.spells["open"].to_numpy(dtype=bool) & (table.length > 0))
    return spell, table.start[spell] + table.length[spell] - 1


def own_shares(chances: Array, usual: Array, prior: float = PRIOR_LOOKS) -> Array:
    """Shares (3,) of the classes where ``chances`` (n, 3) were made for the shares ``usual``."""
    shares = usual.copy()
    for _ in range(ROUNDS):
        weight = chances * (shares / usual)
        weight /= weight.sum(axis=1, keepdims=True)
        shares = (weight.sum(axis=0) + prior * usual) / (len(chances) + prior)
    return np.asarray(shares)


def looks_back(table: Table, spell: Ints, at: Ints) -> tuple[Ints, Ints, Ints]:
    """One session a week back from each of ``at``: which of the n, how many weeks back, session."""
    first = np.maximum(table.start[spell], 0)
    number = at - first + 1
    which = np.repeat(np.arange(len(at)), number)
    session = np.arange(len(which)) - np.repeat(np.cumsum(number) - number, number) + first[which]
    back = (table.day[at][which] - table.day[session]) // 7
    newest = np.ones(len(which), dtype=bool)
    newest[:-1] = (back[1:] != back[:-1]) | (which[1:] != which[:-1])
    keep = newest & (back < LOOKS)
    return which[keep], back[keep], session[keep]


def enough_record(table: Table, spell: Ints, at: Ints) -> Flags:
    """Whether a spell has record enough to be judged after a session, (n,).

    Sessions in which nothing was made do not count: they tell no change.
    """
    first = table.start[spell]
    weeks = (table.day[at] - table.day[first]) / 7.0
    made = np.concatenate([[0], np.cumsum(np.isfinite(table.values[2]))])
    return np.asarray((weeks >= MIN_WEEKS) & (made[at + 1] - made[first] >= MIN_SESSIONS))


def attendance(table: Table, spell: Ints, at: Ints) -> Array:
    """Sessions a week on the rung so far, (n,)."""
    first = table.start[spell]
    return np.asarray((at - first) / np.maximum((table.day[at] - table.day[first]) / 7.0, 1.0))


def limits_for(false_alarms_per_year: float, smallest_gain: float | None = None) -> Array:
    """Return the chance of steep climbing up to which a flag may go up, by attendance, (G,).

    As counted on careers left out, kept beside the trees, at ``HARD_CAREERS`` times the setting.
    Raises ``ForecastError`` where ``false_alarms_per_year`` is not a number above 0 and up to 10,
    or ``smallest_gain`` is neither None nor a number from 0 up to 1.
    """
    if not (is_number(false_alarms_per_year) and 0 < false_alarms_per_year <= 10):
        raise ForecastError(
            f"false_alarms_per_year = {false_alarms_per_year!r}; give a number above 0 and up to "
            "10, such as 0.2 (one false alarm an athlete in five years)."
        )
    if smallest_gain is not None and not (is_number(smallest_gain) and 0 <= smallest_gain < 1):
        raise ForecastError(
            f"smallest_gain = {smallest_gain!r}; give a gain a week from 0 up to 1, such as 0.01 "
            "(1 % a week), or None for what takes a year to the target."
        )
    trees = read_verdict()
    on_careers = HARD_CAREERS * false_alarms_per_year
    wanted = np.log(np.clip(on_careers, trees.settings[0], trees.settings[-1]))
    columns = [np.interp(wanted, np.log(trees.settings), limits) for limits in trees.limits.T]
    return np.array(columns)


VERDICT_COLUMNS = (
    "athlete", "rung", "p_climbing", "p_flat", "p_slipping", "gain", "gain_low", "gain_high",
    "smallest_gain", "flagged", "enough", "unlike", "since", "since_low", "since_high",
    "weeks_flat",
)  # fmt: skip


def verdicts(
    histories: Histories,
    club: ClubVerdict | None = None,
    *,
    false_alarms_per_year: float = DEFAULT_FALSE_ALARMS,
    smallest_gain: float | None = None,
) -> pd.DataFrame:
    """Return the verdict on every open spell, one row each, in the order of the spells.

    Parameters
    ----------
    histories
        Histories of a log up to a cut date.
    club
        From ``learn_shares``; learnt from this log where left out.
    false_alarms_per_year
        How many false alarms one athlete may get in a year of training.
    smallest_gain
        Gain a week (0.01 is 1 %) below which progress counts as flat. Left out: the gain that
        takes a year to the target from where the athlete stands, but 0.5 % a week at least.

    Returns
    -------
    DataFrame
        Columns ``VERDICT_COLUMNS``. ``p_climbing``, ``p_flat``, ``p_slipping`` add to 1: whether
        the true change of level over the last six weeks was enough, too little, or downward;
        ``gain`` a week with its 80 % range; ``since`` with its own and ``weeks_flat`` only where
        ``flagged``; ``unlike``: whether the figures lie outside those of the careers learnt from.

    Raises
    ------
    ForecastError
        A setting is out of range.
    """
    limits = limits_for(false_alarms_per_year, smallest_gain)
    table = table_of(histories)
    spell, at = _open_spells(histories, table)
    club = club or learn_shares(histories, table=table)
    now = verdicts_at(table, spell, at, club, smallest_gain)
    enough = enough_record(table, spell, at)
    flagged = np.zeros(len(spell), dtype=bool)
    onset = np.full((len(spell), 3), np.nan)
    asked = np.flatnonzero(enough & (now.p_stuck >= STAY))
    if len(asked):
        seen, steep = _looks(table, spell[asked], at[asked], club, smallest_gain)
        most = limits[np.searchsorted(read_verdict().edges, attendance(table, spell, at)[asked])]
        flagged[asked] = flags_of(seen, steep <= most[:, None])
        first, last = table.day[table.start[spell[asked]]], table.day[at[asked]]
        began = last[:, None] - SPAN_DAYS - 7.0 * weeks_back(seen)
        onset[asked] = np.clip(began, first[:, None], last[:, None] - 7)
    cut = np.datetime64(histories.as_of, "D").astype(np.int64)
    onset = np.where(flagged[:, None], onset, np.nan)
    days = {
        name: pd.to_datetime(pd.Series(np.round(day), dtype="float64"), unit="D").to_numpy()
        for name, day in zip(("since_low", "since", "since_high"), onset.T, strict=True)
    }
    names = histories.spells.iloc[spell][["athlete", "rung"]].reset_index(drop=True)
    figures = {
        "p_climbing": now.chances[:, CLIMBING],
        "p_flat": now.chances[:, FLAT],
        "p_slipping": now.chances[:, SLIPPING],
        "gain": now.gains[:, 1],
        "gain_low": now.gains[:, 0],
        "gain_high": now.gains[:, 2],
        "smallest_gain": now.least,
        "flagged": flagged,
        "enough": enough,
        "unlike": now.unlike,
        **days,
        "weeks_flat": (cut - onset[:, 1]) / 7.0,
    }
    return names.assign(**figures)[list(VERDICT_COLUMNS)]


def _looks(
    table: Table, spell: Ints, at: Ints, club: ClubVerdict, smallest_gain: float | None
) -> tuple[Array, Array]:
    """Look back once a week, newest first, (n, LOOKS): chances of no progress, of steep climbing.

    Missing where there is no look, and before a stretch that has surely begun.
    """
    which, back, session = looks_back(table, spell, at)
    judged = enough_record(table, spell[which], session)
    which, back, session = which[judged], back[judged], session[judged]
    seen, steep = np.full((2, len(at), LOOKS), np.nan)
    for low in range(0, LOOKS, SPAN_WEEKS):
        goes_on = ~(seen < STAY).any(axis=1) | (_reach(seen)[:, -1] >= LEAST_REACH)
        rows = goes_on[which] & (back >= low) & (back < low + SPAN_WEEKS)
        if rows.any():
            own, week = which[rows], back[rows]
            then = verdicts_at(table, spell[own], session[rows], club, smallest_gain)
            seen[own, week], steep[own, week] = then.p_stuck, then.steep
    return seen, steep


def flags_of(seen: Array, ready: Flags) -> Flags:
    """Whether a flag is up now (n,): ``ready`` at a look since which all said ``STAY`` or more.

    ``seen`` (n, LOOKS) chances of no progress, newest first.
    """
    there = np.logical_and.accumulate(~(seen < STAY), axis=1) & np.isfinite(seen)
    return np.asarray((there & ready).any(axis=1))


def weeks_back(seen: Array) -> Array:
    """Weeks back to the oldest look of the stretch without progress: 90, 50 and 10 % points (n, 3).

    A stretch that is on now reaches back to a look with the product of the chances of the looks
    since. Looks a week apart share most of their six weeks: so many of them count as one.
    """
    far, looks = np.isfinite(seen), np.arange(seen.shape[1])
    reach = _reach(seen)
    points = (LEAST_REACH, 0.5, 1.0 - LEAST_REACH)
    return np.stack([np.where(far & (reach >= q), looks, 0).max(axis=1) for q in points], axis=1)


def _reach(seen: Array) -> Array:
    """Chance that a stretch without progress that is on now began before each look, (n, LOOKS)."""
    told = np.where(np.isfinite(seen), np.clip(seen, LEAST_CHANCE, 1.0), 1.0)
    return np.asarray(np.exp(np.cumsum(np.log(told), axis=1) / SPAN_WEEKS))
