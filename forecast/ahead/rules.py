"""Numbers of judgement of the look up the ladder; no log teaches them, and none has a source."""

from __future__ import annotations

import numpy as np

MOST_PATHS, MOST_DRAWS = 512, 16
"""Paths and draws of the constants that a walk takes at most. The engine's own forecast weighs many
draws by how well they explain a spell; here all count alike, and more would only take time."""
MOST_HORIZON = 1040
"""Weeks that can be looked ahead, twenty years: nothing learnt from a log reaches further."""
MOST_RATE = 7.0
"""Sessions a week on a rung that may be asked for."""
WIDEST = 4.0
"""Times the present mark, or a part of it, that may be asked for: beyond, no set tells anything."""
LAYOFF_DAYS = 14.0
"""Longer gaps are layoffs: they stay as they are when sessions a week change."""
FINER = 8
"""Entries of a changed gap table for each entry of the usual one."""
LEAST_MASS = 0.05
"""Share of paths within the forecast below which there is nothing to match times to."""
STRETCH_RANGE = (0.5, 2.0)
"""Beyond what was recalibrated, times go on being stretched, by no more than this."""
NARROWER = 0.9
"""Times of rungs not begun are drawn toward their middle, as a log: a few paths of little pace
make the simulated ones too wide (measured: docs/method/ladder-ahead.md)."""
SLOWEST, QUICKEST, HALVINGS = 0.05, 20.0, 18
"""Factors on the present pace that are looked through for one that makes a date."""
FARTHEST = float(np.log(1000.0))
"""Levels beyond a thousand times the pass mark, or under a thousandth, are told as that: on a path
that goes on for years without a clean set the latent level runs on, and its ratio overflows."""

FACTOR_SD = 0.4
"""Prior spread of the log factor on times around 0."""
SPREAD, SPREAD_SD, DEGREES = 0.7, 0.4, 6.0
"""How far single times lie from the middle, as a log, how well that is known, and the degrees of
freedom of Student's t: some spells go oddly."""
FACTORS = np.linspace(-1.6, 1.6, 65)
SPREADS = np.exp(np.linspace(np.log(0.15), np.log(3.0), 25))
"""Grid on which the factor and the spread are integrated."""
CARRY_SD = np.array([0.4, 0.4])
"""Prior spread of start per unit of margin, and of pace per unit of own pace."""
ELASTICITY_SD, MIN_RATE_SESSIONS = 0.5, 5
"""Prior spread of the elasticity of gain on sessions a week; sessions that make a rate."""
CLEAN_SPREAD, CLEAN_SPREAD_SD = 0.7, 0.7
"""How far spells differ in clean sets on the logit scale, and how well its log is known: a weak
prior that keeps a handful of spells from an answer of nothing."""

LEAST_DROP = 0.05
"""Drop of the level since clearing, in log units, below which nobody is asked back."""
MOST_WEEKS = 8.0
"""Weeks off that count: losses level out, and logs rarely show longer layoffs."""
MORE_LIKELY = 0.5
"""Chance that the level is below the pass mark from which a rung is more likely lost than kept."""
RECENT_SESSIONS, MOST_BY_CHANCE = 8, 0.05
"""Sessions whose form is looked at, and the chance at most that theirs is no worse than usual."""
