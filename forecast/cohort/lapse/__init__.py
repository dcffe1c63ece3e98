"""Lapse: who stops logging for good, from which rung, when flat, and how likely from here."""

from forecast.cohort.lapse.chance import lapse_chance
from forecast.cohort.lapse.flatness import LapseHazard, lapse_hazard
from forecast.cohort.lapse.incidence import LapseIncidence, lapse_incidence

__all__ = ["LapseHazard", "LapseIncidence", "lapse_chance", "lapse_hazard", "lapse_incidence"]
