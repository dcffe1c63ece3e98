"""Numbers of judgement of this room but for the pool's own; none has a source."""

from __future__ import annotations

# rows and their facts
LAST_SESSIONS = 5
"""What a usual day shows is never more than the best set that counted in so many sessions."""
RECENT_SESSIONS = 8
"""Sessions from which the rate of training, form and breaks are read."""
MET_SESSIONS, MET_WEEKS = 30, 12.0
"""The latest sessions whose meetings are counted: so many, no older than so many weeks."""
BREAK_DAYS, BREAK_GAPS = 14.0, 3.0
"""A gap longer than this, and than so many of the spell's median gaps, is a break."""
PAUSE_WEEKS, PAUSE_GAPS = 3.0, 3.0
"""No session for longer than this, and than so many of the spell's median gaps, is a pause."""
USUAL_SHARE, NO_ABSENCE_WEEKS, FEW_ABSENCES = 0.75, 6.0, 4
"""Share of absences that lasted no longer than the usual one, how long that is where none is seen,
and for how many of the log's this counts."""
INVALID_ROW = 3
"""Sessions without a valid set from which they are a row of them, and not a slow start."""
PRIOR_ENDS, PRIOR_LENGTH = 1.0, 4.0
"""Prior of the rate at which such rows end, as ends seen over log-length seen."""
LEAST_WEEKS, MOST_WEEKS, LONG_GAP_DAYS = 3.0, 12.0, 14
"""Length of the stretches compared where progress stopped, and the gap worth a word there."""
RECENT_WEEKS, EARLIER_WEEKS = 4.0, 8.0
"""Stretches compared where numbers rise while form slips."""
THIN_SESSIONS, THIN_COMPARABLE = 5, 5
"""Own sessions, and cleared spells of others, below which there is little to go by."""
SURPRISING = 2.0
"""Meetings beside what was expected are worth a word past so many standard deviations, and past
one session."""
LEAST_EFFECT, MOST_REASONS = 0.002, 5
"""A pace within this of the cohort's is neither quicker nor slower; reasons given at most."""

# lapse
FLAT_GAIN = 0.005
"""Gain a week below which progress counts as flat: half a percent."""
RECENT_DAYS, CLEARED_DAYS = 56, 28
"""Days over which training days a week are counted, and for which a clearing is fresh."""
PRIOR_CHANCE = 0.0017
"""Chance that a training day is the last: 20 % lapse a year at 2.5 days a week."""
PRIOR_SD = (1.0, 0.7, 0.5, 0.7, 0.25, 0.5)
"""Spread of the priors: intercept (log odds), then the effects of ``FEATURES``."""
SHRINK = 2.0
"""Gaps of the cohort's habit that stand beside an athlete's own."""
LAPSE_ROUNDS, LAPSE_DRAWS = 200, 400

# saved models
MOST_PACKED = 100
"""How many times its packed size a model may unpack to."""
MAX_BYTES = 100_000_000
"""Bytes of a model once unpacked; one of the demo club has less than a hundredth of it."""
MAX_DEPTH = 40
"""Brackets within brackets; a saved model has a dozen."""
LARGEST = 1e9
"""Bound of every number but seeds; day numbers are far below."""
