"""Invented cohorts: laws of progress, attendance, sets as a coach writes them, and the truth."""

from __future__ import annotations

from forecast.simulate.cohort import Setting, SimulatedCohort, simulate_cohort
from forecast.simulate.ladders import default_ladder
from forecast.simulate.laws import LAWS

__all__ = ["LAWS", "Setting", "SimulatedCohort", "default_ladder", "simulate_cohort"]
