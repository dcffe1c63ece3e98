"""The verdict: climbing, flat or slipping, learnt from invented careers; figures only."""

from forecast.plateau.figures import HABITS, NAMES, Table, figures_at, table_of, table_of_careers
from forecast.plateau.watch import (
    DEFAULT_FALSE_ALARMS,
    EIGHTY,
    MIN_SESSIONS,
    MIN_WEEKS,
    ClubVerdict,
    Verdicts,
    flags_of,
    learn_shares,
    limit_for,
    own_shares,
    read_verdict,
    verdicts,
    verdicts_at,
    weeks_back,
)

__all__ = [
    "DEFAULT_FALSE_ALARMS",
    "EIGHTY",
    "HABITS",
    "MIN_SESSIONS",
    "MIN_WEEKS",
    "NAMES",
    "ClubVerdict",
    "Table",
    "Verdicts",
    "figures_at",
    "flags_of",
    "learn_shares",
    "limit_for",
    "own_shares",
    "read_verdict",
    "table_of",
    "table_of_careers",
    "verdicts",
    "verdicts_at",
    "weeks_back",
]
