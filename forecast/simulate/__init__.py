"""Invented cohorts: laws of progress, attendance, sets as a coach writes them, and the truth."""

from forecast.simulate.careers import (
    AT_TARGET,
    BY_CHOICE,
    FAILED,
    UNKNOWN,
    Careers,
    Notes,
    invent_careers,
)
from forecast.simulate.cohort import (
    LADDER_FILE,
    Setting,
    SimulatedCohort,
    default_ladder,
    simulate_cohort,
)
from forecast.simulate.laws import GRACE_DAYS, LAWS, MAX_LOST, Cells, Law, State, law_class

__all__ = [
    "AT_TARGET", "BY_CHOICE", "FAILED", "GRACE_DAYS", "LADDER_FILE", "LAWS", "MAX_LOST",
    "UNKNOWN", "Careers", "Cells", "Law", "Notes", "Setting", "SimulatedCohort", "State",
    "default_ladder", "invent_careers", "law_class", "simulate_cohort",
]  # fmt: skip
