"""Lapse: the chance that an athlete has stopped for good, beside each forecast."""

from forecast.readiness.lapse.chance import lapse_chances
from forecast.readiness.lapse.days import FEATURES, FLAT_GAIN, chance_flat, design_of, training_days
from forecast.readiness.lapse.staying import LapseModel, day_rhythm, fit_lapse, silences

__all__ = [
    "FEATURES",
    "FLAT_GAIN",
    "LapseModel",
    "chance_flat",
    "day_rhythm",
    "design_of",
    "fit_lapse",
    "lapse_chances",
    "silences",
    "training_days",
]
