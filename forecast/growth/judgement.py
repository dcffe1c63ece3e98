"""Constants of judgement of the growth engine: priors, limits, how far each rule reaches.

Common practice, no source, unless one is named; what was tried instead, and what it scored, stands
in ``docs/method/what-was-tried.md``. Constants that compiled loops read stand beside the loops
(``kernels``, ``motion``): numba looks at the date of one file.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np

MEASURES = ("seconds", "reps", "kg", "cm")

# --- Reading sets. ---
GRACE_WEEKS = 2.0
"""A gap up to this, or to three usual gaps where that is longer, is training."""
UNITS = (60.0, 30.0, 10.0, 5.0, 2.0, 1.0, 0.5, 0.25, 0.1, 0.05, 0.01)
"""Rounding units looked for, coarse first."""
MIN_VALUES_FOR_COARSE = 8
"""Fewer values than this never establish a unit coarser than one."""
NEARLY_ALL = 0.98
"""Share of the values that must be multiples of a unit."""
KNEE = 2.0
"""Standard deviations below its day's ability from which a set pulls no harder (Huber 1964, Ann.
Math. Stat. 35:73): a slip is not weakness."""
SLIP_DENSITY = 1.0
"""Density of a slip's record per unit of the latent scale: slips fall anywhere in about one unit
(a factor of e) below capacity."""
OPEN_SLIP = 0.1
"""Chance of a record without a lower or upper bound, given a slip."""
MOST_SLIPS = 0.2
"""No log is believed to hold more slips than this: more of them is a wider scatter."""
RESERVE, LET_FAIL = 0.2, 20.0
"""What a set stopped by choice may have kept back beyond the best of late, as a log ratio, where
all sets below the mark end so; in a log that lets more of them fail, more, and so many failed sets
are taken to be there besides."""
LATELY_DAYS, NEAR_BEST = 56, 0.8
"""How far back the best of late is looked for. A set stopped by choice below this share of it was
no try at the mark: a day that was easy on purpose."""
SCATTERS = np.exp(np.linspace(-1.0, 1.0, 5))
SCATTER_SD = 0.45
"""Multiples of the cohort's noise tried, and how far athletes differ before any set is seen: the
standard deviation of the log. A dozen sessions of an athlete's own overrule it."""
MOST_EVIDENCE = 1.5
"""Log evidence that one session may bring for a multiple, and half of what it may bring against
one: scatter shows in many sessions, one day out of all proportion is not."""

# --- Choosing the scale. ---
QUICKENING = -1.0
"""The scale on which progress that quickens toward the mark is straight."""
SHARES = (0.5, 0.85, QUICKENING)
"""Shares of the plain ratio that are tried: half way, nearly all of it, bent the other way."""
TRIAL_SPELLS, LEAST_SPELLS = 30, 8
"""Spells used to compare scales, the longest ones; fewer are no evidence of a law all share."""
MARGIN, MARGIN_PER_SET = 5.0, 0.04
"""Log evidence by which another scale must beat the log: outright, and for each set, so that a
scale which only flatters the noise of many sets does not pass for another law of growth."""
TRIAL_ROUNDS = 3
"""Rounds of each trial fit: after one the noise is still on its way from its prior, and a scale
that only shrinks the record looks better than it is. One that is behind the log even so goes no
further: with all three rounds for all, each of 68 cohorts and growth tables kept its scale."""


# --- Fitting. ---
class Prior(NamedTuple):
    """Normal prior of one constant, and the group that a change of it touches."""

    mean: float
    sd: float
    group: Literal["motion", "pooling", "record"]


def _positive(
    middle: float, sd: float, group: Literal["motion", "pooling", "record"] = "motion"
) -> Prior:
    """Prior of the log of a positive constant."""
    return Prior(float(np.log(middle)), sd, group)


PRIORS: dict[str, Prior] = {
    "log_alpha": _positive(0.12, 0.8),
    "log_swing_sd": _positive(0.03, 0.9),
    "log_wiggle_sd": _positive(0.025, 0.7),
    "log_detraining": _positive(0.02, 0.8),
    "log_regain": _positive(0.3, 0.8),
    "practice": Prior(-2.5, 1.3, "motion"),
    "log_fade": _positive(0.06, 1.0),
    "season_cos": Prior(0.0, 0.35, "motion"),
    "season_sin": Prior(0.0, 0.35, "motion"),
    **{f"log_day_sd_{m}": _positive(0.08, 0.9) for m in MEASURES},
    "log_own_start": _positive(0.30, 0.9, "pooling"),
    "log_own_swing": _positive(0.04, 0.7, "pooling"),
    "log_own_pace": _positive(0.015, 0.7, "pooling"),
    "own_start_swing": Prior(0.0, 0.4, "pooling"),
    "own_start_pace": Prior(0.0, 0.4, "pooling"),
    "own_swing_pace": Prior(0.0, 0.4, "pooling"),
    "log_athlete_start": _positive(0.15, 0.6, "pooling"),
    "log_athlete_swing": _positive(0.015, 0.7, "pooling"),
    "log_athlete_pace": _positive(0.012, 0.7, "pooling"),
    "log_rung_start": _positive(0.25, 0.6, "pooling"),
    "log_rung_swing": _positive(0.015, 0.7, "pooling"),
    "log_rung_pace": _positive(0.010, 0.7, "pooling"),
    **{f"log_set_sd_{m}": _positive(0.10, 0.9, "record") for m in MEASURES},
    "fatigue": Prior(-0.06, 0.05, "record"),
    "unclean": Prior(0.05, 0.15, "record"),
    "assisted": Prior(0.25, 0.25, "record"),
    "log_slip": _positive(0.03, 0.7, "record"),
    "log_day_down": _positive(0.5, 0.6, "record"),
    "log_day_up": _positive(0.25, 0.5, "record"),
}
"""In weeks and latent units: wide enough that a dozen athletes overrule them, tight enough that one
athlete with one session still gets an answer."""
CENTRE_MEAN = np.array([-0.55, 0.01, 0.015])
CENTRE_SD = np.array([0.6, 0.05, 0.03])
"""Prior of the cohort's typical start level, start swing and pace."""
SEASON_WEEKS = 40
"""Calendar weeks with sessions from which a season can be told from a trend."""
ROUNDS = 3
MAX_STEPS, RECORD_STEPS = (8, 8, 14), 6
"""Few steps, on purpose: climbed to the very top the evidence fits the law of the engine to records
that follow another, and forecasts of alien cohorts are no better for it."""
START = {"log_own_swing": 0.08, "log_own_pace": 0.05, "log_wiggle_sd": 0.015}
"""Where the climb to the best constants begins, where not in the middle of their priors: with
spells free to differ in pace, so that a steady climb is not first taken for a wiggle."""
FARTHEST = 5.0
"""No constant ends farther than so many standard deviations of its prior from its middle."""

# --- Forecasting. ---
SPELL_SPREAD = {"log_alpha": 0.5, "log_swing_sd": 0.7, "log_wiggle_sd": 0.5}
"""How far single spells stray from the cohort's constants, as log standard deviations."""
SPEED_SD = 0.4
"""Log standard deviation of a spell's speed where the pace's own spread leaves room for it."""
SPEED_SHARE = 0.65
"""Largest share of the opinion's spread along its mean gain that the speed may stand for."""
LEAST_WEIGHT = 2e-3
"""Draws that explain a spell worse than this beside all others are left out of its forecast."""
PLAIN_DRAWS, MIDDLE_PATHS = 16, 256
"""Draws where no session tells them apart: more would change nothing; paths of a middle alone."""
BLOCK = 32
"""Sessions whose random numbers are drawn at once."""
MEMORY_SESSIONS, TABLE_SIZE, MAX_SETS = 12, 32, 8
"""Latest sessions that tell of habits; entries of a table of sets a session, and their limit."""
PRIOR_SETS = np.array([3.0])
INTERCEPT_SD = 1.0
"""How far athletes' habits of clean, unassisted sets differ, on the logit scale."""
LATEST = 30
"""How many of a spell's latest sessions are held against what was expected of them."""
SHIFT_SD = 1.0
"""How far the log odds of meeting may be off before any session tells."""

LENT_SD = (0.3, 0.9)
"""How far clubs differ in the centre and the rungs, in the standard deviations that these have
where nothing is lent: two opinions, between which the log decides."""
TOLD_SPELLS = 4.0
"""Cleared spells that the weeks which a coach expects of a rung are worth."""
TOLD_GAP = 0.55
"""How far below the mark a rung is usually begun, for the spread of what is expected."""
