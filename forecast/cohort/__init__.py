"""The analyst's questions: how the cohort moves, what holds it up, are the pass marks right."""

from forecast.cohort.audit import CriterionAudit, criterion_audit
from forecast.cohort.bottlenecks import Bottlenecks, bottlenecks
from forecast.cohort.covariates import CovariateEffects, covariate_effects
from forecast.cohort.effects import PaceAndDifficulty, pace_and_difficulty
from forecast.cohort.lapse import (
    LapseHazard,
    LapseIncidence,
    lapse_chance,
    lapse_hazard,
    lapse_incidence,
)
from forecast.cohort.others import weeks_of_others
from forecast.cohort.records import as_histories
from forecast.cohort.time_to_clear import TimeToClear, time_to_clear

__all__ = [
    "Bottlenecks",
    "CovariateEffects",
    "CriterionAudit",
    "LapseHazard",
    "LapseIncidence",
    "PaceAndDifficulty",
    "TimeToClear",
    "as_histories",
    "bottlenecks",
    "covariate_effects",
    "criterion_audit",
    "lapse_chance",
    "lapse_hazard",
    "lapse_incidence",
    "pace_and_difficulty",
    "time_to_clear",
    "weeks_of_others",
]
