"""Verdicts over a log, by trees learnt from careers (``learn``): chances, gain, flag and date.

The trees are kept as plain arrays. Their first four outputs are log weights of climbing steeply,
climbing, flat and slipping; the last three the 10, 50 and 90 % points of the gain a week beside a
trend's (``centre_of``), as ``asinh(gain / GAIN_UNIT)``.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from functools import cache
from importlib.resources import as_file, files

import numpy as np
import pandas as pd
from scipy.special import expit, logit
from scipy.stats import norm

from forecast.boosted import sum_leaves
from forecast.errors import ForecastError, is_number
from forecast.histories import Histories
from forecast.plateau.figures import NAMES, Table, figures_at, habits_of, table_of
from forecast.types import Array, Flags, Ints

CLIMBING, FLAT, SLIPPING = 0, 1, 2
FILE = "verdict.npz"
GAIN_UNIT = 0.01
EIGHTY = float(norm.ppf(0.9))
"""Deviations of a normal law on either side of its middle that hold 80 %."""
FLOOR, YEAR = 0.005, 52.0
SLIP, STEEP = -0.005, 0.03
"""A true gain a week below this is slipping, above this steep climbing (judgement)."""
QUANTILES = (0.1, 0.5, 0.9)
LEAST_CHANCE = 1e-3
"""No class is ever ruled out."""
DEFAULT_FALSE_ALARMS = 0.2
MIN_WEEKS, MIN_SESSIONS = 4.0, 6
"""With less training on a rung than this nothing can be said, and no alarm is given."""
HARD_CAREERS = 4.0
"""Careers hold more hard cases than clubs: a limit that gives 0.8 false alarms a year on careers
left out gives a fifth of that in worlds of another make (docs/method/plateau.md)."""
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
class VerdictModel:
    """Trees as arrays, see ``forecast.boosted``, with seven outputs; and what careers showed.

    ``low, high`` (F,): 0.5 and 99.5 % points of each figure; ``most_outside``: share of figures
    outside these that one career in a hundred has; ``shares`` (3,) of climbing, flat and slipping;
    ``habits`` (H,) that clubs' sessions usually show; ``settings`` (K,), false alarms a year, and
    ``limits`` (K,), see ``limit_for``.
    """

    feature: Ints
    threshold: Array
    left: Ints
    right: Ints
    value: Array
    roots: Ints
    output: Ints
    base: Array
    low: Array
    high: Array
    most_outside: Array
    shares: Array
    habits: Array
    settings: Array
    limits: Array

    def outputs(self, figures: Array) -> Array:
        """Return the seven raw outputs (n, 7) of figures (n, F)."""
        rows = np.ascontiguousarray(figures, dtype=np.float64)
        out = self.base + sum_leaves(
            rows, self.feature, self.threshold, self.left, self.right, self.value, self.roots,
            self.output,
        )  # fmt: skip
        out[:, 4:] += centre_of(rows)[:, None]
        return out

    def outside(self, figures: Array) -> Array:
        """Return the share of figures outside the careers' usual range, (n,)."""
        return np.asarray(((figures < self.low) | (figures > self.high)).mean(axis=1))


_CENTRE = NAMES.index("trend: rise of 6 weeks")


def centre_of(figures: Array) -> Array:
    """What a trend makes of the last six weeks (n,), on the scale that gains are learnt on."""
    return np.asarray(np.arcsinh(np.clip(figures[:, _CENTRE], -0.3, 0.3) / GAIN_UNIT))


def chances_of(outputs: Array) -> tuple[Array, Array]:
    """Chances of climbing, flat and slipping (n, 3), adding to 1, and of climbing steeply (n,)."""
    raw = np.exp(outputs[:, :4] - outputs[:, :4].max(axis=1, keepdims=True))
    raw /= raw.sum(axis=1, keepdims=True)
    return bounded(np.column_stack([raw[:, 0] + raw[:, 1], raw[:, 2:]])), raw[:, 0]


def bounded(chances: Array) -> Array:
    """Return chances of which none is quite 0, adding to 1."""
    chances = np.maximum(chances, LEAST_CHANCE)
    return np.asarray(chances / chances.sum(axis=1, keepdims=True))


def gains_of(outputs: Array) -> Array:
    """Gain a week: 10, 50 and 90 % points (n, 3)."""
    return GAIN_UNIT * np.sinh(np.sort(outputs[:, 4:7], axis=1))


def smallest_gain_at(level: Array, smallest_gain: float | None = None) -> Array:
    """Return the smallest gain that matters at some levels (0 is the target), per week.

    ``smallest_gain`` is one figure for all, or ``None`` for the gain that takes a year to the
    target, and half a per cent a week where that is more.
    """
    if smallest_gain is not None:
        return np.full(np.shape(level), float(smallest_gain))
    return np.maximum(FLOOR, -np.asarray(level) / YEAR)


def chance_below(gains: Array, gain: Array | float) -> Array:
    """Chance (n,) that the true gain is below ``gain``, from the range ``gains`` (n, 3).

    Normal to either side of the middle, on the scale that the points were learnt on.
    """
    low, middle, high = np.arcsinh(gains / GAIN_UNIT).T
    off = np.arcsinh(np.asarray(gain) / GAIN_UNIT) - middle
    spread = np.where(off < 0, middle - low, high - middle) / EIGHTY
    return np.clip(norm.cdf(off / np.maximum(spread, 1e-6)), 1e-4, 1.0 - 1e-4)


def moved_chances(chances: Array, gains: Array, usual: Array, asked: Array) -> Array:
    """Return the chances where another gain than the usual is the smallest that matters, (n, 3).

    Chances of no progress move as the range of the gain says, on the scale of log odds; slipping
    stays what it is.
    """
    stuck = np.clip(1.0 - chances[:, CLIMBING], 1e-6, 1.0 - 1e-6)
    step = logit(chance_below(gains, asked)) - logit(chance_below(gains, usual))
    moved = expit(logit(stuck) + step)
    slipping = np.minimum(chances[:, SLIPPING], moved)
    return bounded(np.column_stack([1.0 - moved, moved - slipping, slipping]))


@cache
def read_verdict() -> VerdictModel:
    """Return the shipped trees."""
    with as_file(files("forecast.plateau") / FILE) as path, np.load(path) as kept:
        arrays = {f.name: kept[f.name] for f in fields(VerdictModel)}
    whole = {name: a.astype(np.int64) for name, a in arrays.items() if a.dtype.kind in "iu"}
    return VerdictModel(**{**arrays, **whole})


@dataclass(frozen=True, slots=True)
class ClubVerdict:
    """What was learnt from a log: how often its spells climb, stand still and slip.

    ``shares`` (3,) of climbing, flat and slipping, shrunk to the careers'; on how many spells
    (``looks``) they rest; ``habits`` (H,) of the last half year, see ``figures.HABITS``.
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
    table: Table, spell: Ints, at: Ints, club: ClubVerdict | None = None,
    smallest_gain: float | None = None, model: VerdictModel | None = None,
) -> Verdicts:  # fmt: skip
    """Return the verdicts on spells (n,) after their sessions ``at`` (n,); nothing later is seen.

    ``at`` numbers sessions over all spells, as ``histories.sessions`` does. ``club`` from
    ``learn_shares``; the careers' shares and habits where left out.
    """
    trees = model or read_verdict()
    club = club or ClubVerdict(trees.shares, 0, trees.habits)
    return judge(trees, figures_at(table, spell, at, club.habits), club.shares, smallest_gain)


def judge(
    trees: VerdictModel, figures: Array, shares: Array, smallest_gain: float | None = None
) -> Verdicts:
    """Return the verdicts on figures (n, F), in a log (3,) or logs (n, 3) with such shares."""
    outputs = trees.outputs(figures)
    (chances, steep), gains = chances_of(outputs), gains_of(outputs)
    steep = steep / chances[:, CLIMBING]
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
    """Learn how often a log's open spells stand still now; not those left for half a year."""
    table, trees = table or table_of(histories), read_verdict()
    spell, at = _open_spells(histories, table)
    cut = _day_of(histories)
    lately = (cut - table.day[at] <= LATELY_DAYS) & (at - table.start[spell] >= 2)
    one = np.zeros(1, dtype=np.int64)
    habits = habits_of(table, np.zeros(len(table.start), dtype=np.int64), one, one + cut)[0]
    plain = ClubVerdict(trees.shares.copy(), int(lately.sum()), habits)
    if not lately.any():
        return plain
    chances = verdicts_at(table, spell[lately], at[lately], plain).chances
    return replace(plain, shares=own_shares(chances, trees.shares))


def _day_of(histories: Histories) -> int:
    return int(np.datetime64(histories.as_of, "D").astype(np.int64))


def _open_spells(histories: Histories, table: Table) -> tuple[Ints, Ints]:
    """Open spells and their last sessions."""
    spell = np.flatnonzero(histories.spells["open"].to_numpy(dtype=bool) & (table.length > 0))
    return spell, table.start[spell] + table.length[spell] - 1


def own_shares(chances: Array, usual: Array, prior: float = PRIOR_LOOKS) -> Array:
    """Shares (3,) of the classes where ``chances`` (n, 3) were made for the shares ``usual``.

    What the chances themselves say, by EM (Saerens, Latinne & Decaestecker 2002, Neural Computation
    14:21), as if ``prior`` spells with the usual shares had been seen besides.
    """
    shares = usual.copy()
    for _ in range(ROUNDS):
        weight = chances * (shares / usual)
        weight /= weight.sum(axis=1, keepdims=True)
        shares = (weight.sum(axis=0) + prior * usual) / (len(chances) + prior)
    return np.asarray(shares)


def looks_back(table: Table, spell: Ints, at: Ints) -> tuple[Ints, Ints, Ints]:
    """One session a week back from each of ``at``: which of the n, how many weeks back, session.

    Of those after which there is record enough.
    """
    first = table.start[spell]
    number = at - first + 1
    which = np.repeat(np.arange(len(at)), number)
    session = np.arange(len(which)) - np.repeat(np.cumsum(number) - number, number) + first[which]
    back = (table.day[at][which] - table.day[session]) // 7
    newest = np.ones(len(which), dtype=bool)
    newest[:-1] = (back[1:] != back[:-1]) | (which[1:] != which[:-1])
    keep = newest & (back < LOOKS) & enough_record(table, spell[which], session)
    return which[keep], back[keep], session[keep]


def enough_record(table: Table, spell: Ints, at: Ints) -> Flags:
    """Whether a spell has record enough to be judged after a session, (n,).

    Sessions in which nothing was made do not count: they tell no change.
    """
    first = table.start[spell]
    weeks = (table.day[at] - table.day[first]) / 7.0
    made = np.concatenate([[0], np.cumsum(np.isfinite(table.values[2]))])
    return np.asarray((weeks >= MIN_WEEKS) & (made[at + 1] - made[first] >= MIN_SESSIONS))


def limit_for(false_alarms_per_year: float, smallest_gain: float | None = None) -> float:
    """Return how likely steep climbing may be, beside no progress, for a flag to go up.

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
    return float(np.interp(wanted, np.log(trees.settings), trees.limits))


def verdicts(
    histories: Histories, club: ClubVerdict | None = None, *,
    false_alarms_per_year: float = DEFAULT_FALSE_ALARMS, smallest_gain: float | None = None,
) -> pd.DataFrame:  # fmt: skip
    """Return the verdict on every open spell, one row each, in the order of the spells.

    ``club`` from ``learn_shares``; learnt from this log where left out. ``false_alarms_per_year``:
    how many one athlete may get in a year of training. ``smallest_gain`` a week (0.01 is 1 %):
    below it progress counts as flat; left out, the gain that takes a year to the target from where
    the athlete stands, but 0.5 % at least. Raises ``ForecastError`` if a setting is out of range.

    ``p_climbing``, ``p_flat``, ``p_slipping`` add to 1: whether the true change of level over the
    last six weeks was enough, too little, or downward; ``gain`` a week with its 80 % range;
    ``since`` with its own and ``weeks_flat`` only where ``flagged``; ``unlike``: whether the
    figures lie outside those of the careers.
    """
    limit = limit_for(false_alarms_per_year, smallest_gain)
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
        flagged[asked] = flags_of(seen, steep <= limit * seen)
        first, last = table.day[table.start[spell[asked]]], table.day[at[asked]]
        began = last[:, None] - SPAN_DAYS - 7.0 * weeks_back(seen)
        onset[asked] = np.clip(began, first[:, None], last[:, None] - 7)
    onset = np.where(flagged[:, None], onset, np.nan)
    rows = histories.spells.iloc[spell][["athlete", "rung"]].reset_index(drop=True)
    rows[["p_climbing", "p_flat", "p_slipping"]] = now.chances
    rows[["gain_low", "gain", "gain_high"]] = now.gains
    rows = rows.assign(
        smallest_gain=now.least, flagged=flagged, enough=enough, unlike=now.unlike,
        weeks_flat=(_day_of(histories) - onset[:, 1]) / 7.0,
    )  # fmt: skip
    for name, day in zip(("since_low", "since", "since_high"), onset.T, strict=True):
        rows[name] = pd.to_datetime(pd.Series(np.round(day), dtype="float64"), unit="D")
    return rows


def _looks(
    table: Table, spell: Ints, at: Ints, club: ClubVerdict, smallest_gain: float | None
) -> tuple[Array, Array]:
    """Look back once a week, newest first, (n, LOOKS): chances of no progress, of steep climbing.

    Missing where there is no look, and before a stretch that has surely begun.
    """
    which, back, session = looks_back(table, spell, at)
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
    """Weeks back to the first look of a stretch without progress: 90, 50, 10 % points (n, 3)."""
    there, reach, looks = np.isfinite(seen), _reach(seen), np.arange(seen.shape[1])
    points = (LEAST_REACH, 0.5, 1.0 - LEAST_REACH)
    return np.stack([np.where(there & (reach >= q), looks, 0).max(axis=1) for q in points], axis=1)


def _reach(seen: Array) -> Array:
    """Chance that a stretch without progress that is on now began before each look, (n, LOOKS).

    The product of the chances of the looks since; looks a week apart share most of their six weeks,
    so that many of them count as one.
    """
    chance = np.where(np.isfinite(seen), np.clip(seen, LEAST_CHANCE, 1.0), 1.0)
    return np.asarray(np.exp(np.cumsum(np.log(chance), axis=1) / SPAN_WEEKS))
