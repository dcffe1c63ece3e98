"""Numbers of judgement of sessions, spells and attendance; none has a source."""

from __future__ import annotations

import numpy as np

PAIN, PAIN_WEEKS = 4.0, 4.0
"""From this pain on (0 to 10) a note is passed on and dates are on hold, for so many weeks."""
UNDER_WAY_DAYS = 14
"""A first set this soon after the log begins was, as a rule, not the athlete's first ever."""
DEFAULT_LAPSE_WEEKS, LAPSE_GAPS = 12.0, 4.0
"""Weeks without a set that count the past as lapsed, and so many of the athlete's median gaps."""

ABSENCE_DAYS, MAX_ABSENCES = 21.0, 1000
"""Days without a set from which a gap is called an absence; absences kept of a log at most."""
PRIOR_ABSENCES, PRIOR_TAIL, PRIOR_POINTS = 2.0, 1.5, 16
"""Absences of the prior that stand beside those of the log. Who is away for so long is away for x
times as long with chance x to minus the tail; held as so many points."""
SEASON_WEEKS, SEASON_FLOOR, YEAR_WEEKS = 4.0, 0.1, 52.18
"""Absences count in full where they were as long at the same time of the year, give or take so many
weeks, and for the floor at the other end of the year."""
TABLE_SIZE = 128
LEVELS = (np.arange(TABLE_SIZE) + 0.5) / TABLE_SIZE
"""Entries of a gap table, each for an equal share of the coming gaps, and their places."""
MEMORY, SHRINK, SHRINK_MEDIAN = 30, 6.0, 2.0
"""An athlete's latest gaps that describe how they train lately. Own gaps count for n / (n + SHRINK)
and their median for n / (n + SHRINK_MEDIAN), for two gaps are no habit yet; else the cohort's."""
PRIOR_GAPS = np.array([2.0, 2.0, 2.0, 3.0, 3.0, 3.0, 4.0, 4.0, 5.0, 7.0, 7.0, 14.0])
"""Days between sessions where no log tells: about two sessions a week."""
LOG_WEIGHT = 0.5
"""What the log's absences, as they are, count for beside those in an athlete's table, which are
scaled to their rhythm."""
